"""Derating: which charge voltage lets the capacitor last the mission, and what that costs."""

from __future__ import annotations

import math

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
    pool_or_stop,
    show_notes,
    show_opinion,
    store,
    table,
)
from reliability import figures
from reliability.ask.answers import Derate, DeratingAnswer

FORMS = ["charge_V:power", "temp_C:arrhenius", "part:categorical", "energy_J:power", "peak_A:power"]

top = title("Derating")
read_address(Derate)
pool_or_stop(top)
c = Controls(Derate, choices())
wide, side = beside()
c.number(side, "shots", "Required shots", value=3000, step=500)
c.one(side, "slot", "Slot", "main_capacitor")
c.many(side, "part", "Parts")
c.number(side, "survival", "Survival (share that lasts them)", step=0.01)
c.confidence(side)
c.many(side, "builder", "Builders")
with st.expander("Stress model, bank and impulse"):
    one, two, three = st.columns(3)
    stress = one.multiselect(
        "Stresses (none: those that vary)",
        FORMS,
        key="stress",
        bind="query-params",
        placeholder="those that vary",
    )
    c.words(one, "use", "Other stresses held at, such as temp_C=25")
    c.enum(one, "bound", "Kind of bound")
    c.number(two, "parallel", "Capacitors in parallel (empty: as recorded)", step=1)
    c.number(two, "series", "in series", step=1)
    c.number(two, "capacitance_uf", "Capacitance of one", step=0.1)
    c.number(two, "rated_v", "Rated voltage of one", step=100)
    c.text(three, "impulse", "Impulse bit, such as 0.65@0.2^1.2 (uN s at J)")
    has_bits = pool().wear is not None and "impulse_bit_uNs" in choices().get("quantity", [])
    if has_bits:
        c.flag(three, "impulse_readings", "Fit the impulse bit from the readings instead")
    c.text(three, "dielectric", "Usual practice for (ceramic, film, mica, glass)")
    c.text(three, "prior", "Prior of the exponent, with one voltage only (film, ceramic, mica)")
    c.flag(three, "new_builder", "Allow for a builder who is not in the pool")
    c.flag(three, "second_opinion", "Second opinion without a family")
c.set(stress=tuple(stress))
question = built(c, top, "This derating cannot be asked for.")
a = asked(question, top, "These records cannot say how far to derate.")
assert isinstance(a, DeratingAnswer)
if a.curve:
    with wide:
        chart(
            figures.life_stress_figure(a),
            "life_stress",
            "Where the dashed line meets what is required lies the level allowed. Crosses: failed (a bar where only the inspection "
            "that found it is known); rings: still good.",
        )
traded = any(math.isfinite(p.impulse_Ns) for p in a.curve)
left, right = st.columns(2)
if traded:
    with left:
        st.markdown("### Trade: voltage against total impulse")
        chart(figures.trade_figure(a), "trade", "Impulse a shot times promised shots.")
if a.residuals:
    with right if traded else left:
        st.markdown("### Does the model fit?")
        chart(
            figures.residual_figure(a),
            "residuals",
            "Standardised residuals; under the model they follow the line (failures between inspections at their last good count).",
        )
st.markdown("### Evidence")
table(
    pd.DataFrame(
        [
            {"stress": k.column, "form": k.form, "estimate": k.estimate, "lower": k.lower, "upper": k.upper}
            for k in a.coefficients
        ]
    ),
    "coefficient",
)  # fmt: skip
st.caption(
    f"{a.failed:g} of {a.n:g} units failed; Weibull shape {a.shape:.2f}. "
    "Power: n in life ~ V^-n. Arrhenius: activation energy in eV. Categorical: ln life against the most frequent level."
)
show_opinion(a)
show_notes(a)
take_along(a, question, store())
st.caption(CAUTION)
