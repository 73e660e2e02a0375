"""Builders: do their data agree, who moves the pool, and how sound are the contributions?"""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, read_address
from dashboard.head import beside, title
from dashboard.keeping import take_along
from dashboard.operating import voltage_adjusted_for
from dashboard.shared import (
    asked,
    built,
    chart,
    choices,
    folded,
    pool,
    pool_or_stop,
    show_notes,
    show_opinion,
    state,
    store,
    table,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.ask.answers import Builders, BuildersAnswer
from reliability.ask.records import odd_records
from reliability.words import p_text, percent_text

SPELT_OUT = 10
"""findings told in words, grave ones first; the rest are in a table"""


@st.cache_resource(max_entries=4, show_spinner="Looking at the data …")
def soundness(version: str) -> list[dict[str, str]]:
    """What looks odd in each builder's records beside the others', for a state of the store."""
    return odd_records(pool().records)


top = title("Builders")
read_address(Builders)
pool_or_stop(top)
c = Controls(Builders, choices())
wide, side = beside()
c.one(side, "slot", "Slot", "main_capacitor")
point = voltage_adjusted_for(c, side, "Lives at charge voltage (V)")
c.many(side, "part", "Parts")
c.many(side, "builder", "Builders")
c.confidence(side)
c.flag(side, "second_opinion", "Second opinion")
point.text(side.expander("As text"), "Lives at, such as charge_V=1400")
question = built(c, top, "There is nothing to compare yet.")
a = asked(question, top, "There is nothing to compare yet.")
assert isinstance(a, BuildersAnswer)
with wide:
    chart(
        figures.forest_figure(a),
        "forest",
        "Dot and bar: drawn towards the pool, with one-sided bounds. Open mark: that builder's data alone. Rust: differs (Holm).",
    )
left, right = st.columns(2)
with left:
    st.markdown("### Who moves the pool?")
    chart(
        figures.influence_figure(a),
        "influence",
        f"Life that {percent_text(1 - a.fraction)} reach, with each builder left out; the line is the whole pool.",
    )
with right:
    st.markdown("### Curves per builder")
    chart(
        figures.curves_figure(a),
        "curves",
        "Share still good, without a family (not adjusted for stress).",
    )
rows = [
    {
        "builder": b.builder, "units": b.n, "failed": b.failed, "ratio": b.ratio, "lower": b.lower, "upper": b.upper,
        "shots": b.shots, "against pool": b.difference_shots, "p": b.p, "p adjusted": b.p_adjusted,
        "pool without": b.without_shots,
    }
    for b in a.builders
]  # fmt: skip
table(pd.DataFrame(rows), "builder_life", {
        **{k: st.column_config.NumberColumn(format="%.2f") for k in ("ratio", "lower", "upper")},
        **{k: st.column_config.NumberColumn(format="%,.0f") for k in ("shots", "against pool", "pool without")},
        **{k: st.column_config.NumberColumn(format="%.3f") for k in ("p", "p adjusted")},
    })  # fmt: skip
tests = f"One scale for all: {p_text(a.same_life_p)} (likelihood ratio)"
if a.log_rank is not None and a.log_rank_early is not None:
    tests += f"; log-rank, not adjusted: {p_text(a.log_rank.p)}, weighted to early failures {p_text(a.log_rank_early.p)}"
st.caption(tests + f". Adjusted for: {', '.join(a.stress) or 'nothing'}.")
show_opinion(a)
show_notes(a)
take_along(a, question, store())
st.markdown("### How sound are the data?")
found = soundness(state())
found = sorted(found, key=lambda f: f["severity"] != "grave")
for f in found[:SPELT_OUT]:
    st.markdown(f"- {plain_text(f['builder'])} ({f['severity']}): {plain_text(f['finding'])}")
if len(found) > SPELT_OUT:
    with folded(f"{len(found) - SPELT_OUT} more"):
        table(pd.DataFrame(found[SPELT_OUT:]), "quality")
if not found:
    st.caption("Nothing looks odd.")
