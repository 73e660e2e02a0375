"""Failure modes: what ends the units of one slot."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, read_address
from dashboard.shared import (
    asked,
    built,
    chart,
    choices,
    pool_or_stop,
    show_command,
    show_notes,
    table,
    title,
)
from reliability import figures
from reliability.ask.answers import Modes, ModesAnswer

top = title("Failure modes")
read_address(Modes)
pool_or_stop(top)
c = Controls(Modes, choices())
left, middle, right = st.columns(3)
c.one(left, "slot", "Slot", "main_capacitor")
c.many(middle, "builder", "Builders")
c.many(right, "part", "Parts")
left, right = st.columns(2)
c.enum(left, "family", "Family")
c.confidence(right)
question = built(c, top, "These modes cannot be asked for.")
a = asked(question, top, "No unit has failed, so there is no mode yet.")
assert isinstance(a, ModesAnswer)
st.markdown("### Share ended by each mode")
chart(
    figures.incidence_figure(a),
    "incidence",
    "Share of units ended by each mode, other modes competing (cumulative incidence).",
)
st.markdown("### Each mode by itself")
name = f"shots, {a.fraction:.0%} failed"
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
    f"Lives and bounds as if the mode were the only one ({a.confidence:.0%} one-sided, {a.bound})."
)
show_notes(a)
show_command(question)
