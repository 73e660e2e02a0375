"""Life curves: survival and probability plot of the units in one slot."""

from __future__ import annotations

import numpy as np
import pandas as pd
import streamlit as st
from reliability.decisions.curves import LifeCurves, life_curves

from dashboard.shared import (
    answer,
    chart,
    chosen_records,
    filters,
    options,
    records_or_stop,
    settings,
    show_notes,
    table,
    title,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.decisions.life import LifeAnswer, life
from reliability.notes import CannotAnswer


@st.cache_resource(max_entries=32, show_spinner="Fitting and calibrating …")
def solve(
    key: tuple[str, str], chosen: dict[str, list[str]], family: str, mode: str, confidence: float
) -> tuple[LifeAnswer | None, LifeCurves, str]:
    """Life answer and curves for a choice of records."""
    records = chosen_records(key, chosen)
    curves = life_curves(records, family, mode=mode, confidence=confidence)
    try:
        return life(records, family, mode=mode, confidence=confidence, check_fit=False), curves, ""
    except CannotAnswer as e:
        partial = e.partial if isinstance(e.partial, LifeAnswer) else None
        return partial, curves, str(e)


top = title("Life curves")
records, key = records_or_stop()
kept, chosen = filters(records)
family, confidence = settings()
modes = options(kept.mode[kept.failed].tolist())
mode = st.selectbox("Failure mode", ["all failures", *modes], key="mode", bind="query-params")
a, curves, problem = solve(
    key, chosen, family, "" if mode == "all failures" else str(mode), confidence
)
if a is not None:
    answer(a.sentence, top)
if problem:
    st.warning(plain_text(problem))
if curves.shots.size or curves.empirical is not None:
    left, right = st.columns(2)
    with left:
        st.markdown("### Share still good")
        chart(
            figures.survival_figure(curves),
            "survival",
            "Fit (solid), band of one-sided bounds, lower bound (dashed), data without a family "
            "(grey steps), units still good (ticks at the foot).",
        )
    with right:
        st.markdown("### Probability plot")
        chart(
            figures.probability_figure(curves),
            "probability",
            f"Share failed on the {family} scale: if the family fits, the points follow the line.",
        )
st.markdown("### Families compared")
table(
    pd.DataFrame(
        [
            {
                "family": s.family,
                "log-likelihood": s.loglik,
                "AICc": s.aicc if np.isfinite(s.aicc) else None,
                "weight": s.weight,
                "why not": s.reason,
            }
            for s in curves.scores
        ]
    ),
    "family",
    {"weight": st.column_config.NumberColumn(format="percent")},
)
if curves.goodness is not None:
    st.caption(
        f"Goodness of fit of the {family}: Monte-Carlo p = {curves.goodness.p:.3f} "
        f"from {curves.goodness.draws} samples drawn from the fit."
    )
show_notes((a.notes if a else ()) + tuple(n for n in curves.notes if not a or n not in a.notes))
