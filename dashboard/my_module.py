"""My module: its slots as lanes over shots, what can be promised, and what is likely to end it."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, one_of, read_address, unreadable
from dashboard.head import beside, title
from dashboard.helps import finds, helps
from dashboard.keeping import take_along
from dashboard.last_time import since_last_time
from dashboard.shared import (
    BURNED_IN,
    CAUTION,
    asked,
    built,
    chart,
    choices,
    folded,
    pool_or_stop,
    show_notes,
    show_siblings,
    store,
    table,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.ask.answers import Flight, FlightAnswer, Module, ModuleAnswer
from reliability.words import ends_so_far, of_so_many, percent_text, shots_text, so_many_shots

KINDS = {"a design": Module, "a module on record": Flight}
PERCENT = st.column_config.NumberColumn(format="percent")
SHOTS = st.column_config.NumberColumn(format="%,.0f")
HOW = (
    "Each row is a slot. Outlined bar: what this slot alone lasts at the confidence chosen, by the slot's own model (Life curves says where its bound differs); crosses and rings below it: such parts that "
    "failed, and that were still good (pale: at another voltage); at the ends of the axis, how many lie beyond it and how far. A promise for the module rests on all of them together."
)


def pick() -> type[Module] | type[Flight]:
    """A design, or a module that has records: as the address or the control says."""
    said = one_of("look", list(KINDS))
    if "look" not in st.session_state:
        named = "module" in st.query_params
        if said == "a design" and named:
            unreadable("module goes with look=a module on record")
        st.session_state["look"] = said or ("a module on record" if named else "a design")
    picked = st.radio("Look at", list(KINDS), horizontal=True, key="look", bind="query-params")
    return KINDS[picked]  # type: ignore[return-value]


def design_controls(c: Controls, side: st.delta_generator.DeltaGenerator) -> None:
    """Parts, operating point, mission and what the promise is to keep."""
    point = c.pairs("use")
    point.number(side, "charge_V", "Charge voltage (V)", 50.0)
    if len(st.query_params.get_all("at")) < 2:
        given = side.number_input("Mission (shots)", min_value=1.0, value=None, step=100.0, format="%.10g", key="at",
                                  bind="query-params", placeholder="none", help="Shots that the mission needs.")  # fmt: skip
        c.set(at=() if given is None else (given,))
    c.confidence(side)
    with side.expander("Parts, temperature, bank, builders"):
        point.choice(st.container(), "part", "Part", c.choices["part"])
        point.number(st.container(), "temp_C", "Temperature (deg C)", 5.0)
        point.text(st.container(), "Operating point, such as charge_V=1400")
        units = c.pairs("units")
        for slot in c.choices["slot"]:
            if "capacitor" in slot:
                units.number(st.container(), slot, f"{slot.replace('_', ' ').capitalize()}s in one module", 1.0)  # fmt: skip
        units.text(st.container(), "Units in a slot, such as igniter=4")
        c.many(st.container(), "builder", "Builders")
        c.many(st.container(), "part", "Only records of these parts")
        c.many(st.container(), "slot", "Slots (none: all)")
        c.number(st.container(), "fraction", "Share failed of the life promised", step=0.05)
        c.flag(st.container(), "no_early_failures", BURNED_IN)


def module_controls(c: Controls, side: st.delta_generator.DeltaGenerator) -> None:
    """Which module, its mission and voltage, and what the promise is to keep."""
    c.one(side, "module", "Module")
    point = c.pairs("use")
    point.number(side, "charge_V", "Charge voltage of the mission (V)", 50.0)
    c.number(side, "shots", "Mission (shots)", value=1000.0, step=100.0)
    c.confidence(side)
    with side.expander("Temperature, survival"):
        point.number(st.container(), "temp_C", "Temperature of the mission (deg C)", 5.0)
        point.text(st.container(), "Flown at, such as charge_V=1200")
        c.number(st.container(), "survival", "Survival of the promise", step=0.01)
        c.flag(st.container(), "no_early_failures", BURNED_IN)
    c.set(brief=True)


def design(a: ModuleAnswer, wide: st.delta_generator.DeltaGenerator) -> None:
    """Picture and tables of a design."""
    with wide:
        ends = of_so_many(a.life.fraction, "such modules")
        text = (
            f"At {so_many_shots(a.life.lower)} {ends} at most ({percent_text(a.confidence)} sure)."
        )
        for s in a.survival[:1]:
            text += (
                f" Before the end of a mission of {shots_text(s.shots)} "
                f"{ends_so_far(1 - s.estimate, 1 - s.lower, 'such modules')}."
            )
        st.markdown(plain_text(text))
        chart(figures.module_slots_figure(a), "slot_lanes", HOW)
    left, right = st.columns(2)
    with left:
        st.markdown("### How many modules are still good")
        chart(
            figures.module_figure(a), "module_survival",
            f"Estimate (solid) and lower bound at {percent_text(a.confidence)} (dashed), on which a promise may rest.",
        )  # fmt: skip
    with right:
        st.markdown("### What ends them")
        chart(
            figures.ends_figure([s.slot for s in a.slots], [s.ends_module for s in a.slots]), "module_ends",
            "Chance that the slot is the first to fail.",
        )  # fmt: skip
    helps(a.more, {"bound": "promise"})
    finds(a.found)
    with folded("The numbers behind it"):
        table(pd.DataFrame([
            {
                "slot": s.slot.replace("_", " "), "units seen": s.n, "failed": s.failed, "shape": s.shape, "median shots": s.median,
                "alone at least": s.promise, "ends module": s.ends_module, "holds the bound down": s.holds_down,
            }
            for s in a.slots
        ]), "slot", {
            "shape": st.column_config.NumberColumn(format="%.2f"), "median shots": SHOTS, "alone at least": SHOTS,
            "ends module": PERCENT, "holds the bound down": PERCENT,
        })  # fmt: skip
        show_siblings(a.slots)
        carried(a)


def on_record(a: FlightAnswer, wide: st.delta_generator.DeltaGenerator) -> None:
    """Picture and tables of a module that has been run."""
    with wide:
        st.markdown(plain_text(
            f"Before the end of the mission {ends_so_far(1 - a.survival.estimate, 1 - a.survival.lower, 'such modules')} "
            f"({percent_text(a.confidence)} sure)."
        ))  # fmt: skip
        chart(figures.flight_slots_figure(a), "slot_lanes", f"Solid bar: shots so far. {HOW}")
    with folded("The numbers behind it"):
        table(pd.DataFrame([
            {
                "slot": s.slot.replace("_", " "), "part": s.part, "shots so far": s.so_far, "failed in data": f"{s.failed:g} of {s.n:g}",
                "model": s.basis, "survival": s.survival, "at least": s.lower, "alone at least": s.promise, "ends first": s.ends_first,
            }
            for s in a.by_slot
        ]), "slot", {
            "survival": PERCENT, "at least": PERCENT, "ends first": PERCENT, "shots so far": SHOTS, "alone at least": SHOTS,
        })  # fmt: skip
        show_siblings(a.by_slot)
        carried(a)
    st.page_link("flight.py", label="More burn-in, sister tests, and the statement: Flight promise")
    st.page_link("history.py", label="What happened to it so far: History")


def carried(a: ModuleAnswer | FlightAnswer) -> None:
    """What of the operating point the records carry."""
    if a.carried:
        st.markdown("### What the records carry")
        table(pd.DataFrame([{"slot": k.slot, "stress": k.stress, "how": k.status, "why": k.text} for k in a.carried]), "carried")  # fmt: skip


top = title("My module")
read_address(Module, Flight, also=("look",))
pool_or_stop(top)
cls = pick()
wide, side = beside()
c = Controls(cls, choices())

if cls is Module:
    design_controls(c, side)
else:
    module_controls(c, side)
question = built(c, top, "This module cannot be asked for.")
assert isinstance(question, (Module, Flight))
a = asked(question, top, "These records do not carry a promise for this module.")
if isinstance(a, ModuleAnswer):
    design(a, wide)
else:
    assert isinstance(a, FlightAnswer)
    on_record(a, wide)
with wide:
    since_last_time(question, a)
show_notes(a)
take_along(a, question, store())
st.caption(CAUTION)
