"""Failure modes: what ends the units of one slot."""

from __future__ import annotations

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
from reliability.ask.answers import Modes, ModesAnswer
from reliability.words import percent_text

top = title("Failure modes")
read_address(Modes)
pool_or_stop(top)
c = Controls(Modes, choices())
wide, side = beside()
c.one(side, "slot", "Slot", "main_capacitor")
c.many(side, "part", "Parts")
c.many(side, "builder", "Builders")
c.confidence(side)
c.enum(side, "family", "Family")
question = built(c, top, "These modes cannot be asked for.")
a = asked(question, top, "No unit has failed, so there is no mode yet.")
assert isinstance(a, ModesAnswer)
with wide:
    chart(
        figures.incidence_figure(a),
        "incidence",
        "Share of units ended by each mode while all modes are at work (cumulative incidence); counted, without a model.",
    )
st.markdown("### Each mode by itself")
name = f"shots, {percent_text(a.fraction)} failed"
table(
    pd.DataFrame(
        [
            {
                "mode": m.mode, "failed": m.failed, "shape": m.shape, name: m.shots, "lower": m.lower, "upper": m.upper,
                "share ended": m.incidence, "why not": m.reason,
            }
            for m in a.modes
        ]
    ),
    "mode",
    {
        "shape": st.column_config.NumberColumn(format="%.2f"),
        **{k: st.column_config.NumberColumn(format="%,.0f") for k in (name, "lower", "upper")},
        "share ended": st.column_config.NumberColumn(format="percent"),
    },
)  # fmt: skip
st.caption(
    f"Lives and bounds as if the mode were the only one ({percent_text(a.confidence)} one-sided, {a.bound})."
)
st.page_link("life_curves.py", label="One mode at one voltage, by the slot's model: Life curves")
show_notes(a)
take_along(a, question, store())
