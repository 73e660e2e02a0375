"""Colours, axes and the parts that several charts share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import altair as alt
import pandas as pd

from reliability.words import shots_text

INK = "#2a7bd1"  # the estimate
BAND = "#9dbdd3"
CLAY = "#ad4923"  # the bound that a promise rests on
MOSS = "#349f6d"
PLUM = "#7c628b"
STONE = "#8a8f97"  # data
SAND = "#a68814"
SERIES = [INK, CLAY, MOSS, PLUM, SAND, STONE]
DASHES = [[1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [4, 4], [10, 4]]


def style(chart: Any, height: int = 320) -> Any:
    """Size and letters of every chart."""
    return (
        chart.properties(height=height)
        .configure_axis(
            labelFontSize=12, titleFontSize=13, gridOpacity=0.35, titleFontWeight="normal"
        )
        .configure_legend(labelFontSize=12, titleFontSize=12, orient="bottom", labelLimit=260)
        .configure_view(strokeOpacity=0)
    )


def shots_x(field: str, title: str = "shots on the unit", top: float | None = None) -> Any:
    """A straight axis of shots from 0."""
    scale = alt.Scale(domain=[0, top], nice=False) if top else alt.Scale(zero=True)
    return alt.X(f"{field}:Q", axis=alt.Axis(title=title, format=",.0f", tickCount=6), scale=scale)


def log_ticks(low: float, high: float) -> list[float]:
    """Ticks of a log axis: 1, 2 and 5 of each decade, fewer over many decades."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    steps = (1, 2, 5) if last - first <= 3 else (1,)
    ticks = [s * 10.0**k for k in range(first, last + 1) for s in steps]
    return [t for t in ticks if low * 0.999 <= t <= high * 1.001]


def log_axis(channel: Any, field: str, title: str, values: Sequence[float]) -> Any:
    """A log axis with sensible ticks over these values."""
    known = [v for v in values if v > 0 and math.isfinite(v)] or [1.0, 10.0]
    low, high = min(known) * 0.9, max(known) * 1.1
    axis = alt.Axis(title=title, values=log_ticks(low, high), format=",.0f")
    return channel(
        f"{field}:Q", axis=axis, scale=alt.Scale(type="log", domain=[low, high], nice=False)
    )


def share_y(field: str, title: str = "share still good") -> Any:
    """A share of units, 0 to 100 %."""
    return alt.Y(
        f"{field}:Q", title=title, axis=alt.Axis(format="%"), scale=alt.Scale(domain=[0, 1])
    )


def band(frame: pd.DataFrame, x: Any, title: str = "share still good", tips: Sequence[Any] = ()) -> list[Any]:  # fmt: skip
    """Estimate as a line; band to its bounds, the lower edge dashed: what a promise rests on."""
    base = alt.Chart(frame).encode(x=x)
    y = share_y("lower", title)
    layers = []
    if frame.upper.notna().any():
        layers.append(base.mark_area(color=BAND, opacity=0.3).encode(y=y, y2="upper:Q"))
    layers += [
        base.mark_line(color=INK, strokeWidth=2.5).encode(y=share_y("estimate", title), tooltip=list(tips)),
        base.mark_line(color=CLAY, strokeDash=[6, 3], strokeWidth=2).encode(y=y, tooltip=list(tips)),
    ]  # fmt: skip
    return layers


def curve_tips() -> list[Any]:
    """What a survival curve says when pointed at."""
    return [
        alt.Tooltip("shots:Q", format=",.0f"),
        alt.Tooltip("estimate:Q", format=".1%", title="still good, estimate"),
        alt.Tooltip("lower:Q", format=".1%", title="at least"),
    ]


def upright(
    at: float, text: str, colour: str, dash: Sequence[int] = (1, 0), top: float = 1.0
) -> list[Any]:
    """A vertical line at a count, with its name written along it."""
    frame = pd.DataFrame({"shots": [at], "text": [f"{text} {shots_text(at)}"], "y": [top]})
    base = alt.Chart(frame).encode(x="shots:Q")
    return [
        base.mark_rule(color=colour, strokeDash=list(dash), strokeWidth=2),
        base.mark_text(align="left", dx=5, baseline="top", color=colour, fontSize=12).encode(
            y=alt.Y("y:Q"), text="text:N"
        ),
    ]


def level(at: float, text: str, colour: str, field: str = "y") -> list[Any]:
    """A horizontal line at a level, with its name at the right."""
    frame = pd.DataFrame({field: [at], "text": [text]})
    base = alt.Chart(frame).encode(y=f"{field}:Q")
    return [
        base.mark_rule(color=colour, strokeDash=[2, 2], strokeWidth=1.5),
        base.mark_text(align="right", dx=-4, dy=-7, color=colour, fontSize=12).encode(
            x=alt.value("width"), text="text:N"
        ),
    ]
