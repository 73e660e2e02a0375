"""What the pages share: the store, cached answers, filters, the way an answer is shown."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st
from reliability.sheets.filters import choose
from streamlit.delta_generator import DeltaGenerator

from dashboard.sign_in import allowed
from dashboard.words import plain_text
from reliability import figures
from reliability.notes import Note
from reliability.readings import WearReadings
from reliability.records import LifeRecords
from reliability.sheets.write import frame_csv
from reliability.store import Store, default_path
from reliability.store.demo import load_demo
from reliability.store.intake import kept_side

CAUTION = (
    "High voltage stays in capacitors after power-off. Discharge and short every bank before touching "
    "it, keep one hand away, use current-limited supplies, ventilate. Local codes, the launch provider "
    "and licensed practice come first. Estimates here are from test data; they are no qualification."
)


TEMPLATE = (
    "builder,module,slot,unit,shots_good,shots_failed,mode,charge_V,note\n"
    "me,m1,main_capacitor,c1,4120,4120,short,1400,example: failed at shot 4120 (write over)\n"
    "me,m1,igniter,i1,6000,,,,example: still good at 6000 (write over)\n"
)


def store() -> Store:
    """The store that this dashboard looks at."""
    return Store(default_path())


def state() -> tuple[str, str]:
    """Path and data version: what every cached answer is keyed on."""
    box = store()
    return str(box.path), box.state() if box.exists else ""


@st.cache_resource(max_entries=4, show_spinner=False)
def all_records(path: str, version: str, received: bool = False) -> LifeRecords:
    """Accepted records; shared by all users, never to be changed."""
    return Store(Path(path)).records(("accepted", "received") if received else ("accepted",))


def chosen_records(key: tuple[str, str], chosen: dict[str, list[str]]) -> LifeRecords:
    """Accepted records under a page's filters (as ``filters`` returns them)."""
    return choose(all_records(*key), **{k: tuple(v) for k, v in chosen.items()})


@st.cache_resource(max_entries=4, show_spinner=False)
def wear_readings(key: tuple[str, str]) -> WearReadings | None:
    """All accepted wear readings; None if there are none."""
    readings: WearReadings | None = kept_side(Store(Path(key[0])), "wear")
    return readings


def first_steps() -> None:
    """What to do on an empty store."""
    st.markdown(
        "A **life sheet** is a table with one row a unit: builder, module, slot, shots_good, and shots_failed where it "
        "failed. Three ways to begin:"
    )
    a, b, c = st.columns(3)
    with a.container(border=True):
        st.markdown("### Look around")
        st.caption("An invented community of five builders; nothing in it is real.")
        if allowed("maintainer") and st.button("Load the invented demo", key="demo"):
            with st.spinner("Loading the invented demo …"):
                load_demo(store())
            st.rerun()
    with b.container(border=True):
        st.markdown("### Start with a template")
        st.caption("A sheet with the right columns and two example rows to write over.")
        st.download_button("Empty life sheet", TEMPLATE, "life.csv", "text/csv", key="template")
    with c.container(border=True):
        st.markdown("### Add my data")
        st.caption("CSV, Parquet, XLSX or a bundle; one record by hand; or a shot log.")
        st.page_link("records.py", label="Go to Records", icon=":material/table_rows:")


def table(frame: pd.DataFrame, key: str, columns: dict[str, Any] | None = None) -> None:
    """A table with its download, safe to open in a spreadsheet."""
    st.dataframe(
        frame,
        hide_index=True,
        width="stretch",
        key=f"{key}_table",
        column_config=columns,
        placeholder="–",
    )
    st.download_button(
        "CSV", lambda: frame_csv(frame), f"{key}.csv", "text/csv", key=f"{key}_csv",
        icon=":material/download:", type="tertiary", help=f"Download this table ({len(frame):,} rows)",
    )  # fmt: skip


def records_or_stop() -> tuple[LifeRecords, tuple[str, str]]:
    """The records, or a screen that says what to do first."""
    key = state()
    records = all_records(*key) if key[1] else None
    if records is None or not len(records):
        answer("No accepted records yet.")
        first_steps()
        st.stop()
    assert records is not None
    return records, key


def options(values: Sequence[str]) -> list[str]:
    """Sorted distinct labels."""
    return sorted({str(v) for v in values} - {""})


def filters(
    records: LifeRecords, *, slot: str | None = "main_capacitor"
) -> tuple[LifeRecords, dict[str, Any]]:
    """Filter row at the top of a page; returns the records left and the choices (for caching)."""
    columns = st.columns(3 if slot is not None else 2)
    chosen: dict[str, Any] = {}
    if slot is not None:
        slots = options(records.slot.tolist())
        start = slots.index(slot) if slot in slots else 0
        chosen["slot"] = [
            columns[0].selectbox("Slot", slots, index=start, key="filter_slot", bind="query-params")
        ]
    chosen["builder"] = columns[-2].multiselect(
        "Builders",
        options(records.builder.tolist()),
        key="filter_builder",
        bind="query-params",
        placeholder="all",
    )
    chosen["part"] = columns[-1].multiselect(
        "Parts",
        options(records.part.tolist()),
        key="filter_part",
        bind="query-params",
        placeholder="all",
    )
    return choose(records, **{k: tuple(v) for k, v in chosen.items()}), chosen


def settings() -> tuple[str, float]:
    """Family and confidence, side by side."""
    left, right = st.columns(2)
    name = left.selectbox(
        "Family",
        ["weibull", "lognormal", "loglogistic", "exponential"],
        key="family",
        bind="query-params",
    )
    confidence = right.select_slider(
        "Confidence (one-sided)",
        [0.8, 0.9, 0.95, 0.99],
        value=0.95,
        key="confidence",
        bind="query-params",
    )
    return str(name), float(confidence)


def title(text: str) -> DeltaGenerator:
    """Page title, and below it the place for the answer, so that it comes first."""
    st.title(text)
    return st.container()


def answer(sentence: str, place: DeltaGenerator | None = None) -> None:
    """The answer, first and large."""
    (place or st).markdown(f"## {plain_text(sentence)}")


def show_notes(notes: Sequence[Note]) -> None:
    """Notes below the evidence."""
    if not notes:
        return
    st.markdown("### Notes")
    for n in notes:
        st.markdown(f"- {plain_text(n.text)}")


def chart(figure: Any, key: str, caption: str) -> None:
    """A chart with its description and downloads."""
    st.altair_chart(figure, width="stretch", key=key)
    st.caption(plain_text(caption))
    with st.popover("Save chart", icon=":material/download:", key=f"save_{key}"):
        st.download_button(
            "SVG", lambda: figures.to_svg(figure), f"{key}.svg", "image/svg+xml", key=f"svg_{key}"
        )
        st.download_button(
            "PNG", lambda: figures.to_png(figure), f"{key}.png", "image/png", key=f"png_{key}"
        )
