"""Life curves: survival and probability plot of the units in one slot."""

from __future__ import annotations

import math

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, read_address
from dashboard.head import beside, title
from dashboard.helps import finds, helps
from dashboard.keeping import take_along
from dashboard.operating import point_of_slot
from dashboard.shared import (
    BURNED_IN,
    asked,
    built,
    chart,
    choices,
    pool_or_stop,
    show_notes,
    store,
    table,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.ask.answers import Life, LifeAnswer
from reliability.words import of_so_many, percent_text, so_many_shots


def counted(a: LifeAnswer) -> str:
    """The bound as so many of so many."""
    if not a.quantiles:
        return ""
    q = a.quantiles[0]
    if not math.isfinite(q.lower):
        return ""
    ends = of_so_many(q.fraction, "such units")
    text = f"Before {so_many_shots(q.lower)} {ends} at most ({percent_text(a.confidence)} sure)."
    return plain_text(text)


top = title("Life curves")
read_address(Life)
pool_or_stop(top)
c = Controls(Life, choices())
wide, side = beside()
c.one(side, "slot", "Slot", "main_capacitor")
point = point_of_slot(c, side, "At charge voltage (V)")
c.confidence(side)
c.many(side, "builder", "Builders")
c.enum(side, "family", "Family")
known = ["", *choices().get("mode", [])]
c.settle("mode", "one", "")
mode = side.selectbox(
    "Failure mode",
    known,
    key="mode",
    bind="query-params",
    format_func=lambda m: m or "all failures",
)
c.set(mode=mode or "")
more = side.expander("Temperature, burn-in, records of some parts")
point.text(more, "Operating point, such as charge_V=1400")
c.many(more, "part", "Only records of these parts")
c.flag(more, "no_early_failures", BURNED_IN)
question = built(c, top, "This life cannot be asked for.")
a = asked(question, top, "These records do not tell a life.")
assert isinstance(a, LifeAnswer)
if a.seen:
    with wide:
        st.markdown(counted(a))
        if a.as_siblings is not None:
            st.markdown(plain_text(a.as_siblings.text))
        chart(
            figures.survival_figure(a),
            "survival",
            "Grey steps: counted, without any model. At the foot every unit: failed (a bar where only the inspection that found it "
            "is known), or still good.",
        )
right = st.container()
if a.curve.shots or a.empirical:
    st.markdown("### Does the family fit?")
    left, right = st.columns(2)
    with left:
        chart(
            figures.probability_figure(a),
            "probability",
            f"Share failed on the {a.family} scale: if the family fits, the points follow the line.",
        )
if a.families:
    right.markdown("**Families compared**")
    with right:
        table(pd.DataFrame([
            {
                "family": s.family, "log-likelihood": s.loglik, "AICc": s.aicc if math.isfinite(s.aicc) else None,
                "weight": s.weight, "why not": s.reason,
            }
            for s in a.families
        ]), "family", {"weight": st.column_config.NumberColumn(format="percent")})  # fmt: skip
if math.isfinite(a.fit_p):
    st.caption(f"Goodness of fit of the {a.family}: Monte-Carlo p = {a.fit_p:.3f}.")
helps(a.more, {"bound": "promise"})
finds(a.found)
show_notes(a)
take_along(a, question, store())
