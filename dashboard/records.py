"""Records: what is stored, where it comes from, and adding more."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd
import streamlit as st

from dashboard.shared import all_records, answer, state, store
from reliability.decisions.answer import shots_text
from reliability.decisions.module import module
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords, join
from reliability.sheets.life import read_life
from reliability.sheets.quality import findings
from reliability.sheets.side import SideSheet, read_contribution
from reliability.sheets.table import SheetError
from reliability.sheets.write import life_csv, rows_csv
from reliability.store import StoreError
from reliability.store.demo import load_demo

SLOTS = ["main_capacitor", "ignition_capacitor", "igniter", "fuel", "switch", "converter"]
MODES = [
    "short",
    "open",
    "capacitance_loss",
    "no_spark",
    "carbon_short",
    "fuel_spent",
    "charring",
    "unknown",
]


def add_upload(upload) -> None:  # type: ignore[no-untyped-def]
    """Check and store one uploaded sheet; say what happened."""
    try:
        sheet, licence, other = read_contribution(Path(upload.name), upload.getvalue())
        if isinstance(sheet, SideSheet):
            c = store().add_side(sheet).contribution
            st.success(f"{c.file} is stored as contribution {c.id}: {c.rows} rows of {c.kind}.")
            return
        added = store().add(sheet, licence=licence, other=other)
    except SheetError as e:
        st.error(
            f"{len(e.faults)} fault{'s' if len(e.faults) != 1 else ''} in {upload.name}; nothing was stored."
        )
        st.dataframe(
            pd.DataFrame(
                [
                    {"row": f.row or None, "column": f.column, "what is wrong": f.message}
                    for f in e.faults
                ]
            ),
            hide_index=True,
            width="stretch",
            key="fault_table",
        )
        return
    except StoreError as e:
        st.error(str(e))
        return
    c = added.contribution
    if added.new:
        st.success(
            f"{c.file} is stored as contribution {c.id}: {c.rows} records. All pages use it now."
        )
    else:
        st.info(f"{c.file} was stored before, as contribution {c.id}; nothing changed.")
    for n in sheet.notes:
        st.caption(n.text)


@st.cache_resource(max_entries=16, show_spinner="Working out what would change …")
def change(key: tuple[str, str], sha256: str, _fresh: LifeRecords) -> str:
    """What a new sheet (known by its hash) would do to the module life, in a sentence."""
    fresh = _fresh
    now = all_records(*key) if key[1] else None
    after = join([now, fresh]) if now is not None and len(now) else fresh
    texts = []
    for records in (now, after):
        if records is None or not len(records):
            texts.append("nothing")
            continue
        try:
            a = module(records, bound="likelihood")
            texts.append(
                f"{shots_text(a.life['shots'])} shots (at least {shots_text(a.life['lower'])})"
            )
        except CannotAnswer:
            texts.append("nothing")
    return f"{len(fresh)} records. The life that 90 % of modules reach would go from {texts[0]} to {texts[1]} (likelihood bound)."


def preview(upload) -> None:  # type: ignore[no-untyped-def]
    """Before anything is stored: faults, what looks odd, and what would change."""
    try:
        sheet, _, _ = read_contribution(Path(upload.name), upload.getvalue())
    except SheetError as e:
        st.warning(
            f"{len(e.faults)} fault{'s' if len(e.faults) != 1 else ''}; press the button to list them."
        )
        return
    if isinstance(sheet, SideSheet):
        return
    key = state()
    st.caption(change(key, sheet.sha256, sheet.records))
    for f in findings(sheet.records, all_records(*key) if key[1] else None):
        st.caption(f"{f.severity}: {f.text}")


def one_record() -> None:
    """A form for one unit; it becomes a contribution of its own."""
    with st.form("one", clear_on_submit=True):
        a, b, c, d = st.columns(4)
        builder = a.text_input("Builder code", key="one_builder")
        name = b.text_input("Module", key="one_module")
        slot = c.selectbox("Slot", SLOTS, key="one_slot", accept_new_options=True)
        unit = d.text_input("Unit (optional)", key="one_unit")
        a, b, c, d = st.columns(4)
        good = a.number_input("Known good at (shots)", 0.0, value=None, step=1.0, key="one_good")
        failed = b.number_input(
            "Found failed at (shots; empty = still good)",
            0.0,
            value=None,
            step=1.0,
            key="one_failed",
        )
        mode = c.selectbox("Mode", ["", *MODES], key="one_mode", accept_new_options=True)
        volts = d.number_input("Charge voltage (V)", 0.0, value=None, step=10.0, key="one_volts")
        part = st.text_input("Part (optional)", key="one_part")
        sent = st.form_submit_button("Store this record")
    if not sent:
        return
    row = {
        "builder": builder, "module": name, "slot": slot or "", "unit": unit, "part": part,
        "shots_good": good if good is not None else (failed if failed is not None else ""),
        "shots_failed": "" if failed is None else failed, "mode": mode or "", "charge_V": "" if volts is None else volts,
        "date": dt.date.today().isoformat(),
    }  # fmt: skip
    content = rows_csv([row]).encode()
    try:
        c = (
            store()
            .add(read_life(Path(f"entered-{dt.datetime.now():%Y%m%d-%H%M%S}.csv"), content))
            .contribution
        )
        st.success(f"Stored as contribution {c.id}. All pages use it now.")
    except SheetError as e:
        st.error("Not stored: " + "; ".join(f"{f.column}: {f.message}" for f in e.faults))
    except StoreError as e:
        st.error(str(e))


st.title("Records")
with st.container(border=True):
    st.markdown("**Add a life sheet**")
    st.caption(
        "CSV, Parquet or XLSX with one row a unit, or a bundle (zip). Needed: builder, module, slot, shots_good. Give shots_failed "
        "where it failed: the same count if seen at that shot, the count of the inspection that found it "
        "otherwise; leave it empty while the unit is good."
    )
    upload = st.file_uploader(
        "Life sheet or bundle", type=["csv", "parquet", "xlsx", "zip"], key="upload"
    )
    if upload is not None:
        preview(upload)
        if st.button("Check and add", key="add", type="primary"):
            add_upload(upload)
with st.expander(
    "Enter one record (a failure seen on the bench, or a count reached)",
    icon=":material/edit_note:",
):
    one_record()
contributions = store().contributions() if store().exists else []
waiting = [c for c in contributions if c.status == "received"]
for c in waiting:
    with st.container(border=True):
        st.markdown(f"**Contribution {c.id} waits:** {c.file}, {c.rows} records of {c.builders}")
        left, middle, right = st.columns([4, 1, 1])
        reason = left.text_input("Reason", key=f"reason_{c.id}")
        if middle.button("Accept", key=f"accept_{c.id}"):
            store().decide(c.id, "accepted", reason)
            st.rerun()
        if right.button("Decline", key=f"decline_{c.id}"):
            store().decide(c.id, "declined", reason)
            st.rerun()

key = state()
records = all_records(*key) if key[1] else None
if records is None or not len(records):
    answer("No accepted records yet.")
    st.write("Add a sheet above, or start with the invented demo community.")
    if st.button("Load the invented demo", key="demo"):
        load_demo(store())
        st.rerun()
    st.stop()
assert records is not None
answer(
    f"{records.units:g} units in {len(set(records.module.tolist()))} modules of "
    f"{len(set(records.builder.tolist()))} builders; {records.failures:g} of the units failed."
)
st.markdown("**Contributions**")
st.dataframe(
    pd.DataFrame(
        [
            {
                "no": c.id, "file": c.file, "builders": c.builders, "records": c.rows,
                "status": c.status, "received": c.received_at[:16].replace("T", " "), "licence": c.licence,
            }
            for c in contributions
        ]
    ),
    hide_index=True, width="stretch", key="contribution_table",
)  # fmt: skip
st.markdown("**Life records**")
frame = pd.DataFrame(
    {
        "builder": records.builder, "module": records.module, "slot": records.slot, "unit": records.unit,
        "part": records.part, "from": records.shots_from, "good at": records.shots_good,
        "failed by": pd.Series(records.shots_failed).where(records.failed), "mode": records.mode,
        **records.covariates,
    }
)  # fmt: skip
st.dataframe(frame.head(5000), hide_index=True, width="stretch", height=420, key="record_table")
if len(frame) > 5000:
    st.caption(f"The first 5,000 of {len(frame):,} records.")
st.download_button(
    "Download all as a life sheet (CSV)",
    lambda: life_csv(records),
    "life.csv",
    "text/csv",
    key="download",
)
