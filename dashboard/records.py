"""Records: what is stored, where it comes from, and adding more."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.shared import answer, first_steps, pool, state, store, table, title
from dashboard.sign_in import allowed
from dashboard.words import plain_text
from reliability.ask.giving import (
    LogSettings,
    Taken,
    change,
    give_bytes,
    give_logs,
    look,
    reduce,
)
from reliability.ask.records import (
    SheetError,
    SheetFault,
    StoreError,
    contributions_of,
    decide,
    life_csv,
    rows_csv,
)
from reliability.notes import BadInput

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


def status() -> str:
    """What a contribution of this user is at first."""
    return "accepted" if allowed("maintainer") else "received"


def fault_table(faults: list[SheetFault], file: str) -> None:
    """The faults of a refused file."""
    n = len(faults)
    st.error(f"{n} fault{'s' if n != 1 else ''} in {plain_text(file)}; nothing was stored.")
    rows = [{"row": f.row or None, "column": f.column, "what is wrong": f.message} for f in faults]
    table(pd.DataFrame(rows), "faults")


def say_stored(taken: Taken) -> None:
    """What became of a contribution, in a sentence."""
    c = taken.contribution
    what = "records" if c.kind == "life" else f"rows of {c.kind}"
    if not taken.new:
        st.info(f"{plain_text(c.file)} was stored before, as contribution {c.id}; nothing changed.")
    elif c.status == "received":
        st.success(
            f"{plain_text(c.file)} is stored as contribution {c.id}: {c.rows} {what}. It waits until a maintainer accepts it."
        )
    else:
        st.success(
            f"{plain_text(c.file)} is stored as contribution {c.id}: {c.rows} {what}. All pages use it now."
        )
    for n in taken.notes:
        st.caption(plain_text(n.text))


def add_upload(upload: Any, supersedes: int | None) -> None:
    """Check and store one uploaded sheet; say what happened."""
    try:
        say_stored(
            give_bytes(
                store(),
                Path(upload.name),
                upload.getvalue(),
                status=status(),
                supersedes=supersedes,
            )
        )
    except SheetError as e:
        fault_table(e.faults, upload.name)
    except (StoreError, BadInput) as e:
        st.error(plain_text(str(e)))


def add_log() -> None:
    """Reduce an uploaded shot log and store the sheets it gives; later logs supersede earlier ones."""
    a, b = st.columns([3, 1])
    logs = a.file_uploader(
        "Shot logs, in the order they were written",
        type=["csv", "parquet"],
        accept_multiple_files=True,
        key="logs",
    )
    builder = b.text_input("Builder code of the logs", key="log_builder")
    if not logs or not st.button("Reduce and add", key="reduce", disabled=not builder.strip()):
        return
    bar = st.progress(0.0, text="Reading …")
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for i, log in enumerate(logs):
            path = Path(folder) / f"{i}-{Path(log.name).name}"
            path.write_bytes(log.getvalue())
            paths.append(path)
        try:
            reduced = reduce(paths, progress=lambda label, share: bar.progress(share, text=label))
            for taken in give_logs(store(), reduced, LogSettings(builder), status=status()):
                say_stored(taken)
        except SheetError as e:
            fault_table(e.faults, "the shot log")
            return
        except (StoreError, BadInput) as e:
            st.error(plain_text(str(e)))
            return
        finally:
            bar.empty()
    st.write(plain_text(reduced.sentence))
    for n in reduced.notes:
        st.caption(plain_text(n.text))


@st.cache_resource(max_entries=16, show_spinner="Working out what would change …")
def what_changes(version: str, sha256: str, _looked: Any) -> str:
    """What a new sheet (known by its hash) would do to the module life, in a sentence."""
    found = change(store(), _looked)
    return "" if found is None else found.sentence


def preview(upload: Any) -> None:
    """Before anything is stored: faults, what looks odd, and what would change."""
    try:
        looked = look(Path(upload.name), upload.getvalue(), before=pool().life)
    except SheetError as e:
        st.warning(
            f"{len(e.faults)} fault{'s' if len(e.faults) != 1 else ''}; press the button to list them."
        )
        return
    text = what_changes(state(), looked.sheet.sha256, looked)
    if text:
        st.caption(plain_text(text))
    for f in looked.findings:
        st.caption(plain_text(f"{f.severity}: {f.text}"))


def corrects() -> int | None:
    """The contribution that an upload corrects, chosen by a maintainer."""
    if not allowed("maintainer"):
        return None
    standing = [c for c in contributions_of(store()) if c.status in ("accepted", "received")]
    names = {f"{c.id}: {c.file}": c.id for c in standing}
    picked = st.selectbox(
        "It corrects an earlier contribution", ["no", *names], key="corrects",
        help="The corrected contribution is superseded; nothing is deleted.",
    )  # fmt: skip
    return names.get(picked)


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
        part = st.text_input(
            "Part", key="one_part", help="Without it the record is left out where parts differ."
        )
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
        name = f"entered-{dt.datetime.now():%Y%m%d-%H%M%S}.csv"
        say_stored(give_bytes(store(), Path(name), content, status=status()))
    except SheetError as e:
        st.error(
            plain_text("Not stored: " + "; ".join(f"{f.column}: {f.message}" for f in e.faults))
        )
    except StoreError as e:
        st.error(plain_text(str(e)))


top = title("Records")
if allowed("contributor"):
    with st.container(border=True):
        st.markdown("### Add a life sheet")
        st.caption(
            "CSV, Parquet or XLSX with one row a unit, or a bundle (zip). Needed: builder, module, slot, shots_good. Give "
            "shots_failed where it failed: the same count if seen at that shot, the count of the inspection that found it "
            "otherwise; leave it empty while the unit is good. Sheets of wear readings, misfires and ignition counts go in "
            "here too."
        )
        upload = st.file_uploader(
            "Sheet or bundle", type=["csv", "parquet", "xlsx", "zip"], key="upload"
        )
        if upload is not None:
            preview(upload)
            old = corrects()
            if st.button("Check and add", key="add", type="primary"):
                add_upload(upload, old)
    with st.expander(
        "Enter one record (a failure seen on the bench, or a count reached)",
        icon=":material/edit_note:",
    ):
        one_record()
    with st.expander("Reduce a shot log (one row a shot)", icon=":material/compress:"):
        st.caption(
            "Columns module, shot and as far as there are main_V_before, main_V_after, ignition_V, time_s, charge_J. Larger "
            "than 200 MB: 'shotlife shots FILE --builder CODE --add'. Where a part was swapped, enter its record by hand."
        )
        add_log()
contributions = contributions_of(store())
for c in contributions:
    if c.status != "received" or not allowed("maintainer"):
        continue
    with st.container(border=True):
        st.markdown(
            f"**Contribution {c.id} waits:** {plain_text(c.file)}, {c.rows} rows of {plain_text(c.builders)}"
        )
        left, middle, right = st.columns([4, 1, 1])
        reason = left.text_input("Reason", key=f"reason_{c.id}")
        if middle.button("Accept", key=f"accept_{c.id}"):
            decide(store(), c.id, "accepted", reason)
            st.rerun()
        if right.button("Decline", key=f"decline_{c.id}"):
            decide(store(), c.id, "declined", reason)
            st.rerun()

records = pool().life
if records is None or not len(records):
    answer("No accepted records yet.", top)
    first_steps()
    st.stop()
assert records is not None
answer(
    f"{records.units:g} units in {len(set(records.module.tolist()))} modules of "
    f"{len(set(records.builder.tolist()))} builders; {records.failures:g} of the units failed.",
    top,
)
st.markdown("### Contributions")
table(
    pd.DataFrame(
        [
            {
                "no": c.id, "file": c.file, "kind": c.kind, "builders": c.builders, "rows": c.rows, "status": c.status,
                "received": c.received_at[:16].replace("T", " "), "licence": c.licence,
            }
            for c in contributions
        ]
    ),
    "contributions",
)  # fmt: skip
st.markdown("### Life records")
frame = pd.DataFrame(
    {
        "builder": records.builder, "module": records.module, "slot": records.slot, "unit": records.unit,
        "part": records.part, "from": records.shots_from, "good at": records.shots_good,
        "failed by": pd.Series(records.shots_failed).where(records.failed), "mode": records.mode,
        **records.covariates,
    }
)  # fmt: skip
st.dataframe(
    frame.head(1000),
    hide_index=True,
    width="stretch",
    height=420,
    key="record_table",
    placeholder="–",
)
if len(frame) > 1000:
    st.caption(f"The first 1,000 of {len(frame):,} records; the download has all.")
st.download_button(
    "Download all as a life sheet (CSV)",
    lambda: life_csv(records),
    "life.csv",
    "text/csv",
    key="download",
)
