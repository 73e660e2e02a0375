"""Wear: paths to a limit, and shots left."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import WearAnswer
from reliability.figures.style import CLAY, INK, STONE, level, shots_x, style


def paths_figure(a: WearAnswer) -> Any:
    """Readings of each unit with its fitted path, dotted ahead, and the limit (of a mean unit, if relative)."""
    seen = pd.DataFrame([vars(r) for r in a.readings])
    lines = pd.DataFrame([vars(p) for p in a.paths])
    lines["reach"] = ["ahead" if v else "seen" for v in lines.ahead]
    x = shots_x("shots", top=float(lines.shots.max()))
    y = alt.Y("value:Q", title=a.quantity.replace("_", " "), scale=alt.Scale(zero=False))
    dash = alt.StrokeDash("reach:N", scale=alt.Scale(domain=["seen", "ahead"], range=[[1, 0], [3, 3]]), title=None)  # fmt: skip
    tips = ["unit", alt.Tooltip("shots:Q", format=",.0f"), alt.Tooltip("value:Q", format=".4g")]
    layers = [
        alt.Chart(lines).mark_line(color=INK, opacity=0.35, strokeWidth=1.3).encode(x=x, y=y, detail="unit:N", strokeDash=dash),
        alt.Chart(seen).mark_point(color=STONE, filled=True, size=25, opacity=0.8).encode(x=x, y=y, tooltip=tips),
    ]  # fmt: skip
    text = "limit of a mean unit" if a.limit.relative else "limit"
    layers += level(a.limit_value, text, CLAY, "value")
    return style(alt.layer(*layers), height=380)


def remaining_figure(a: WearAnswer, most: int = 25) -> Any:
    """Shots left of the soonest units with their lower prediction bound."""
    rows = [vars(u) for u in a.units if math.isfinite(u.estimate)][:most]
    frame = pd.DataFrame(rows or [{"unit": "none", "so_far": 0.0, "estimate": 0.0, "lower": 0.0}])
    y = alt.Y("unit:N", sort=None, title=None, axis=alt.Axis(labelLimit=240, labelOverlap=False))

    def x(field: str) -> Any:
        return alt.X(f"{field}:Q", axis=alt.Axis(title="shots left", format=",.0f", tickCount=5))

    tips = ["unit", alt.Tooltip("estimate:Q", format=",.0f", title="left"), alt.Tooltip("lower:Q", format=",.0f", title="at least")]  # fmt: skip
    base = alt.Chart(frame).encode(y=y, tooltip=tips)
    return style(
        alt.layer(
            base.mark_rule(color=INK, strokeWidth=2).encode(x=x("lower"), x2="estimate:Q"),
            base.mark_point(color=INK, filled=True, size=60).encode(x=x("estimate")),
            base.mark_tick(color=CLAY, thickness=2.5, size=14).encode(x=x("lower")),
        ),
        height=max(120, 22 * len(frame)),
    )
