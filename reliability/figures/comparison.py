"""Two on the same footing: the ratio of their lives, and their curves."""

from __future__ import annotations

from typing import Any

import altair as alt

from reliability.ask.answers import CompareAnswer
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


def ratio_figure(a: CompareAnswer) -> Any:
    """The ratio with its bounds, against 1; the bound's colour where the two are shown to differ."""
    r = a.ordered
    name = r.name
    rows = [{"label": name, "ratio": r.estimate, "lower": r.lower, "upper": r.upper}]
    x = log_axis(alt.X, "ratio", "ratio of lives", [r.lower, r.upper, 0.8, 1.25], "~g")
    colour = CLAY if a.shown else INK
    hover = tips("ratio", "lower", "upper", form=".2f")
    base = named("bounds", rows).encode(y=names_y("label", [name]), tooltip=hover)
    low, high = domain_of(x)
    return style(
        alt.layer(
            *uprights([Line("same", 1.0, "the same life", STONE, NEED_DASH)], x, (low, high)),
            base.mark_rule(strokeWidth=3, color=colour).encode(x=along(x, "lower"), x2="upper:Q"),
            base.properties(name="ratio").mark_point(filled=True, size=90, color=colour, opacity=1).encode(x=x),
        ),
        height=110,
    )  # fmt: skip


def sides_figure(a: CompareAnswer) -> Any:
    """Share still good of each, without a family; at the common voltage where the answer has it so."""
    curves = [
        Steps(f"{s.name}, {s.failed:g} of {s.n:g} failed", 1.0, [(p.shots, p.survival) for p in s.empirical] or [(0.0, 1.0)])
        for s in (a.first, a.second)
    ]  # fmt: skip
    x, y = shots_x("at"), share_y("y")
    return style(alt.layer(*step_layers(curves, x, y, "side")), height=260)
