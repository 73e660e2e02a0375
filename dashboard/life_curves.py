"""Life curves: survival and probability plot of the units in one slot."""

from __future__ import annotations

import math

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
from reliability.ask.answers import Life, LifeAnswer

top = title("Life curves")
read_address(Life)
pool_or_stop(top)
c = Controls(Life, choices())
left, middle, right = st.columns(3)
c.one(left, "slot", "Slot", "main_capacitor")
c.many(middle, "builder", "Builders")
c.many(right, "part", "Parts")
left, middle, right = st.columns(3)
c.enum(left, "family", "Family")
c.confidence(middle)
known = ["", *choices().get("mode", [])]
mode = right.selectbox(
    "Failure mode",
    known,
    key="mode",
    bind="query-params",
    format_func=lambda m: m or "all failures",
)
c.set(mode=mode or "")
question = built(c, top, "This life cannot be asked for.")
a = asked(question, top, "These records do not tell a life.")
assert isinstance(a, LifeAnswer)
if a.curve.shots or a.empirical:
    left, right = st.columns(2)
    with left:
        st.markdown("### Share still good")
        chart(
            figures.survival_figure(a),
            "survival",
            "Fit (solid) with one-sided bounds, the lower dashed; without a family (grey steps); at the foot failures "
            "(dots, or bars between inspections) and units still good (ticks).",
        )
    with right:
        st.markdown("### Probability plot")
        chart(
            figures.probability_figure(a),
            "probability",
            f"Share failed on the {a.family} scale: if the family fits, the points follow the line.",
        )
st.markdown("### Families compared")
table(
    pd.DataFrame(
        [
            {
                "family": s.family, "log-likelihood": s.loglik, "AICc": s.aicc if math.isfinite(s.aicc) else None,
                "weight": s.weight, "why not": s.reason,
            }
            for s in a.families
        ]
    ),
    "family",
    {"weight": st.column_config.NumberColumn(format="percent")},
)  # fmt: skip
if math.isfinite(a.fit_p):
    st.caption(f"Goodness of fit of the {a.family}: Monte-Carlo p = {a.fit_p:.3f}.")
show_notes(a)
show_command(question)
