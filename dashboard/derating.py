"""Derating: which charge voltage lets the capacitor last the mission, and what that costs."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.shared import (
    CAUTION,
    all_records,
    answer,
    chart,
    chosen_records,
    filters,
    options,
    records_or_stop,
    show_notes,
    table,
    title,
    wear_readings,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.decisions.derating import DeratingAnswer, Impulse, derate
from reliability.decisions.impulse import fit_impulse
from reliability.decisions.practice import PRACTICE
from reliability.notes import BadInput, CannotAnswer


@st.cache_resource(
    max_entries=32, show_spinner="Fitting the stress model and calibrating its bounds …"
)
def solve(
    key: tuple[str, str],
    chosen: dict[str, list[str]],
    terms: tuple[str, ...],
    shots: float,
    survival: float,
    confidence: float,
    dielectric: str,
    impulse: tuple[float, float, float] | None,
    part: str,
    from_readings: bool,
    new_builder: bool,
) -> DeratingAnswer | str:
    """Derating answer for a choice of records, or why there is none."""
    records = chosen_records(key, chosen)
    readings = wear_readings(key)
    try:
        bit = Impulse(*impulse) if impulse else None
        if from_readings and readings is not None:
            bit = fit_impulse(readings, all_records(*key))
        return derate(
            records,
            terms,
            shots=shots,
            survival=survival,
            confidence=confidence,
            dielectric=dielectric,
            impulse=bit,
            builder_effect=new_builder,
            use={"part": part} if part else None,
        )
    except (CannotAnswer, BadInput) as e:
        return str(e)


top = title("Derating")
records, key = records_or_stop()
kept, chosen = filters(records)
left, middle, right = st.columns(3)
shots = left.number_input(
    "Required shots", min_value=100, value=3000, step=500, key="shots", bind="query-params"
)
survival = middle.slider(
    "Survival (share that lasts them)", 0.5, 0.999, 0.9, 0.01, key="survival", bind="query-params"
)
confidence = right.select_slider(
    "Confidence (one-sided)",
    [0.8, 0.9, 0.95, 0.99],
    value=0.95,
    key="confidence",
    bind="query-params",
)
varies = {
    name: form
    for name, form in (("charge_V", "power"), ("temp_C", "arrhenius"))
    if name in kept.covariates and len(set(kept.covariates[name].tolist())) > 1
}
parts = options(kept.part.tolist())
with st.expander("Stress model, part and impulse"):
    columns = st.columns(3)
    names = columns[0].multiselect(
        "Stresses",
        list(varies),
        default=[n for n in varies if n == "charge_V"] or list(varies),
        key="stresses",
        bind="query-params",
    )
    part = ""
    if len(parts) > 1:
        part = str(
            columns[1].selectbox("Part to answer for", parts, key="use_part", bind="query-params")
        )
    dielectric = str(
        columns[2].selectbox(
            "Usual practice for",
            ["", *(p.dielectric for p in PRACTICE)],
            key="dielectric",
            bind="query-params",
        )
    )
    columns = st.columns(3)
    bit = columns[0].number_input(
        "Impulse bit (uN s), 0 = leave out", 0.0, value=0.65, key="bit", bind="query-params"
    )
    energy = columns[1].number_input(
        "at energy (J)", 0.001, value=0.5, key="bit_energy", bind="query-params"
    )
    exponent = columns[2].number_input(
        "growing with energy to the power",
        0.1,
        3.0,
        1.0,
        0.1,
        key="bit_exponent",
        bind="query-params",
    )
    readings = wear_readings(key)
    has_bits = readings is not None and "impulse_bit_uNs" in set(readings.quantity.tolist())
    from_readings = st.checkbox(
        "Fit the impulse bit from the readings in the store instead",
        value=has_bits,
        disabled=not has_bits,
        key="fit_bit",
        bind="query-params",
    )
    new_builder = st.checkbox(
        "Allow for a builder who is not in the pool", key="new_builder", bind="query-params"
    )
terms = tuple(f"{n}:{varies[n]}" for n in names) + (("part:categorical",) if part else ())
if not names:
    answer("No stress varies in these records, so no voltage can be allowed from them.", top)
    st.info(
        "Test some units at another charge voltage, 15 to 30 % higher, and add their life sheet."
    )
    st.stop()
a = solve(key, chosen, terms, float(shots), float(survival), float(confidence), dielectric,
          (bit, energy, exponent) if bit > 0 else None, part, from_readings, new_builder)  # fmt: skip
if isinstance(a, str):
    answer("These records cannot say how far to derate.", top)
    st.warning(plain_text(a))
    st.stop()
answer(a.sentence, top)
st.markdown("### Life against stress")
chart(
    figures.life_stress_figure(a),
    "life_stress",
    f"Life that {a.survival:.0%} reach: estimate (solid) and lower bound (dashed). Dotted line: required life; "
    "upright line: allowed level; grey: outside the tests. Filled dots failed, open triangles still good.",
)
left, right = st.columns(2)
if any(p.impulse_Ns == p.impulse_Ns for p in a.curve):
    with left:
        st.markdown("### Trade: voltage against total impulse")
        best = a.best_total
        chart(
            figures.trade_figure(a),
            "trade",
            "Impulse a shot times promised shots."
            + (
                f" Largest within the tests: {best.impulse_Ns:.3g} N s at {best.level:,.0f} V (diamond)."
                if best
                else ""
            ),
        )
if a.fit is not None:
    with right:
        st.markdown("### Does the model fit?")
        lo, _ = a.fit.residuals()
        seen = (
            a.fit.records.shots_good > 0
        )  # found dead at the first inspection: no residual to plot
        lo, failed = lo[seen], a.fit.records.failed[seen]
        chart(
            figures.residual_figure(lo, failed, a.family),
            "residuals",
            "Standardised residuals; under the model they follow the line (failures between inspections at their last good count).",
        )
st.markdown("### Evidence")
table(
    pd.DataFrame(
        [
            {
                "stress": c.column,
                "form": c.form,
                "estimate": c.estimate,
                "lower": c.lower,
                "upper": c.upper,
            }
            for c in a.coefficients
        ]
    ),
    "coefficient",
)
st.caption(
    f"{a.failed:g} of {a.n:g} units failed; Weibull shape {a.shape:.2f}. "
    "Power: n in life ~ V^-n. Arrhenius: activation energy in eV. Categorical: ln life against the most frequent level."
)
show_notes(a.notes)
st.caption(CAUTION)
