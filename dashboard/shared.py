"""What the pages share: the store, cached answers, filters, the way an answer is shown."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from reliability import figures
from reliability.notes import Note
from reliability.readings import WearReadings
from reliability.records import LifeRecords
from reliability.sheets.filters import choose
from reliability.sheets.wear import join_wear, read_wear
from reliability.store import Store, default_path

CAUTION = (
    "High voltage stays in capacitors after power-off. Discharge and short every bank before touching "
    "it, keep one hand away, use current-limited supplies, ventilate. Local codes, the launch provider "
    "and licensed practice come first. Estimates here are from test data; they are no qualification."
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
    found = [
        read_wear(Path(n), c)
        for _, n, c in Store(Path(key[0])).bundle_files()
        if n.startswith("wear.")
    ]
    return join_wear(found) if found else None


def records_or_stop() -> tuple[LifeRecords, tuple[str, str]]:
    """The records, or a screen that says what to do first."""
    key = state()
    records = all_records(*key) if key[1] else None
    if records is None or not len(records):
        st.info(
            "No accepted records yet. Go to **Records** and add a life sheet: a table with one row a "
            "unit and the columns builder, module, slot, shots_good (and shots_failed where it "
            "failed). Or load the invented demo community there.",
            icon=":material/start:",
        )
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
        chosen["slot"] = [columns[0].selectbox("Slot", slots, index=start, key="filter_slot")]
    chosen["builder"] = columns[-2].multiselect(
        "Builders", options(records.builder.tolist()), key="filter_builder", placeholder="all"
    )
    chosen["part"] = columns[-1].multiselect(
        "Parts", options(records.part.tolist()), key="filter_part", placeholder="all"
    )
    return choose(records, **{k: tuple(v) for k, v in chosen.items()}), chosen


def settings() -> tuple[str, float]:
    """Family and confidence, side by side."""
    left, right = st.columns(2)
    name = left.selectbox(
        "Family", ["weibull", "lognormal", "loglogistic", "exponential"], key="family"
    )
    confidence = right.select_slider(
        "Confidence (one-sided)", [0.8, 0.9, 0.95, 0.99], value=0.95, key="confidence"
    )
    return str(name), float(confidence)


def title(text: str) -> DeltaGenerator:
    """Page title, and below it the place for the answer, so that it comes first."""
    st.title(text)
    return st.container()


def answer(sentence: str, place: DeltaGenerator | None = None) -> None:
    """The answer, first and large."""
    (place or st).markdown(f"#### {sentence}")


def show_notes(notes: Sequence[Note]) -> None:
    """Notes below the evidence."""
    if not notes:
        return
    st.markdown("**Notes**")
    for n in notes:
        st.markdown(f"- {n.text}")


def chart(figure: Any, key: str, caption: str) -> None:
    """A chart with its description and downloads."""
    st.altair_chart(figure, width="stretch", key=key)
    st.caption(caption)
    with st.popover("Save chart", icon=":material/download:", key=f"save_{key}"):
        st.download_button(
            "SVG", lambda: figures.to_svg(figure), f"{key}.svg", "image/svg+xml", key=f"svg_{key}"
        )
        st.download_button(
            "PNG", lambda: figures.to_png(figure), f"{key}.png", "image/png", key=f"png_{key}"
        )
