"""One flight module: survival from now on, promise and mission."""

from __future__ import annotations

import math
from typing import Any

import altair as alt

from reliability.ask.answers import FlightAnswer
from reliability.figures.module import frame_of, longest_run
from reliability.figures.style import (
    CLAY,
    NEED_DASH,
    PLUM,
    Frame,
    Line,
    band,
    curve_tags,
    hatched,
    level,
    share_y,
    shots_x,
    style,
    uprights,
)
from reliability.words import percent_text, shots_text


def flight_figure(a: FlightAnswer) -> Any:
    """Estimate and lower bound from now on; the promise where the bound meets the wanted survival; the mission.

    Framed on promise and mission. Hatched from where no unit of some slot has been run so long.
    """
    frame = frame_of(a.curve, upper=False)
    ends = [v for v in (a.mission_shots, a.promise.shots) if math.isfinite(v) and v > 0]
    top = min(float(max(frame.shots)), 1.35 * max(ends))
    shown = frame[frame.shots <= top]
    floor = _floor(min([a.promise.survival, *shown.lower.tolist()]))
    x = shots_x("at", "shots from now", top=top)
    y = share_y("y", "share of such modules still good", floor)
    runs = [longest_run(s.seen) - s.so_far for s in a.by_slot]
    known = [max(r, 0.0) for r in runs if math.isfinite(r)]
    spans = [(min(known), top)] if known else []
    layers = hatched(Frame((0.0, top), (floor, 1.0)), spans, x, y, "beyond the tests")
    p = a.promise
    layers += band(shown, x, y) + curve_tags(shown, x, y, a.confidence, fallen=0.65, promise=p.shots)  # fmt: skip
    layers += level(Line("wanted", p.survival, f"{percent_text(p.survival)} wanted", PLUM, NEED_DASH), y, right=False)  # fmt: skip
    lines = [
        Line("promise", p.shots, f"promise {shots_text(p.shots)}", CLAY),
        Line("mission", a.mission_shots, f"mission {shots_text(a.mission_shots)}", PLUM, NEED_DASH),
    ]
    layers += uprights(lines, x, (0.0, top))
    return style(alt.layer(*layers))


def _floor(lowest: float) -> float:
    """Where the axis of shares begins: below all that is shown, on a tenth, or finer near 100 %."""
    step = 0.1 if lowest < 0.95 else 0.01
    return max(0.0, step * math.floor((lowest - 0.2 * step) / step))
