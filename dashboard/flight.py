"""Flight promise: what to promise for one flight unit, and the statement that goes with it."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, one_of, read_address, unreadable
from dashboard.head import beside, title
from dashboard.helps import finds, helps
from dashboard.keeping import take_along
from dashboard.shared import (
    BURNED_IN,
    CAUTION,
    asked,
    built,
    chart,
    choices,
    pool,
    pool_or_stop,
    show_notes,
    show_siblings,
    state,
    store,
    table,
)
from dashboard.sign_in import who
from dashboard.words import plain_text
from reliability import figures
from reliability.ask.answers import Flight, FlightAnswer
from reliability.ask.records import ready_modules
from reliability.report.content import Made, statement, today
from reliability.report.render import to_html, to_pdf
from reliability.words import ends_so_far, percent_text

KINDS = {
    "shots": ("shots",),
    "total impulse": ("total_impulse", "impulse_bit"),
    "velocity change": ("delta_v", "mass", "impulse_bit"),
    "days": ("days", "rate_hz", "duty"),
}
LABELS = {
    "shots": ("Shots", 1000.0, 100.0), "total_impulse": ("Total impulse", 0.001, 0.0005), "impulse_bit": ("Impulse bit", 0.65, 0.05),
    "delta_v": ("Velocity change", 0.001, 0.0005), "mass": ("Satellite mass", 1.0, 0.1), "days": ("Days", 1.0, 1.0),
    "rate_hz": ("Shots a second", None, 0.1), "duty": ("Duty (share of the time)", None, 0.05),
}  # fmt: skip


@st.cache_resource(max_entries=4, show_spinner=False)
def ready(version: str) -> list[str]:
    """Modules that can be promised anything, for a state of the store."""
    return ready_modules(pool().records)


top = title("Flight promise")
read_address(Flight, also=("mission",))
pool_or_stop(top)
known = choices()
c = Controls(Flight, known)
wide, side = beside()
c.one(side, "module", "Flight module", next(iter(ready(state())), ""))
in_link = [k for k, names in KINDS.items() if names[0] in st.query_params]
said = one_of("mission", list(KINDS))
if "mission" not in st.session_state:  # later on the address follows the controls
    if said is None and len(in_link) > 1:
        unreadable(
            "the mission is stated more than once: shots, total impulse, velocity change, or days"
        )
    st.session_state["mission"] = said or next(iter(in_link), "shots")
kind = side.radio("Mission as", list(KINDS), horizontal=True, key="mission", bind="query-params")
c.drawn |= {n for k, names in KINDS.items() if k != kind for n in names}
for name in KINDS[kind]:
    label, value, step = LABELS[name]
    c.number(side, name, label, value=value, step=step)
point = c.pairs("use")
point.number(side, "charge_V", "Charge voltage of the mission (V)", 50.0)
c.number(side, "survival", "Survival of the promise", step=0.01)
c.confidence(side)
more = side.expander("Several modules, legs, temperature")
point.text(more, "Flown at, such as charge_V=1200")
c.number(more, "units", "Such modules", step=1)
c.words(
    more, "leg", "Legs at their own voltage, such as 1200=0.7 1400=0.3",
    "Volts and the share of the mission's shots; empty: all at one voltage.",
)  # fmt: skip
c.flag(more, "no_early_failures", BURNED_IN)
if c.values.get("units", 1) > 1:
    c.number(more, "working", "So many must last (empty: all)", step=1)
question = built(c, top, "The mission is not stated in full.")
a = asked(question, top, "Nothing can be promised for this module yet.", present=True)
assert isinstance(a, FlightAnswer) and isinstance(question, Flight)
with wide:
    st.markdown(plain_text(
        f"Before the end of the mission {ends_so_far(1 - a.survival.estimate, 1 - a.survival.lower, 'such modules')} "
        f"({percent_text(a.confidence)} sure)."
    ))  # fmt: skip
    chart(
        figures.flight_figure(a),
        "flight_survival",
        "The promise is where the dashed bound meets the survival wanted; all given that the module has lasted so far.",
    )
st.markdown("### What ends it within the mission")
chart(
    figures.ends_figure([s.slot for s in a.by_slot], [s.ends_first for s in a.by_slot]),
    "flight_ends",
    "Chance that the slot fails first, before the mission is over.",
)
v = a.several
if v.units > 1:
    st.markdown(
        f"Of **{v.units} such modules**, {v.working} or more last with probability {percent_text(v.enough)} (at least "
        f"{percent_text(v.enough_lower)}); all last with probability {percent_text(v.all)} (at least {percent_text(v.all_lower)}); "
        f"at least one lasts with {percent_text(v.one)} (at least {percent_text(v.one_lower)})."
    )
st.markdown("### Life by slot")
table(pd.DataFrame(
        [
            {
                "slot": s.slot.replace("_", " "), "part": s.part, "shots so far": s.so_far,
                "failed in data": f"{s.failed:g} of {s.n:g}", "model": s.basis, "survival": s.survival,
                "at least": s.lower, "promise alone": s.promise, "ends first": s.ends_first, "holds down": s.holds_down,
            }
            for s in a.by_slot
        ]
    ), "slots", {
        **{k: st.column_config.NumberColumn(format="percent") for k in ("survival", "at least", "ends first", "holds down")},
        **{k: st.column_config.NumberColumn(format="%,.0f") for k in ("shots so far", "promise alone")},
    })  # fmt: skip
show_siblings(a.by_slot)
helps(a.more, {"promise": "promise"}, {"survival after": "survival", "at least": "lower"})
finds(a.found)
if figures.can_export():
    flight_question = question
    made = Made(today(), who())
    left, right, _ = st.columns([1, 1, 2])
    left.download_button(
        "Statement as PDF", lambda: to_pdf(statement(a, flight_question, store(), made)), f"flight-{a.module}.pdf",
        "application/pdf", key="pdf",
    )  # fmt: skip
    right.download_button(
        "Statement as HTML", lambda: to_html(statement(a, flight_question, store(), made)), f"flight-{a.module}.html",
        "text/html", key="html",
    )  # fmt: skip
else:
    st.caption(
        "The statement as a file needs one more package: sh .setup paper, or pip install 'shotlife[paper]'."
    )
show_notes(a)
take_along(a, question, store())
st.caption(CAUTION)
