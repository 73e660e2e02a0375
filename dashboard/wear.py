"""Wear: shots left until a measured quantity meets its limit."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, read_address
from dashboard.head import beside, title
from dashboard.keeping import take_along
from dashboard.shared import (
    CAUTION,
    asked,
    built,
    chart,
    choices,
    pool,
    show_notes,
    store,
    table,
)
from reliability import figures
from reliability.ask.answers import Wear, WearAnswer

top = title("Wear")
read_address(Wear)
if pool().wear is None:
    top.answer("No wear readings yet.")
    st.info(
        "Fuel and igniter hardly ever reach their end in a test; readings on the way tell of it. Add on **Records** a table "
        "wear.csv with builder, module, slot, unit, shots, quantity, value (a life sheet's companion): capacitance_uF, "
        "fuel_mass_mg, spark_V and the like, at two shot counts or more for each unit."
    )
    st.stop()
c = Controls(Wear, choices())
wide, side = beside()
c.one(side, "quantity", "Quantity", "capacitance_uF")
c.number(side, "limit_factor", "Limit, as a share of the start (empty: the usual)", step=0.05)
c.confidence(side)
c.enum(side, "path", "Path")
question = built(c, top, "This wear cannot be asked for.")
a = asked(question, top, "These readings cannot tell.")
assert isinstance(a, WearAnswer)
with wide:
    chart(
        figures.paths_figure(a),
        "paths",
        "Dots: readings. Lines: each unit's path as fitted, dotted where it lies ahead. Where it meets the limit the unit counts as spent.",
    )
st.markdown("### Shots left, soonest first")
chart(
    figures.remaining_figure(a),
    "remaining",
    "Prediction bounds are calibrated by simulation; all units are in the table.",
)
table(pd.DataFrame([{"unit": u.unit, "so far": u.so_far, "left": u.estimate, "at least": u.lower} for u in a.units]), "unit", {k: st.column_config.NumberColumn(format="%,.0f") for k in ("so far", "left", "at least")})  # fmt: skip
n = a.new_unit
st.caption(
    f"New units: 10 % meet the limit by {n.shots:,.0f} shots, half by {n.median:,.0f} "
    f"(a Wiener process says {n.wiener_median:,.0f}). Measurement error {a.error:.3g}."
)
show_notes(a)
take_along(a, question, store())
st.caption(CAUTION)
