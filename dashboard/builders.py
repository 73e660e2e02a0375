"""Builders: do their data agree, who moves the pool, and how sound are the contributions?"""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from dashboard.shared import (
    all_records,
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
from reliability.decisions.builders import BuildersAnswer, builders
from reliability.notes import BadInput, CannotAnswer
from reliability.sheets.quality import findings
from reliability.words import p_text


@st.cache_resource(max_entries=32, show_spinner="Comparing builders …")
def solve(
    key: tuple[str, str], chosen: dict[str, list[str]], confidence: float
) -> BuildersAnswer | str:
    """Builders answer for a choice of records, or why there is none."""
    records = chosen_records(key, chosen)
    try:
        return builders(records, confidence=confidence)
    except (CannotAnswer, BadInput) as e:
        return str(e)


@st.cache_resource(max_entries=8, show_spinner=False)
def curves(key: tuple[str, str], chosen: dict[str, list[str]]) -> Any:
    """Each builder's curve without a family."""
    kept = chosen_records(key, chosen)
    return figures.group_figure(kept, kept.builder)


@st.cache_resource(max_entries=4, show_spinner="Looking at the data …")
def soundness(key: tuple[str, str]) -> list[dict[str, str]]:
    """What looks odd in each builder's records beside the others'."""
    records = all_records(*key)
    out = []
    for name in sorted(set(records.builder.tolist())):
        own = records.select(records.builder == name)
        rest = records.select(records.builder != name)
        out += [
            {"builder": name, "severity": f.severity, "finding": f.text}
            for f in findings(own, rest)
        ]
    return out


top = title("Builders")
records, key = records_or_stop()
kept, chosen = filters(records)
confidence = st.select_slider(
    "Confidence (one-sided)",
    [0.8, 0.9, 0.95, 0.99],
    value=0.95,
    key="confidence",
    bind="query-params",
)
a = solve(key, chosen, float(confidence))
if isinstance(a, str):
    answer("There is nothing to compare yet.", top)
    st.info(plain_text(a))
else:
    answer(a.sentence, top)
    left, right = st.columns(2)
    with left:
        st.markdown("### Life against the pool")
        chart(
            figures.forest_figure(a),
            "forest",
            "Shrunken ratio with one-sided bounds (bar); open mark: the builder's data alone. Red: differs (Holm).",
        )
    with right:
        st.markdown("### Who moves the pool?")
        chart(
            figures.influence_figure(a),
            "influence",
            f"Life that {1 - a.fraction:.0%} reach, with each builder left out; the line is the whole pool.",
        )
    st.markdown("### Curves per builder")
    chart(
        curves(key, chosen),
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
    table(pd.DataFrame(rows), "builder", {
            **{k: st.column_config.NumberColumn(format="%.2f") for k in ("ratio", "lower", "upper")},
            **{k: st.column_config.NumberColumn(format="%,.0f") for k in ("shots", "against pool", "pool without")},
            **{k: st.column_config.NumberColumn(format="%.3f") for k in ("p", "p adjusted")},
        })  # fmt: skip
    tests = f"One scale for all: {p_text(a.same_life_p)} (likelihood ratio, simulated)"
    if a.log_rank is not None and a.log_rank_early is not None:
        tests += f"; log-rank, not adjusted: {p_text(a.log_rank.p)}, weighted to early failures {p_text(a.log_rank_early.p)}"
    st.caption(tests + f". Adjusted for: {', '.join(a.stress) or 'nothing'}.")
    show_notes(a.notes)
st.markdown("### How sound are the data?")
found = soundness(key)
if found:
    table(pd.DataFrame(found), "quality")
else:
    st.caption("Nothing looks odd.")
