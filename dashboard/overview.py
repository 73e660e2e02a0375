"""Module life: how long a module lives and what ends it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import streamlit as st

from dashboard.shared import (
    CAUTION,
    answer,
    chart,
    chosen_records,
    filters,
    records_or_stop,
    show_notes,
    table,
    title,
)
from reliability import figures
from reliability.decisions.module import ModuleAnswer, module, module_curve


@st.cache_resource(max_entries=32, show_spinner="Working out the module's bounds …")
def solve(
    key: tuple[str, str], chosen: dict[str, list[str]], confidence: float
) -> tuple[ModuleAnswer, pd.DataFrame]:
    """Module answer and its curve for a choice of records."""
    records = chosen_records(key, chosen)
    a = module(records, confidence=confidence)
    top = a.median * 2.0 if np.isfinite(a.median) else float(records.shots_good.max())
    shots = np.geomspace(top / 60, top, 30)
    curve = module_curve(a, shots)
    frame = pd.DataFrame(
        [
            {"shots": 0.0, "estimate": 1.0, "lower": 1.0, "upper": 1.0},
            *(
                {"shots": b.shots, "estimate": b.estimate, "lower": b.lower, "upper": b.upper}
                for b in curve
            ),
        ]
    )
    return a, frame


top = title("Module life")
records, key = records_or_stop()
kept, chosen = filters(records, slot=None)
confidence = st.select_slider(
    "Confidence (one-sided)",
    [0.8, 0.9, 0.95, 0.99],
    value=0.95,
    key="confidence",
    bind="query-params",
)
a, curve = solve(key, chosen, float(confidence))
answer(a.sentence, top)
left, right = st.columns([3, 2])
with left:
    st.markdown("### How many modules are still good")
    chart(
        figures.module_figure(curve.shots, curve.estimate, curve.lower, curve.upper),
        "module_survival",
        f"Estimate (solid), one-sided bounds at {confidence:.0%} (band; the dashed lower edge is what a promise may rest on).",
    )
with right:
    st.markdown("### What ends them")
    chart(
        figures.ends_figure([s.slot for s in a.slots], [s.ends_module for s in a.slots]),
        "module_ends",
        "Chance that the slot is the first to fail.",
    )
st.markdown("### Evidence")
table(
    pd.DataFrame(
        [
            {
                "slot": s.slot.replace("_", " "),
                "units seen": s.n,
                "failed": s.failed,
                "shape": s.shape if s.assumed_shape is None else s.assumed_shape,
                "shape is": "fitted" if s.assumed_shape is None else "assumed",
                "median shots": s.median,
                "ends module": s.ends_module,
            }
            for s in a.slots
        ]
    ),
    "slot",
    {
        "shape": st.column_config.NumberColumn(format="%.2f"),
        "median shots": st.column_config.NumberColumn(format="%,.0f"),
        "ends module": st.column_config.NumberColumn(format="percent"),
    },
)
show_notes(a.notes)
st.caption(CAUTION)
