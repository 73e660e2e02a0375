"""Failure modes: what ends the units of one slot."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.shared import (
    answer,
    chart,
    chosen_records,
    filters,
    records_or_stop,
    settings,
    show_notes,
    table,
    title,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.decisions.modes import ModesAnswer, modes
from reliability.notes import CannotAnswer


@st.cache_resource(max_entries=32, show_spinner="Fitting each mode …")
def solve(
    key: tuple[str, str], chosen: dict[str, list[str]], family: str, confidence: float
) -> ModesAnswer | str:
    """Modes answer for a choice of records, or why there is none."""
    records = chosen_records(key, chosen)
    try:
        return modes(records, family, confidence=confidence)
    except CannotAnswer as e:
        return str(e)


top = title("Failure modes")
records, key = records_or_stop()
_, chosen = filters(records)
family, confidence = settings()
a = solve(key, chosen, family, confidence)
if isinstance(a, str):
    st.info(plain_text(a) + " Longer tests or higher stress would show one.")
    st.stop()
answer(a.sentence, top)
assert a.curve is not None
st.markdown("### Share ended by each mode")
chart(
    figures.incidence_figure(a.curve),
    "incidence",
    "Share of units ended by each mode, other modes competing (cumulative incidence).",
)
st.markdown("### Each mode by itself")
table(
    pd.DataFrame(
        [
            {
                "mode": m.mode,
                "failed": m.failed,
                "shape": m.shape,
                f"shots, {a.fraction:.0%} failed": m.shots,
                "lower": m.lower,
                "upper": m.upper,
                "share ended": m.incidence,
                "why not": m.reason,
            }
            for m in a.modes
        ]
    ),
    "mode",
    {
        "shape": st.column_config.NumberColumn(format="%.2f"),
        f"shots, {a.fraction:.0%} failed": st.column_config.NumberColumn(format="%,.0f"),
        "lower": st.column_config.NumberColumn(format="%,.0f"),
        "upper": st.column_config.NumberColumn(format="%,.0f"),
        "share ended": st.column_config.NumberColumn(format="percent"),
    },
)
st.caption(
    f"Lives and bounds as if the mode were the only one ({a.confidence:.0%} one-sided, likelihood)."
)
show_notes(a.notes)
