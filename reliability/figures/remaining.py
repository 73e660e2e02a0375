"""Wear: paths to a limit, and shots left."""

from __future__ import annotations

import math
from typing import Any

import altair as alt

from reliability.ask.answers import WearAnswer
from reliability.figures.style import (
    CLAY,
    INK,
    NEED_DASH,
    STONE,
    Line,
    along,
    level,
    named,
    names_y,
    shots_x,
    style,
    tips,
)
from reliability.words import percent_text

MOST = 12
"""units that one picture holds, soonest first"""


def paths_figure(a: WearAnswer) -> Any:
    """Readings of each unit with its fitted path, dotted ahead, and the limit.

    A limit that is a factor of each unit's own start is drawn against readings as shares of that start, so
    that one line is the limit of every unit.
    """
    start = {p.unit: p.value for p in a.paths if p.shots == 0.0}
    relative = a.limit.relative and all(start.get(r.unit) for r in a.readings)

    def drawn(unit: str, value: float) -> float:
        return value / start[unit] if relative else value

    seen = [{"unit": r.unit, "shots": r.shots, "y": drawn(r.unit, r.value), "value": r.value} for r in a.readings]  # fmt: skip
    lines = [
        {"unit": p.unit, "shots": p.shots, "y": drawn(p.unit, p.value), "reach": "ahead" if p.ahead else "seen"}
        for p in a.paths
    ]  # fmt: skip
    x = shots_x("shots", top=max(float(p.shots) for p in a.paths))
    name = a.quantity.replace("_", " ")
    title = f"{name.rsplit(' ', 1)[0]}, share of each unit's start" if relative else name
    form = ".0%" if relative else "~g"
    y = alt.Y("y:Q", title=title, axis=alt.Axis(format=form), scale=alt.Scale(zero=False))
    dash = alt.StrokeDash("reach:N", scale=alt.Scale(domain=["seen", "ahead"], range=[[1, 0], [3, 3]]), legend=None)  # fmt: skip
    hover = ["unit", *tips("shots"), *tips("value", form=".4g", value=name)]
    layers = [
        named("paths", lines).mark_line(color=INK, opacity=0.4, strokeWidth=1.3).encode(x=x, y=y, detail="unit:N", strokeDash=dash),
        named("readings", seen).mark_point(color=STONE, filled=True, size=25, opacity=0.8).encode(x=x, y=y, tooltip=hover),
    ]  # fmt: skip
    at = a.limit.value if relative else a.limit_value
    text = "limit of a mean unit" if a.limit.relative and not relative else f"limit: {a.limit.name}"
    layers += level(Line("limit", at, text, CLAY, NEED_DASH), y)
    return style(alt.layer(*layers), height=340)


def remaining_figure(a: WearAnswer) -> Any:
    """Shots left of the soonest units with their lower prediction bound."""
    rows: list[dict[str, Any]] = [
        {"unit": u.unit, "estimate": u.estimate, "lower": u.lower, "so_far": u.so_far}
        for u in a.units if math.isfinite(u.estimate)
    ][:MOST]  # fmt: skip
    y = names_y("unit", [r["unit"] for r in rows])
    x = shots_x("estimate", f"shots left: estimate (dot), at least (tick, {percent_text(a.confidence)} sure)")  # fmt: skip
    hover = [
        "unit",
        *tips("so_far", "lower", "estimate", lower="at least, shots left", estimate="shots left"),
    ]
    base = named("left", rows).encode(y=y, tooltip=hover)
    low = along(x, "lower")
    return style(
        alt.layer(
            base.mark_rule(color=INK, strokeWidth=2).encode(x=low, x2="estimate:Q"),
            base.properties(name="estimate").mark_point(color=INK, filled=True, size=60, opacity=1).encode(x=x),
            base.properties(name="at_least").mark_tick(color=CLAY, thickness=3, size=14).encode(x=low),
        ),
        height=max(120, 25 * len(rows) + 40),
    )  # fmt: skip
