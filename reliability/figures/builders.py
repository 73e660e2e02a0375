"""Builders: against the pool, their pull on it, their curves."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import BuildersAnswer
from reliability.figures.style import CLAY, DASHES, INK, SERIES, STONE, share_y, shots_x, style


def forest_figure(a: BuildersAnswer) -> Any:
    """Builders' lives relative to the pool, with one-sided bounds; open mark: their own data alone."""
    rows = [{k: v for k, v in vars(b).items() if k != "empirical"} for b in a.builders]
    frame = pd.DataFrame(rows)
    frame["label"] = [f"{b.builder} ({b.failed:g} of {b.n:g})" for b in a.builders]
    y = alt.Y("label:N", sort=None, title=None, axis=alt.Axis(labelLimit=220, labelOverlap=False))
    known = [
        v for b in a.builders for v in (b.lower, b.upper, b.raw_ratio) if v > 0 and math.isfinite(v)
    ]
    domain = [0.9 * min([*known, 0.8]), 1.1 * max([*known, 1.25])]
    ticks = [
        t for t in (0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 5, 10) if domain[0] <= t <= domain[1]
    ]

    def x(field: str) -> Any:
        axis = alt.Axis(title="life against the pool (1 = the same)", values=ticks, format="~g")
        scale = alt.Scale(type="log", domain=domain, nice=False)
        return alt.X(f"{field}:Q", scale=scale, axis=axis)

    colour = alt.Color(
        "differs:N", scale=alt.Scale(domain=[False, True], range=[INK, CLAY]), legend=None
    )
    tips = ["builder", *(alt.Tooltip(f"{k}:Q", format=".2f") for k in ("ratio", "lower", "upper")), alt.Tooltip("p_adjusted:Q", format=".3f")]  # fmt: skip
    base = alt.Chart(frame).encode(y=y)
    one = alt.Chart(pd.DataFrame({"one": [1.0]})).mark_rule(color=STONE, strokeDash=[3, 3])
    return style(
        alt.layer(
            one.encode(x=x("one")),
            base.mark_rule(strokeWidth=3).encode(
                x=x("lower"), x2="upper:Q", color=colour, tooltip=tips
            ),
            base.mark_point(filled=True, size=90).encode(x=x("ratio"), color=colour, tooltip=tips),
            base.mark_point(size=60, color=STONE, shape="diamond").encode(x=x("raw_ratio")),
        ),
        height=max(120, 44 * len(frame)),
    )


def influence_figure(a: BuildersAnswer) -> Any:
    """The pool's life with each builder left out."""
    rows = [
        (f"without {b.builder}", b.without_shots)
        for b in a.builders
        if math.isfinite(b.without_shots)
    ]
    frame = pd.DataFrame(rows or [("none", a.pool_shots)], columns=["builder", "shots"])
    values = [*frame.shots, a.pool_shots]
    pad = 0.08 * max(values)
    x = alt.X("shots:Q", scale=alt.Scale(domain=[min(values) - pad, max(values) + pad], nice=False),
              axis=alt.Axis(title="shots", format=",.0f", tickCount=5))  # fmt: skip
    y = alt.Y("builder:N", sort=None, title=None, axis=alt.Axis(labelLimit=220, labelOverlap=False))
    dots = alt.Chart(frame).mark_point(filled=True, size=90, color=INK).encode(
        x=x, y=y, tooltip=["builder", alt.Tooltip("shots:Q", format=",.0f")]
    )  # fmt: skip
    pool = pd.DataFrame({"shots": [a.pool_shots]})
    rule = alt.Chart(pool).mark_rule(color=CLAY, strokeDash=[6, 3]).encode(x=x)
    return style(alt.layer(rule, dots), height=max(120, 44 * len(a.builders)))


def curves_figure(a: BuildersAnswer) -> Any:
    """Survival of each builder's units without a family, as steps."""
    rows = []
    for b in a.builders:
        if b.empirical:
            rows += [
                (b.builder, 0.0, 1.0),
                *((b.builder, s.shots, s.survival) for s in b.empirical),
            ]
    frame = pd.DataFrame(rows, columns=["builder", "shots", "survival"])
    names = sorted(set(frame.builder.tolist()))
    return style(
        alt.Chart(frame)
        .mark_line(interpolate="step-after", strokeWidth=2)
        .encode(
            x=shots_x("shots"), y=share_y("survival"),
            color=alt.Color("builder:N", scale=alt.Scale(domain=names, range=SERIES), title=None),
            strokeDash=alt.StrokeDash("builder:N", scale=alt.Scale(domain=names, range=DASHES), title=None),
        )
    )  # fmt: skip
