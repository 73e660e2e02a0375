"""Choose between: two parts, fuels, revisions, lots or builders on the same footing."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, read_address
from dashboard.head import beside, title
from dashboard.keeping import take_along
from dashboard.operating import voltage_of_two
from dashboard.shared import (
    asked,
    built,
    chart,
    choices,
    pool_or_stop,
    show_notes,
    store,
    table,
)
from reliability import figures
from reliability.ask.answers import Compare, CompareAnswer


def curves_of(a: CompareAnswer) -> str:
    """At which voltage the curves without a family are."""
    if not a.moved:
        return "as tested, not adjusted for stress"
    return f"each unit at the shots that its own stand for at {a.at['charge_V']:,.0f} V"


top = title("Choose between")
read_address(Compare)
pool_or_stop(top)
c = Controls(Compare, choices())
wide, side = beside()
c.one(side, "slot", "Slot", "main_capacitor")
c.enum(side, "by", "What the two differ in")
c.text(side, "first", "The one (empty: of most units)")
c.text(side, "second", "The other")
point = voltage_of_two(c, side, "Both at charge voltage (V)")
c.confidence(side)
c.many(side, "part", "Parts")
c.many(side, "builder", "Builders")
point.text(side.expander("Temperature"), "Both at, such as charge_V=1400")
question = built(c, top, "These two cannot be compared.")
a = asked(question, top, "These records cannot compare them.")
assert isinstance(a, CompareAnswer)
with wide:
    chart(
        figures.ratio_figure(a),
        "ratio",
        "Dot: as estimated; bar: one-sided bounds, voltage allowed for where it was varied. Rust: shown to differ.",
    )
    chart(
        figures.sides_figure(a),
        "sides",
        f"Share still good, without a family; {curves_of(a)}.",
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
st.caption(
    f"Life that {1 - a.fraction:.0%} reach, in shots. The better one as estimated is {a.sure:.1%} sure to be better."
)
show_notes(a)
take_along(a, question, store())
