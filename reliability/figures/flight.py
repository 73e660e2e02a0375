"""One flight module: survival from now on, promise and mission."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import FlightAnswer
from reliability.figures.style import (
    CLAY,
    PLUM,
    STONE,
    band,
    curve_tips,
    level,
    shots_x,
    style,
    upright,
)


def flight_figure(a: FlightAnswer) -> Any:
    """Estimate and lower bound from now on; the promise where the bound meets the wanted survival; the mission."""
    c = a.curve
    frame = pd.DataFrame(
        {"shots": c.shots, "estimate": c.estimate, "lower": c.lower, "upper": None}
    )
    top = max(c.shots)
    low = min(min(c.lower), a.promise.survival) - 0.03
    floor = max(0.0, 0.1 * int(10 * low))
    x = shots_x("shots", "shots from now on", top=top)
    layers = band(frame, x, "chance to last so many shots", curve_tips())
    for layer in layers:
        layer.encoding.y.scale = alt.Scale(domain=[floor, 1.0], nice=False)
    layers += level(a.promise.survival, f"{a.promise.survival:.0%} wanted", STONE)
    layers += upright(a.promise.shots, "promise", CLAY, top=1.0)
    layers += upright(a.mission_shots, "mission", PLUM, (2, 2), top=floor + 0.06 * (1 - floor))
    return style(alt.layer(*layers))
