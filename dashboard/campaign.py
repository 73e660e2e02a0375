"""Next test: which plan proves or teaches most for its time and cost."""

from __future__ import annotations

import math

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard.controls import Controls, kind_of_question, one_of, read_address, unreadable
from dashboard.head import beside, title
from dashboard.helps import DAYS, SHOTS, helps
from dashboard.keeping import take_along
from dashboard.operating import point_of_slot
from dashboard.shared import (
    CAUTION,
    asked,
    built,
    chart,
    choices,
    folded,
    pool,
    pool_or_stop,
    show_notes,
    store,
    table,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.ask.answers import (
    Accelerate,
    Demonstrate,
    DemonstrationAnswer,
    LearningAnswer,
    NextTest,
    NextTestAnswer,
    Question,
)
from reliability.ask.records import plan_csv

KINDS: dict[str, tuple[type[Question], str]] = {
    "next_test": (NextTest, "What is worth testing next"),
    "demonstrate": (Demonstrate, "Show a life"),
    "accelerate": (Accelerate, "Learn the life at a low voltage"),
}

NAMES = st.column_config.TextColumn(width=105)


def worth(a: NextTestAnswer, wide: DeltaGenerator) -> None:
    """Tests that lengthen the promise: the picture, and the table, the recommended one first."""
    with wide:
        chart(
            figures.next_test_figure(a), "next_test",
            "What a new module is promised once nothing has failed in the test; the line is the promise now.",
        )  # fmt: skip
    priced = {"cost": "cost"} if any(t.cost for t in a.tests) else {}
    helps(a.tests, {**priced, "then promised": "promise"})


def shown(a: DemonstrationAnswer, wide: DeltaGenerator) -> None:
    """Plans that show the same life: the picture, and beside it the table, the recommended one first."""
    with wide:
        if math.isfinite(a.promise_if_passed):
            st.markdown(
                f"The {plain_text(a.slot.replace('_', ' '))} alone is promised **{a.promise_now:,.0f} shots** now, and "
                f"**{a.promise_if_passed:,.0f}** if no unit of the plan fails."
            )
        drawn, ranked = st.columns([1, 1])
        with drawn:
            chart(
                figures.demonstration_figure(a), "demonstration",
                "Each mark shows the same life; bars run from pessimistic to optimistic life.",
            )  # fmt: skip
        with ranked:
            plans = [a.best, *(p for p in a.plans if p != a.best)]
            first = "recommended" if a.recommended else "likeliest"
            table(pd.DataFrame([
                {
                    "plan": first if i == 0 else str(i + 1), "units": p.units, "shots each": p.shots_each, "days": p.bench_days,
                    "passes": p.pass_estimated, "then promised": p.then.promise, "up to V": p.then.highest_V, "volts": p.volts,
                    "may fail": p.failures_allowed, "cost": p.cost,
                }
                for i, p in enumerate(plans)
            ]), "plans", {"plan": NAMES, "shots each": SHOTS, "then promised": SHOTS, "up to V": SHOTS, "days": DAYS, "passes": st.column_config.NumberColumn(format="percent")})  # fmt: skip
    with folded("If the shape is another one"):
        table(pd.DataFrame([{"shape": s.shape, "units": s.units, "shots each": s.shots_each} for s in a.sensitivity]), "sensitivity", {"shots each": SHOTS})  # fmt: skip


def learned(a: LearningAnswer, wide: DeltaGenerator) -> None:
    """Plans that estimate: the picture, and the table, the recommended one first."""
    with wide:
        drawn, ranked = st.columns([1, 1])
        with drawn:
            chart(
                figures.learning_figure(a), "learning",
                "All plans cost the same; lower is better. Point at a mark for levels and units.",
            )  # fmt: skip
        with ranked:
            plans = [a.best, *(p for p in a.plans if p != a.best)]
            table(pd.DataFrame([
                {
                    "plan": "recommended" if i == 0 else str(i + 1), "levels": "/".join(f"{v:g}" for v in p.levels),
                    "units": "/".join(map(str, p.units)), "estimate / bound": p.factor, "one in ten": p.factor_wide, "days": p.bench_days, "cost": p.cost, "failures": p.failures,
                }
                for i, p in enumerate(plans)
            ]), "learning_plans", {"plan": NAMES, "days": DAYS, "estimate / bound": DAYS, "one in ten": DAYS, "failures": DAYS})  # fmt: skip


def units_anew() -> None:
    """Units at hand are a limit in one plan, and what sets the cost in another, with a default of its own."""
    st.session_state.pop("units", None)


top = title("Next test")
read_address(*(cls for cls, _ in KINDS.values()), also=("kind",))
pool_or_stop(top)
stated = [
    k
    for k, name in (("accelerate", "accelerate_to"), ("demonstrate", "demonstrate_shots"))
    if name in st.query_params
]
said = one_of("kind", list(KINDS))
if said is None and len(stated) > 1:
    unreadable("demonstrate_shots and accelerate_to are two plans: give one of them")
wide, side = beside()
kind = kind_of_question(
    side, {k: label for k, (_, label) in KINDS.items()}, said or (stated or ["next_test"])[0], units_anew
)  # fmt: skip
c = Controls(KINDS[kind][0], choices())
if kind == "demonstrate":
    c.number(side, "demonstrate_shots", "Shots to show", value=1000, step=100)
if kind != "next_test":
    c.one(side, "slot", "Slot", "main_capacitor")
if kind == "demonstrate":
    point = point_of_slot(c, side, "Shown at charge voltage (V)")
elif kind == "next_test":
    point = c.pairs("use")
    point.number(side, "charge_V", "Charge voltage (V)", 50.0)
if kind != "accelerate":
    c.number(side, "units", "Units at hand (empty: no limit)", step=1)
c.number(side, "days", "Bench days at most (empty: no limit)", step=1)
c.number(side, "budget", "Money at most (empty: no limit)", step=50)
priced = side if "budget" in c.values else None
if priced:  # without a price money limits nothing
    c.number(priced, "unit_cost", "Price of a unit", step=10)
    c.number(priced, "day_cost", "Price of a bench day", step=10)
c.confidence(side)
more = side.expander("Survival, bench, cost, records")
c.number(more, "survival", "Survival", step=0.01)
c.number(more, "stands", "Units that run at once", step=1)
c.number(more, "rate_hz", "Shots a second", step=0.1)
c.number(more, "setup_hours", "Hours to mount and pump down", step=0.5)
if not priced:
    c.number(more, "unit_cost", "Price of a unit", step=10)
    c.number(more, "day_cost", "Price of a bench day", step=10)
c.many(more, "builder", "Builders")
c.many(more, "part", "Parts")
if kind == "next_test":
    c.many(more, "slot", "Slots (none: all)")
    point.text(more, "Tested at, such as charge_V=1200")
elif kind == "demonstrate":
    point.text(more, "Shown at, such as charge_V=1200")
    c.number(more, "failures", "Failures allowed (empty: found)", step=1)
    c.number(more, "shape", "Weibull shape (empty: from the records)", step=0.1)
else:
    volts = pool().records.covariates.get("charge_V")
    tested = sorted({float(v) for v in volts if v == v}) if volts is not None else []
    if not tested:
        st.info("Test a few units at two voltages first, then plan the rest from that.")
        st.stop()
    c.number(
        side, "accelerate_to", "Voltage the bound is for", value=round(tested[0] * 0.92), step=10
    )
    c.number(side, "units", "Units", step=1)
    c.number(side, "days_each", "Bench days each", step=0.05)
question = built(c, top, "There is no such test.")
a = asked(question, top, "No such test can be planned from these records.")
if isinstance(a, NextTestAnswer):
    worth(a, wide)
elif isinstance(a, DemonstrationAnswer):
    shown(a, wide)
else:
    assert isinstance(a, LearningAnswer)
    learned(a, wide)
st.download_button("Download the plan as an empty life sheet", lambda: plan_csv(a, question), "plan.csv", "text/csv", key="plan_sheet")  # fmt: skip
show_notes(a)
take_along(a, question, store())
st.caption(CAUTION)
