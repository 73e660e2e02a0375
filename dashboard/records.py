"""Records: what is stored, where it comes from, and adding more."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import pandas as pd
import streamlit as st

from dashboard.contributions import listed, waiting, withdraw
from dashboard.controls import read_address
from dashboard.door import add_file, fault_table, how, say_stored
from dashboard.head import title
from dashboard.shared import first_steps, pool, store
from dashboard.sign_in import allowed, require
from dashboard.words import plain_text
from reliability.ask.deeds import deed_log
from reliability.ask.giving import (
    LogSettings,
    Terms,
    as_given,
    give_bytes,
    give_logs,
    reduce_apart,
)
from reliability.ask.records import (
    SheetError,
    StoreError,
    contributions_of,
    life_csv,
    rows_csv,
)
from reliability.notes import BadInput
from reliability.words import counted

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
            reduced = reduce_apart(paths)
            require("contributor")
            for taken in give_logs(store(), reduced, LogSettings(builder), how()):
                say_stored(as_given(taken))
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
        require("contributor")
        say_stored(give_bytes(store(), Path(name), content, how(), Terms(agree=True)))
    except SheetError as e:
        st.error(
            plain_text("Not stored: " + "; ".join(f"{f.column}: {f.message}" for f in e.faults))
        )
    except (StoreError, BadInput) as e:
        st.error(plain_text(str(e)))


top = title("Records")
read_address()
if allowed("contributor"):
    with st.container(border=True):
        st.markdown("### Add a file")
        st.caption(
            "The bench's own workbook, CSV or serial log, a sheet of ours (life, wear, misfires, ignition), a shot log or a "
            "bundle. What was read is shown with every change before anything is stored. In sheets of ours: give shots_failed "
            "where it failed (the same count as shots_good if seen at that shot, else the count of the inspection that found "
            "it); leave it empty while the unit is good."
        )
        add_file()
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
log = deed_log(store())
waiting(contributions, log)
withdraw(contributions, log)

records = pool().life
if records is None or not len(records):
    top.answer("No accepted records yet.")
    first_steps()
    if contributions:
        listed(contributions, log)
    st.stop()
assert records is not None
top.answer(
    f"{counted(records.units, 'unit')} in {counted(len(set(records.module.tolist())), 'module')} of "
    f"{counted(len(set(records.builder.tolist())), 'builder')}; {records.failures:g} of the units failed."
)
listed(contributions, log)
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
