"""Wear: shots left until a measured quantity meets its limit."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, read_address
from dashboard.shared import (
    CAUTION,
    answer,
    asked,
    built,
    chart,
    choices,
    pool,
    show_command,
    show_notes,
    table,
    title,
)
from reliability import figures
from reliability.ask.answers import Wear, WearAnswer

top = title("Wear")
read_address(Wear)
if pool().wear is None:
    answer("No wear readings yet.", top)
    st.info(
        "Fuel and igniter hardly ever reach their end in a test; readings on the way tell of it. Add on **Records** a table "
        "wear.csv with builder, module, slot, unit, shots, quantity, value (a life sheet's companion): capacitance_uF, "
        "fuel_mass_mg, spark_V and the like, at two shot counts or more for each unit."
    )
    st.stop()
c = Controls(Wear, choices())
one, two, three, four = st.columns(4)
c.one(one, "quantity", "Quantity", "capacitance_uF")
c.number(two, "limit_factor", "Limit as a factor of the start (empty: the usual)", step=0.05)
c.enum(three, "path", "Path")
c.confidence(four)
question = built(c, top, "This wear cannot be asked for.")
a = asked(question, top, "These readings cannot tell.")
assert isinstance(a, WearAnswer)
left, right = st.columns(2)
with left:
    st.markdown("### Paths")
    chart(
        figures.paths_figure(a),
        "paths",
        f"Readings, each unit's fitted path (dotted ahead), and the limit: {a.limit.name}.",
    )
with right:
    st.markdown("### Shots left")
    chart(
        figures.remaining_figure(a),
        "remaining",
        f"Estimate (dot) and lower prediction bound at {a.confidence:.0%} (tick), calibrated by simulation; 25 soonest.",
    )
table(pd.DataFrame([{"unit": u.unit, "so far": u.so_far, "left": u.estimate, "at least": u.lower} for u in a.units]), "unit", {k: st.column_config.NumberColumn(format="%,.0f") for k in ("so far", "left", "at least")})  # fmt: skip
n = a.new_unit
st.caption(
    f"New units: 10 % meet the limit by {n.shots:,.0f} shots, half by {n.median:,.0f} "
    f"(a Wiener process says {n.wiener_median:,.0f}). Measurement error {a.error:.3g}."
)
show_notes(a)
show_command(question)
st.caption(CAUTION)
