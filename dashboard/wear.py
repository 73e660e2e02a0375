"""Wear: shots left until a measured quantity meets its limit."""

from __future__ import annotations

import pandas as pd
import streamlit as st
from reliability.decisions.wear import WearAnswer, wear

from dashboard.shared import (
    CAUTION,
    answer,
    chart,
    options,
    show_notes,
    state,
    table,
    title,
    wear_readings,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.notes import BadInput, CannotAnswer


@st.cache_resource(max_entries=32, show_spinner="Fitting paths and calibrating the bounds …")
def solve(
    key: tuple[str, str],
    quantity: str,
    factor: float | None,
    power: float | None,
    confidence: float,
) -> WearAnswer | str:
    """Wear answer, or why there is none."""
    data = wear_readings(key)
    assert data is not None
    try:
        return wear(
            data,
            quantity,
            limit=factor,
            relative=factor is not None,
            power=power,
            confidence=confidence,
        )
    except (CannotAnswer, BadInput) as e:
        return str(e)


top = title("Wear")
key = state()
data = wear_readings(key) if key[1] else None
if data is None:
    answer("No wear readings yet.", top)
    st.info(
        "Fuel and igniter hardly ever reach their end in a test; readings on the way tell of it. Add on **Records** a table "
        "wear.csv with builder, module, slot, unit, shots, quantity, value (a life sheet's companion): capacitance_uF, "
        "fuel_mass_mg, spark_V and the like, at two shot counts or more for each unit."
    )
    st.stop()
assert data is not None
a, b, c, d = st.columns(4)
quantity = str(
    a.selectbox("Quantity", options(data.quantity.tolist()), key="quantity", bind="query-params")
)
own = b.number_input(
    "Limit as a factor of the start (0 = default)",
    0.0,
    100.0,
    0.0,
    0.05,
    key="factor",
    bind="query-params",
)
shape = c.selectbox("Path", ["straight", "power, fitted"], key="path", bind="query-params")
confidence = d.select_slider(
    "Confidence", [0.8, 0.9, 0.95, 0.99], value=0.95, key="confidence", bind="query-params"
)
result = solve(key, quantity, own or None, 1.0 if shape == "straight" else None, float(confidence))
if isinstance(result, str):
    answer("These readings cannot tell.", top)
    st.warning(plain_text(result))
    st.stop()
answer(result.sentence, top)
left, right = st.columns(2)
with left:
    st.markdown("### Paths")
    chart(
        figures.paths_figure(result),
        "paths",
        f"Readings, each unit's fitted path (dotted ahead), and the limit: {result.limit.name} (dashed, for a mean unit).",
    )
with right:
    st.markdown("### Shots left")
    chart(
        figures.remaining_figure(result),
        "remaining",
        f"Estimate (dot) and lower prediction bound at {confidence:.0%} (tick), calibrated by simulation; 25 soonest.",
    )
table(pd.DataFrame([{"unit": u.unit, "so far": u.so_far, "left": u.estimate, "at least": u.lower} for u in result.units]), "unit", {k: st.column_config.NumberColumn(format="%,.0f") for k in ("so far", "left", "at least")})  # fmt: skip
st.caption(
    f"New units: 10 % meet the limit by {result.new_unit['shots']:,.0f} shots, half by {result.new_unit['median']:,.0f} "
    f"(a Wiener process says {result.wiener['median']:,.0f}). Measurement error {result.error:.3g}."
)
show_notes(result.notes)
st.caption(CAUTION)
