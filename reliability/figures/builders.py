"""Builders: against the pool, their pull on it, their curves."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import BuilderLife, BuildersAnswer
from reliability.figures.style import CLAY, DASHES, INK, SERIES, STONE, share_y, shots_x, style

MOST_ROWS = 40
"""builders that a picture shows"""


def _shown(a: BuildersAnswer) -> tuple[tuple[BuilderLife, ...], str]:
    """The builders that differ most, in their order, and a title that says so where it is not all."""
    if len(a.builders) <= MOST_ROWS:
        return a.builders, ""
    odd = sorted(a.builders, key=lambda b: b.p if math.isfinite(b.p) else 2.0)[:MOST_ROWS]
    kept = {b.builder for b in odd}
    title = f"The {MOST_ROWS} of {len(a.builders)} builders that differ most"
    return tuple(b for b in a.builders if b.builder in kept), title


def _entitled(chart: Any, title: str) -> Any:
    return chart.properties(title=alt.TitleParams(title, anchor="start")) if title else chart


def forest_figure(a: BuildersAnswer) -> Any:
    """Builders' lives relative to the pool, with one-sided bounds; open mark: their own data alone."""
    shown, title = _shown(a)
    rows = [{k: v for k, v in vars(b).items() if k != "empirical"} for b in shown]
    frame = pd.DataFrame(rows)
    frame["label"] = [f"{b.builder} ({b.failed:g} of {b.n:g})" for b in shown]
    y = alt.Y("label:N", sort=None, title=None, axis=alt.Axis(labelLimit=220, labelOverlap=False))
    known = [
        v for b in shown for v in (b.lower, b.upper, b.raw_ratio) if v > 0 and math.isfinite(v)
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
    layers = alt.layer(
        one.encode(x=x("one")),
        base.mark_rule(strokeWidth=3).encode(
            x=x("lower"), x2="upper:Q", color=colour, tooltip=tips
        ),
        base.mark_point(filled=True, size=90).encode(x=x("ratio"), color=colour, tooltip=tips),
        base.mark_point(size=60, color=STONE, shape="diamond").encode(x=x("raw_ratio")),
    )
    return style(_entitled(layers, title), height=max(120, 44 * len(frame)))


def influence_figure(a: BuildersAnswer) -> Any:
    """The pool's life with each builder left out."""
    shown, title = _shown(a)
    rows = [
        (f"without {b.builder}", b.without_shots) for b in shown if math.isfinite(b.without_shots)
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
    return style(_entitled(alt.layer(rule, dots), title), height=max(120, 44 * len(frame)))


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
    some = len(names) < sum(b.failed > 0 for b in a.builders)
    title = f"Those of {len(a.builders)} builders that differ most" if some else ""
    return style(
        _entitled(alt.Chart(frame)
        .mark_line(interpolate="step-after", strokeWidth=2)
        .encode(
            x=shots_x("shots"), y=share_y("survival"),
            color=alt.Color("builder:N", scale=alt.Scale(domain=names, range=SERIES), title=None),
            strokeDash=alt.StrokeDash("builder:N", scale=alt.Scale(domain=names, range=DASHES), title=None),
        ), title)
    )  # fmt: skip
