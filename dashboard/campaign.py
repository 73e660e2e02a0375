"""Next test: which plan proves or teaches most for its time and cost."""

from __future__ import annotations

import pandas as pd
import streamlit as st
from reliability.decisions.campaign import Bench, CampaignAnswer, demonstration, plan_rows
from reliability.decisions.campaign_learning import LearningAnswer, accelerated

from dashboard.shared import (
    CAUTION,
    answer,
    chart,
    chosen_records,
    filters,
    records_or_stop,
    show_notes,
    table,
    title,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.decisions.derating import default_terms, fixed_levels
from reliability.life.stress import fit_stress
from reliability.notes import BadInput, CannotAnswer
from reliability.sheets.write import rows_csv

Key = tuple[str, str]
Chosen = dict[str, list[str]]


@st.cache_resource(max_entries=32, show_spinner="Weighing plans …")
def show(
    key: Key, chosen: Chosen, shots: float, survival: float, confidence: float, shape: float, units: int,
    failures: int, bench: Bench, budget: float, burn_in: float,
) -> CampaignAnswer:  # fmt: skip
    """Demonstration plan."""
    records = chosen_records(key, chosen)
    return demonstration(
        shots, survival, confidence, shape=shape, units=units or None, failures=failures, bench=bench,
        budget=budget or float("nan"), records=records, burn_in=burn_in,
    )  # fmt: skip


@st.cache_resource(max_entries=32, show_spinner="Simulating plans from the present estimate …")
def learn(
    key: Key, chosen: Chosen, use: float, levels: tuple[float, ...], units: int, days: float, survival: float,
    confidence: float, bench: Bench,
) -> LearningAnswer | str:  # fmt: skip
    """Accelerated plan, or why there is none."""
    records = chosen_records(key, chosen)
    try:
        terms = [t for t in default_terms(records) if t.column == "charge_V"]
        fit = fit_stress(records, terms)
        return accelerated(
            fit, "charge_V", use, levels=levels, total_units=units, days_each=days, fraction=1 - survival,
            confidence=confidence, fixed=fixed_levels(fit, "charge_V", {}), bench=bench, draws=400,
        )  # fmt: skip
    except (CannotAnswer, BadInput) as e:
        return str(e)


def save_plan(units: int, slot: str, stress: list[dict[str, float]]) -> None:
    """Offer the plan as an empty life sheet."""
    rows = plan_rows(units, "me", slot, stress)
    st.download_button("Download the plan as an empty life sheet", lambda: rows_csv(rows), "plan.csv", "text/csv", key="plan_sheet")  # fmt: skip


top = title("Next test")
records, key = records_or_stop()
kept, chosen = filters(records)
kind = st.radio(
    "What for",
    ["Show a life", "Learn the life at a low voltage"],
    horizontal=True,
    key="kind",
    bind="query-params",
)
left, middle, right = st.columns(3)
survival = left.slider("Survival", 0.5, 0.999, 0.9, 0.01, key="survival", bind="query-params")
confidence = middle.select_slider(
    "Confidence", [0.6, 0.8, 0.9, 0.95, 0.99], value=0.9, key="confidence", bind="query-params"
)
stands = right.number_input("Units that run at once", 1, 100, 1, key="stands", bind="query-params")
with st.expander("Bench and cost"):
    a, b, c, d = st.columns(4)
    seconds = a.number_input("Seconds a shot", 0.01, value=3.0, key="seconds", bind="query-params")
    unit_cost = b.number_input(
        "Price of a unit", 0.0, value=0.0, key="unit_cost", bind="query-params"
    )
    day_cost = c.number_input(
        "Price of a bench day", 0.0, value=0.0, key="day_cost", bind="query-params"
    )
    budget = d.number_input("Budget, 0 = none", 0.0, value=0.0, key="budget", bind="query-params")
bench = Bench(1 / seconds, int(stands), unit_cost, day_cost)
slot = chosen["slot"][0]
if kind == "Show a life":
    w, x, y, z = st.columns(4)
    shots = w.number_input(
        "Shots to show", 1, value=1000, step=100, key="shots", bind="query-params"
    )
    shape = x.number_input(
        "Assumed Weibull shape", 0.1, 20.0, 2.0, 0.1, key="shape", bind="query-params"
    )
    units = y.number_input(
        "Units there are, 0 = find out", 0, value=0, key="units", bind="query-params"
    )
    failures = z.number_input("Failures allowed", 0, 20, 0, key="failures", bind="query-params")
    burn_in = 0.0
    try:
        plan = show(
            key, chosen, float(shots), survival, float(confidence), shape, int(units), int(failures), bench, budget, burn_in
        )  # fmt: skip
    except BadInput as e:
        answer("There is no such test.", top)
        st.warning(plain_text(str(e)))
        st.stop()
    answer(plan.sentence, top)
    st.markdown("### Plans that show the same life")
    chart(
        figures.demonstration_figure(plan.plans, plan.best),
        "demonstration",
        "Each mark shows the same life; the number is its units, the bar runs from pessimistic to optimistic life.",
    )
    st.markdown("### If the shape is another one")
    table(pd.DataFrame([{"shape": s.shape, "units": s.units, "shots each": s.shots_each} for s in plan.sensitivity]), "sensitivity", {"shots each": st.column_config.NumberColumn(format="%,.0f")})  # fmt: skip
    save_plan(plan.units, slot, [])
    show_notes(plan.notes)
else:
    volts = kept.covariates.get("charge_V")
    tested = sorted({float(v) for v in volts if v == v}) if volts is not None else []
    if len(tested) < 2:
        answer("An accelerated test needs a present estimate from two voltages or more.", top)
        st.info("Test a few units at a second voltage first, then plan the rest from that.")
        st.stop()
    w, x, y, z = st.columns(4)
    use = w.number_input(
        "Voltage the bound is for",
        1.0,
        value=float(round(tested[0] * 0.92)),
        key="use",
        bind="query-params",
    )
    levels = x.multiselect(
        "Voltages to choose from", tested, default=tested, key="levels", bind="query-params"
    )
    units = y.number_input("Units", 4, 200, 18, key="units_learn", bind="query-params")
    days = z.number_input("Bench days each", 0.01, value=0.12, key="days", bind="query-params")
    result = learn(
        key, chosen, use, tuple(levels), int(units), days, survival, float(confidence), bench
    )
    if isinstance(result, str):
        answer("No such test can be planned from these records.", top)
        st.warning(plain_text(result))
        st.stop()
    answer(result.sentence, top)
    st.markdown("### Plans compared")
    chart(
        figures.learning_figure(result.plans, result.equal),
        "learning",
        "All plans cost the same; lower is better. Hover for levels and units.",
    )
    for what, factor in result.sensitivity:
        st.caption(f"Best plan with the {what}: factor {factor:.2f}.")
    stress = [
        {"charge_V": v}
        for v, n in zip(result.best.levels, result.best.units, strict=True)
        for _ in range(n)
    ]
    save_plan(len(stress), slot, stress)
    show_notes(result.notes)
st.caption(CAUTION)
