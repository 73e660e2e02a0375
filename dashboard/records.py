"""Records: what is stored, where it comes from, and adding more."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import streamlit as st

from dashboard.shared import all_records, answer, state, store
from reliability.sheets.demo import demo_folder
from reliability.sheets.life import read_life
from reliability.sheets.table import SheetError
from reliability.sheets.write import life_csv
from reliability.store import StoreError


def add_upload(upload) -> None:  # type: ignore[no-untyped-def]
    """Check and store one uploaded sheet; say what happened."""
    try:
        sheet = read_life(Path(upload.name), upload.getvalue())
        added = store().add(sheet)
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


st.title("Records")
with st.container(border=True):
    st.markdown("**Add a life sheet**")
    st.caption(
        "CSV, Parquet or XLSX; one row a unit. Needed: builder, module, slot, shots_good. Give shots_failed "
        "where it failed: the same count if seen at that shot, the count of the inspection that found it "
        "otherwise; leave it empty while the unit is good."
    )
    upload = st.file_uploader("Life sheet", type=["csv", "parquet", "xlsx"], key="upload")
    if upload is not None and st.button("Check and add", key="add", type="primary"):
        add_upload(upload)

key = state()
records = all_records(*key) if key[1] else None
if records is None or not len(records):
    answer("No accepted records yet.")
    st.write("Add a sheet above, or start with the invented demo community.")
    if st.button("Load the invented demo", key="demo"):
        box = store()
        for f in sorted(demo_folder().glob("life_*.csv")):
            box.add(read_life(f), licence="CC0-1.0")
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
            for c in store().contributions()
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
