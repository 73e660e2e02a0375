"""Next test: which plan proves or teaches most for its time and cost."""

from __future__ import annotations

import math

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, one_of, read_address, unreadable
from dashboard.shared import (
    CAUTION,
    asked,
    built,
    chart,
    choices,
    pool,
    pool_or_stop,
    show_command,
    show_notes,
    table,
    title,
)
from reliability import figures
from reliability.ask.answers import Accelerate, Demonstrate, DemonstrationAnswer, LearningAnswer
from reliability.ask.records import plan_csv

SHOW, LEARN = "Show a life", "Learn the life at a low voltage"

top = title("Next test")
read_address(Demonstrate, Accelerate, also=("kind",))
pool_or_stop(top)
said = one_of("kind", ["demonstrate", "accelerate"])
learning = said == "accelerate" or (said is None and "accelerate_to" in st.query_params)
if said is None and learning and "demonstrate_shots" in st.query_params:
    unreadable("demonstrate_shots and accelerate_to are two plans: give one of them")
kind = st.radio("What for", [SHOW, LEARN], index=int(learning), horizontal=True)
c = Controls(Accelerate if kind == LEARN else Demonstrate, choices())
left, middle, right = st.columns(3)
c.one(left, "slot", "Slot", "main_capacitor")
c.many(middle, "builder", "Builders")
c.many(right, "part", "Parts")
left, middle, right = st.columns(3)
c.number(left, "survival", "Survival", step=0.01)
c.confidence(middle)
c.number(right, "stands", "Units that run at once", step=1)
with st.expander("Bench and cost"):
    one, two, three = st.columns(3)
    c.number(one, "rate_hz", "Shots a second", step=0.1)
    c.number(two, "unit_cost", "Price of a unit", step=10)
    c.number(three, "day_cost", "Price of a bench day", step=10)
one, two, three, four = st.columns(4)
if kind == SHOW:
    c.number(one, "demonstrate_shots", "Shots to show", value=1000, step=100)
    c.number(two, "units", "Units at hand (empty: no limit)", step=1)
    c.number(three, "days", "Bench days at most (empty: no limit)", step=1)
    c.number(four, "budget", "Money at most (empty: no limit)", step=50)
    one, two, three = st.columns(3)
    c.words(
        one, "use", "Shown at, such as charge_V=1200", "The operating point; empty: the commonest in the records."
    )  # fmt: skip
    c.number(two, "failures", "Failures allowed (empty: found)", step=1)
    c.number(three, "shape", "Weibull shape (empty: from the records)", step=0.1)
else:
    volts = pool().records.covariates.get("charge_V")
    tested = sorted({float(v) for v in volts if v == v}) if volts is not None else []
    if not tested:
        st.info("Test a few units at two voltages first, then plan the rest from that.")
        st.stop()
    c.number(
        one, "accelerate_to", "Voltage the bound is for", value=round(tested[0] * 0.92), step=10
    )
    c.number(two, "units", "Units", step=1)
    c.number(three, "days_each", "Bench days each", step=0.05)
question = built(c, top, "There is no such test.")
a = asked(question, top, "No such test can be planned from these records.")
if isinstance(a, DemonstrationAnswer):
    if math.isfinite(a.promise_now):
        st.markdown(
            f"The {a.slot.replace('_', ' ')} alone is promised **{a.promise_now:,.0f} shots** now, and "
            f"**{a.promise_if_passed:,.0f}** if no unit of the plan fails."
        )
    st.markdown("### Plans that show the same life")
    chart(
        figures.demonstration_figure(a),
        "demonstration",
        "Each mark shows the same life; the bar runs from pessimistic to optimistic life. Point at a mark for its units.",
    )
    table(pd.DataFrame([
        {
            "units": p.units, "shots each": p.shots_each, "volts": p.volts, "may fail": p.failures_allowed, "bench days": p.bench_days,
            "cost": p.cost, "chance to pass": p.pass_estimated,
        }
        for p in a.plans
    ]), "plans", {
        "shots each": st.column_config.NumberColumn(format="%,.0f"),
        "bench days": st.column_config.NumberColumn(format="%.2f"),
        "chance to pass": st.column_config.NumberColumn(format="percent"),
    })  # fmt: skip
    st.markdown("### If the shape is another one")
    table(pd.DataFrame([{"shape": s.shape, "units": s.units, "shots each": s.shots_each} for s in a.sensitivity]), "sensitivity", {"shots each": st.column_config.NumberColumn(format="%,.0f")})  # fmt: skip
else:
    assert isinstance(a, LearningAnswer)
    st.markdown("### Plans compared")
    chart(
        figures.learning_figure(a),
        "learning",
        "All plans cost the same; lower is better. Point at a mark for levels and units.",
    )
    for w in a.sensitivity:
        st.caption(f"Best plan with the {w.what}: factor {w.factor:.2f}.")
st.download_button("Download the plan as an empty life sheet", lambda: plan_csv(a, question), "plan.csv", "text/csv", key="plan_sheet")  # fmt: skip
show_notes(a)
show_command(question)
st.caption(CAUTION)
