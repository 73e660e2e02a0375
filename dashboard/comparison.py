"""Choose between: two parts, fuels, revisions, lots, builders, voltages or pools on the same footing."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, Pairs, read_address
from dashboard.head import beside, title
from dashboard.helps import finds
from dashboard.keeping import take_along
from dashboard.operating import (
    point_besides_voltage,
    point_of_slot,
)
from dashboard.shared import (
    asked,
    built,
    chart,
    choices,
    pool,
    pool_or_stop,
    show_notes,
    state,
    store,
    table,
)
from reliability import figures
from reliability.ask.answers import Choices, Compare, CompareAnswer, choices_in, usual
from reliability.words import percent_text, volts_text

WORDS = {"voltage": ("One voltage (V)", "The other (V)"), "pool": ("Rest on", "Or on")}
FREE = ("voltage", "pool")
"""where others than those on record may be typed"""


@st.cache_resource(max_entries=64, show_spinner=False)
def _choices(path: str, version: str, slot: str) -> Choices:
    records = pool().records
    return choices_in(records.select(records.slot == slot))


def two(c: Controls, side: st.delta_generator.DeltaGenerator) -> None:
    """What the two differ in, at first what there are two of; and which two."""
    known = _choices(str(store().path), state(), c.values.get("slot", ("",))[0])
    c.enum(side, "by", "What the two differ in", empties=("first", "second"), first=usual(known))
    by = c.values.get("by")
    if by is None:
        return
    one, other = WORDS.get(by, ("The one", "The other"))
    c.label(side, "first", one, known[by], by in FREE)
    c.label(side, "second", other, known[by], by in FREE)


def point_of(c: Controls, side: st.delta_generator.DeltaGenerator) -> Pairs:
    """The operating point at which both are shown."""
    by = c.values.get("by")
    if by == "voltage":
        return point_besides_voltage(c, side)
    return point_of_slot(c, side, "Both at charge voltage (V)", part=by != "part")


def curves_of(a: CompareAnswer) -> str:
    """At which voltage the curves without a family are."""
    if a.by == "voltage":
        return "the same units at the shots that theirs stand for at each voltage"
    if not a.moved:
        return "as tested, not adjusted for stress"
    return f"each unit at the shots that its own stand for at {volts_text(float(a.at['charge_V']))}"


def ratio_words(a: CompareAnswer) -> str:
    """What the picture of the ratio shows."""
    how = {
        "voltage": "by the slot's model",
        "pool": "units that the two do not share, voltage allowed for where it was varied",
    }
    return f"Dot: as estimated; bar: one-sided bounds, {how.get(a.by, 'voltage allowed for where it was varied')}. Rust: shown to differ."


top = title("Choose between")
read_address(Compare)
pool_or_stop(top)
c = Controls(Compare, choices())
wide, side = beside()
c.one(side, "slot", "Slot", "main_capacitor", empties=("first", "second"), anew=("by",))
two(c, side)
point = point_of(c, side)
c.confidence(side)
c.many(side, "part", "Only records of these parts")
c.many(side, "builder", "Builders")
point.text(side.expander("Temperature"), "Both at, such as charge_V=1400")
question = built(c, top, "These two cannot be compared.")
a = asked(question, top, "These records cannot compare them.")
assert isinstance(a, CompareAnswer)
with wide:
    if a.told:
        chart(figures.ratio_figure(a), "ratio", ratio_words(a))
    chart(
        figures.sides_figure(a),
        "sides",
        f"Share still good, without a family; {curves_of(a)}. Thin: by the model; dashed: its lower bound, and what is promised.",
    )
st.markdown("### Evidence")
rows = [
    {"name": s.name, "units": s.n, "failed": s.failed, "life": s.shots, "at least": s.lower}
    for s in (a.first, a.second)
]
table(
    pd.DataFrame(rows),
    "sides",
    {k: st.column_config.NumberColumn(format="%,.0f") for k in ("life", "at least")},
)
better = f" The better one as estimated is {a.sure_text} sure to be better." if a.told else ""
st.caption(f"Life that {percent_text(1 - a.fraction)} reach, in shots.{better}")
finds(a.found)
show_notes(a)
take_along(a, question, store())
