"""Two on the same footing: the ratio of their lives, and their curves."""

from __future__ import annotations

from typing import Any

import altair as alt

from reliability.ask.answers import CompareAnswer, Side
from reliability.figures.steps import Steps, step_layers
from reliability.figures.style import (
    BOUND_DASH,
    CLAY,
    INK,
    NEED_DASH,
    PLUM,
    SERIES,
    STONE,
    Line,
    along,
    domain_of,
    level,
    log_axis,
    named,
    names_y,
    share_y,
    shots_x,
    style,
    tips,
    uprights,
)
from reliability.words import percent_text, shots_text


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
    """Share still good of each, without a family, at the voltage where the answer has it so; by voltage and by pool
    the slot's model besides. Colour tells the two apart; dashed are bounds. Upright: what is promised of each."""
    sides = (a.first, a.second)
    curves = [
        Steps(f"{s.name}, {s.failed:g} of {s.n:g} failed", 1.0, [(p.shots, p.survival) for p in s.empirical] or [(0.0, 1.0)])
        for s in sides
    ]  # fmt: skip
    top = 1.05 * max([s.lower for s in sides] + [at for c in curves for at, _ in c.points] + [1.0])
    x, y = shots_x("at", top=top), share_y("y")
    layers = [layer for i, s in enumerate(sides) for layer in _model(s, i, x, y)]
    if any(s.empirical for s in sides):
        layers += step_layers(curves, x, y, "side", solid=True)
    share = percent_text(1 - a.fraction)
    if a.moved or not a.at:
        lines = [
            Line(f"promise_{i}", s.lower, f"{s.name}: {share} last at least {shots_text(s.lower)}", SERIES[i], BOUND_DASH)
            for i, s in enumerate(sides)
        ]  # fmt: skip
        layers += uprights(lines, x, (0.0, top))
        layers += level(Line("wanted", 1 - a.fraction, f"{share} still good", PLUM, NEED_DASH), y)
    return style(alt.layer(*layers), height=260)


def _model(side: Side, i: int, x: Any, y: Any) -> list[Any]:
    """Survival of one of the two by the slot's model: as estimated, and its lower bound, dashed."""
    c = side.curve
    rows = [
        {"at": n, "estimate": e, "lower": low}
        for n, e, low in zip(c.shots, c.estimate, c.lower, strict=True)
    ]
    if not rows:
        return []
    hover = [*tips("at", at="shots"), *tips("estimate", "lower", form=".1%", lower="at least")]
    base = {"color": SERIES[i], "clip": True}
    return [
        named(f"estimate_{i}", rows).mark_line(strokeWidth=1.2, opacity=0.8, **base).encode(x=x, y=along(y, "estimate"), tooltip=hover),
        named(f"lower_{i}", rows).mark_line(strokeWidth=2, strokeDash=list(BOUND_DASH), **base).encode(x=x, y=along(y, "lower"), tooltip=hover),
    ]  # fmt: skip
