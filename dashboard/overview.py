"""Module life: how long a module lives at an operating point, and what ends it."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, read_address
from dashboard.shared import (
    CAUTION,
    asked,
    built,
    chart,
    choices,
    pool_or_stop,
    show_command,
    show_notes,
    table,
    title,
)
from reliability import figures
from reliability.ask.answers import Module, ModuleAnswer

top = title("Module life")
read_address(Module)
pool_or_stop(top)
c = Controls(Module, choices())
left, right, third = st.columns(3)
c.many(left, "builder", "Builders")
c.many(right, "part", "Parts")
c.confidence(third)
with st.expander("Slots, operating point and share"):
    a, b, d = st.columns(3)
    c.many(a, "slot", "Slots (none: all)")
    given = b.text_input(
        "Operating point, such as charge_V=1400 part=film-a", key="use", bind="query-params",
        help="Voltage, temperature, pace, part; what is not said is the commonest in the pool.",
    )  # fmt: skip
    c.flag(b, "as_tested", "Mix stresses and parts as tested")
    c.number(d, "fraction", "Share failed of the life bounded", step=0.05)
c.set(use=tuple(given.replace(",", " ").split()))
question = built(c, top, "This module cannot be asked for.")
a = asked(question, top, "These records do not carry a module life.")
assert isinstance(a, ModuleAnswer)
left, right = st.columns([3, 2])
with left:
    st.markdown("### How many modules are still good")
    chart(
        figures.module_figure(a),
        "module_survival",
        f"Estimate (solid) and lower bound at {a.confidence:.0%} (dashed), on which a promise may rest; the upper edge is "
        "the likelihood ratio's.",
    )
with right:
    st.markdown("### What ends them")
    chart(
        figures.ends_figure([s.slot for s in a.slots], [s.ends_module for s in a.slots]),
        "module_ends",
        "Chance that the slot is the first to fail.",
    )
st.markdown("### Evidence")
table(
    pd.DataFrame(
        [
            {
                "slot": s.slot.replace("_", " "), "units seen": s.n, "failed": s.failed, "shape": s.shape,
                "median shots": s.median, "ends module": s.ends_module, "holds the bound down": s.holds_down,
            }
            for s in a.slots
        ]
    ),
    "slot",
    {
        "shape": st.column_config.NumberColumn(format="%.2f"),
        "median shots": st.column_config.NumberColumn(format="%,.0f"),
        "ends module": st.column_config.NumberColumn(format="percent"),
        "holds the bound down": st.column_config.NumberColumn(format="percent"),
    },
)  # fmt: skip
if a.carried:
    st.markdown("### What the records carry")
    table(
        pd.DataFrame([{"slot": k.slot, "stress": k.stress, "how": k.status, "why": k.text} for k in a.carried]),
        "carried",
    )  # fmt: skip
show_notes(a)
show_command(question)
st.caption(CAUTION)
