"""History: modules as lanes over shots; a unit clicked or chosen, with its record and its place."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, read_address
from dashboard.head import beside, title
from dashboard.keeping import take_along
from dashboard.shared import (
    asked,
    built,
    chart,
    choices,
    pool_or_stop,
    show_notes,
    store,
    table,
)
from reliability import figures
from reliability.ask.answers import History, HistoryAnswer

HOW = (
    "Each row is one slot of a module, its units one after the other; colour and label are the charge voltage. "
    "Blue dots below a lane are readings, upright ticks above it misfires; a dashed line leads from the last good look to "
    "the one that found it failed. Click a unit for its record."
)


def take_click() -> None:
    """A click on the picture chooses the unit, as the control does."""
    state: Any = st.session_state.get("lanes")
    picked = [p.get("label", "") for p in (state or {}).get("selection", {}).get("unit", [])]
    if picked and picked[0]:
        st.session_state["unit"] = picked[0]


top = title("History")
read_address(History)
pool_or_stop(top)
c = Controls(History, choices())
take_click()
wide, side = beside()
c.many(side, "builder", "Builders")
c.many(side, "module", "Modules (none: the first six)")
one = c.values["module"][0] if len(c.values["module"]) == 1 else ""
c.one_or_none(side, "unit", "Unit", within=f"/{one}/" if one else "")
if c.values.get("unit"):
    c.confidence(side)
question = built(c, top, "This history cannot be shown.")
a = asked(question, top, "There is no history to show.")
assert isinstance(a, HistoryAnswer)
if a.stretches:
    with wide:
        chart(figures.history_figure(a, a.unit.label if a.unit else ""), "lanes", HOW, clicks=True)
if a.unit is not None:
    place = figures.place_figure(a)
    left, right = st.columns([2, 3]) if place is not None else (st.container(), st.container())
    if place is not None:
        with left:
            st.markdown("### Its place")
            chart(
                place,
                "unit_place",
                "Share of such units still good, counted without a model; dashed: its lower limit.",
            )
    with right:
        st.markdown("### Its record")
        table(pd.DataFrame([
            {
                "module": s.module, "from": s.shots_from, "good at": s.shots_good, "failed by": s.shots_failed, "voltage (V)": s.charge_V,
                "ends": s.ends, "mode or event": s.mode or s.event, "lot": s.lot, "date": s.date,
            }
            for s in a.unit.stretches
        ]), "unit_record")  # fmt: skip
        if a.unit.readings:
            table(pd.DataFrame([{"shots": r.shots, "quantity": r.quantity.replace("_", " "), "value": r.value} for r in a.unit.readings]), "unit_readings")  # fmt: skip
if a.modules:
    st.markdown("### Modules")
    table(pd.DataFrame([
        {"builder": m.builder, "module": m.module, "shots": m.shots, "units": m.units, "failed": m.failed, "suspects": m.suspected, "swapped": m.swaps}
        for m in a.modules
    ]), "modules", {"shots": st.column_config.NumberColumn(format="%,.0f")})  # fmt: skip
show_notes(a)
take_along(a, question, store())
