"""Builders: against the pool, their pull on it, their curves."""

from __future__ import annotations

import math
from typing import Any

import altair as alt

from reliability.ask.answers import BuilderLife, BuildersAnswer
from reliability.figures.steps import Steps, step_layers
from reliability.figures.style import (
    CLAY,
    INK,
    NEED_DASH,
    STONE,
    Line,
    along,
    domain_of,
    log_axis,
    named,
    names_y,
    share_y,
    shots_x,
    style,
    tips,
    uprights,
)
from reliability.words import shots_text

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
    builders, title = _shown(a)
    rows: list[dict[str, Any]] = [
        {
            "builder": f"{b.builder} ({b.failed:g} of {b.n:g})", "ratio": b.ratio, "lower": b.lower, "upper": b.upper,
            "alone": b.raw_ratio if math.isfinite(b.raw_ratio) and b.raw_ratio > 0 else None, "differs": b.differs, "p": b.p_adjusted,
        }
        for b in builders
    ]  # fmt: skip
    shown = [v for r in rows for v in (r["lower"], r["upper"], r["alone"]) if v]
    x = log_axis(alt.X, "ratio", "life against the pool", [*shown, 0.8, 1.25], "~g")
    low, high = domain_of(x)
    colour = alt.Color(
        "differs:N", scale=alt.Scale(domain=[False, True], range=[INK, CLAY]), legend=None
    )
    hover = ["builder", *tips("ratio", "lower", "upper", "alone", form=".2f"), *tips("p", form=".3f", p="p adjusted")]  # fmt: skip
    base = named("bounds", rows).encode(
        y=names_y("builder", [r["builder"] for r in rows]), tooltip=hover
    )
    chart = style(
        alt.layer(
            *uprights([Line("pool", 1.0, "pool", STONE, NEED_DASH)], x, (low, high)),
            base.mark_rule(strokeWidth=3).encode(x=along(x, "lower"), x2="upper:Q", color=colour),
            base.properties(name="shrunken").mark_point(filled=True, size=90, opacity=1).encode(x=x, color=colour),
            base.properties(name="alone").mark_point(size=60, color=STONE, shape="diamond").encode(x=along(x, "alone")),
        ),
        height=max(120, 32 * len(rows) + 40),
    )  # fmt: skip
    return _entitled(chart, title)


def influence_figure(a: BuildersAnswer) -> Any:
    """The pool's life with each builder left out."""
    builders, title = _shown(a)
    rows: list[dict[str, Any]] = [
        {"builder": f"without {b.builder}", "at": b.without_shots}
        for b in builders
        if math.isfinite(b.without_shots)
    ]
    values = [*(float(r["at"]) for r in rows), a.pool_shots]
    pad = 0.08 * max(values)
    domain = (min(values) - pad, max(values) + pad)
    x = shots_x("at", "shots", top=domain[1], low=domain[0])
    names = [str(r["builder"]) for r in rows] or ["none"]
    pool = Line("pool", a.pool_shots, f"whole pool {shots_text(a.pool_shots)}", CLAY, NEED_DASH)
    dots = named("without", rows or [{"builder": "none", "at": None}]).mark_point(
        filled=True, size=90, color=INK, opacity=1
    )
    chart = style(
        alt.layer(*uprights([pool], x, domain), dots.encode(x=x, y=names_y("builder", names), tooltip=["builder", *tips("at", at="shots")])),
        height=max(120, 32 * len(builders) + 40),
    )  # fmt: skip
    return _entitled(chart, title)


def curves_figure(a: BuildersAnswer) -> Any:
    """Survival of each builder's units without a family, as steps."""
    curves = [
        Steps(b.builder, 1.0, [(s.shots, s.survival) for s in b.empirical])
        for b in a.builders if b.empirical
    ]  # fmt: skip
    some = len(curves) < sum(b.failed > 0 for b in a.builders)
    title = f"Those of {len(a.builders)} builders that differ most" if some else ""
    shown = curves or [Steps("no builder with a failure", 1.0, [(0.0, 1.0)])]
    layers = step_layers(shown, shots_x("at"), share_y("y"), "builder")
    return style(_entitled(alt.layer(*layers), title))
