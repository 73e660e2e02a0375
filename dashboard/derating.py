"""Derating: which charge voltage lets the capacitor last the mission, and what that costs."""

from __future__ import annotations

import math

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard.controls import Controls, kind_of_question, one_of, read_address
from dashboard.head import Head, beside, title
from dashboard.helps import finds, helps
from dashboard.keeping import take_along
from dashboard.shared import (
    BURNED_IN,
    CAUTION,
    asked,
    built,
    chart,
    choices,
    folded,
    pool,
    pool_or_stop,
    show_notes,
    show_opinion,
    store,
    table,
)
from reliability import figures
from reliability.ask.answers import (
    Derate,
    DerateMission,
    DeratingAnswer,
    MissionAnswer,
    MissionPlan,
)
from reliability.words import volts_text

FORMS = ["charge_V:power", "temp_C:arrhenius", "part:categorical", "energy_J:power", "peak_A:power"]

KINDS = {"shots": "A life in shots", "mission": "An impulse or a velocity change"}


def for_mission(c: Controls, top: Head, places: tuple[DeltaGenerator, DeltaGenerator]) -> None:
    """Voltage, bank and part at once, for a mission; the places are for the picture and for the controls."""
    wide, side = places
    c.number(side, "total_impulse", "Total impulse", step=0.001)
    c.number(side, "delta_v", "or velocity change", step=0.001)
    c.number(side, "mass", "of a satellite of", step=0.1)
    c.number(side, "shots", "or shots", step=500)
    c.one(side, "slot", "Slot", "main_capacitor")
    c.many(side, "part", "Parts")
    c.confidence(side)
    with side.expander("Survival, pace, bank, supply, impulse bit, records"):
        more = st.container()
    c.number(more, "survival", "Survival (share that lasts it)", step=0.01)
    c.number(more, "rate_hz", "Shots a second in orbit", step=0.1)
    c.number(more, "duty", "Share of the time it fires", step=0.1)
    c.words(more, "use", "Only this voltage, such as charge_V=1400")
    c.number(more, "capacitors", "Most capacitors in a bank (empty: 4)", step=1)
    c.number(more, "parallel", "Only so many in parallel", step=1)
    c.number(more, "series", "Only so many in series", step=1)
    c.number(more, "within_days", "Days in orbit at most", step=1)
    c.number(more, "power_w", "Average power there is", step=0.1)
    c.number(more, "efficiency", "Efficiency of the converter", step=0.05)
    c.number(more, "bus_v", "Supply (V)", step=0.1)
    c.text(more, "impulse", "Impulse bit, such as 0.65@0.2^1.2+-10% (empty: from readings)")
    c.number(more, "capacitance_uf", "Capacitance of one", step=0.1)
    c.number(more, "rated_v", "Rated voltage of one", step=100)
    c.number(more, "unequal", "Margin for unequal sharing in a string", step=0.05)
    c.many(more, "builder", "Builders")
    question = built(
        c, top, "Say the mission once: a total impulse, a velocity change with the mass, or shots."
    )
    a = asked(question, top, "These records cannot say which voltage suits the mission.")
    assert isinstance(a, MissionAnswer)
    with wide:
        chart(
            figures.mission_figure(a),
            "mission",
            f"{bank_of(a.best)}: shots that the impulse bit asks for (solid, band to the estimate) and shots promised (dashed).",
        )
    st.markdown("### Plans")
    named = ((a.best_name, a.best), ("lightest", a.lightest), ("quickest", a.quickest))
    table(
        pd.DataFrame([{"plan": name, **_plan_row(p)} for name, p in named if p is not None]),
        "plans",
        COLUMNS,
    )
    with folded("All banks"):
        st.caption(
            f"Rating: of one capacitor that would pass at {volts_text(a.banks[0].rated_at_V)}."
        )
        table(pd.DataFrame([
            {**_plan_row(b.best), "passes up to": b.highest.charge_V if b.highest else None, "rating": b.rated_V}
            for b in a.banks if b.best is not None
        ]), "banks", COLUMNS)  # fmt: skip
    if a.impulse is not None:
        i = a.impulse
        st.caption(
            f"Impulse bit {i.bit_uNs_at_1_J:.3g} uN s x (energy in J) to the power {i.exponent:.3g} ({i.source})."
        )
    helps(a.more, {"promise": "promise", "up to V": "highest_V"})
    finds(a.found)
    show_notes(a)
    take_along(a, question, store())


def for_shots(c: Controls, top: Head, places: tuple[DeltaGenerator, DeltaGenerator]) -> None:
    """The level at which a life in shots is kept; the places are for the picture and for the controls."""
    wide, side = places
    c.number(side, "shots", "Required shots", value=3000, step=500)
    c.one(side, "slot", "Slot", "main_capacitor")
    c.many(side, "part", "Parts")
    c.number(side, "survival", "Survival (share that lasts them)", step=0.01)
    c.confidence(side)
    c.many(side, "builder", "Builders")
    stress_controls(c)
    question = built(c, top, "This derating cannot be asked for.")
    a = asked(question, top, "These records cannot say how far to derate.")
    assert isinstance(a, DeratingAnswer)
    pictures(a, wide)
    helps(a.more, {"promise": "promise", "up to V": "highest_V"})
    finds(a.found)
    show_opinion(a)
    show_notes(a)
    take_along(a, question, store())


def stress_controls(c: Controls) -> None:
    """Stress model, bank and impulse."""
    with st.expander("Stress model, bank and impulse"):
        one, two, three = st.columns(3)
        c.settle("stress", "many", [])
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
        c.text(three, "prior", "Prior of the exponent, with one voltage only (film, ceramic, mica)")
        c.flag(three, "new_builder", "Allow for a builder who is not in the pool")
        c.flag(three, "no_early_failures", BURNED_IN)
        c.flag(three, "second_opinion", "Second opinion without a family")
    c.set(stress=tuple(stress))


def pictures(a: DeratingAnswer, wide: DeltaGenerator) -> None:
    """Life along the stress, the trade, the fit, and the coefficients."""
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


def bank_of(p: MissionPlan) -> str:
    """Part and arrangement."""
    return f"{p.part or 'capacitor'}, {p.parallel} parallel x {p.series} series"


def _plan_row(p: MissionPlan) -> dict[str, object]:
    return {
        "bank": bank_of(p), "volts": p.charge_V, "needed at most": p.needed_most, "promised": p.promised, "margin": p.margin,
        "J a shot": p.energy_J, "W": p.average_W, "A at supply": p.bus_A, "days": p.days, "tested": not p.extrapolated,
    }  # fmt: skip


COLUMNS = {
    **{k: st.column_config.NumberColumn(format="%,.0f") for k in ("volts", "needed at most", "promised", "passes up to", "rating")},
    **{k: st.column_config.NumberColumn(format="%.3g") for k in ("margin", "J a shot", "W", "A at supply", "days")},
}  # fmt: skip

top = title("Derating")
read_address(Derate, DerateMission, also=("kind",))
pool_or_stop(top)
said = one_of("kind", list(KINDS))
stated = any(k in st.query_params for k in ("total_impulse", "delta_v"))
wide, side = beside()
mission = kind_of_question(side, KINDS, said or ("mission" if stated else "shots")) == "mission"
c = Controls(DerateMission if mission else Derate, choices())
(for_mission if mission else for_shots)(c, top, (wide, side))
st.caption(CAUTION)
