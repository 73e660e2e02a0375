"""Life of units: share still good, and the probability plot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import LifeAnswer
from reliability.figures.module import frame_of, longest_run
from reliability.figures.style import (
    BAND,
    BOUND_DASH,
    CLAY,
    INK,
    MOSS,
    NEED_DASH,
    PLUM,
    STONE,
    Frame,
    Line,
    Tag,
    along,
    band,
    curve_tags,
    hatched,
    level,
    log_axis,
    named,
    share_y,
    shots_x,
    style,
    tag,
    tips,
    uprights,
)
from reliability.words import percent_text, shots_text

MARKS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8, 0.95, 0.99)
FOOT = -0.15
"""where the axis of shares begins: the strip below 0 shows the units themselves"""
FAILED_ROW, GOOD_ROW = -0.045, -0.11


def survival_figure(a: LifeAnswer) -> Any:
    """Fitted survival with its bounds, the steps without a family, and below them every unit as it was
    seen: failed at a count, failed between two counts, or still good. Hatched beyond the longest run."""
    run = longest_run(a.seen)
    top = 1.05 * max([r for r in (run, *a.curve.shots[-1:], 1.0) if math.isfinite(r)])
    x, y = shots_x("at", top=top), share_y("y", low=FOOT)
    y["axis"] = alt.Axis(format="%", values=[0, 0.2, 0.4, 0.6, 0.8, 1])
    spans = [(run, top)] if a.curve.shots and run < 0.97 * top else []
    layers = hatched(Frame((0.0, top), (0.0, 1.0)), spans, x, y, "beyond the tests")
    if a.curve.shots:
        frame = frame_of(a.curve)
        layers += band(frame, x, y) + curve_tags(frame, x, y, a.confidence, promise=a.quantiles[0].lower if a.quantiles else math.nan)  # fmt: skip
    if a.empirical:
        rows = [{"at": 0.0, "survival": 1.0}, *({"at": s.shots, "survival": s.survival} for s in a.empirical)]  # fmt: skip
        line = named("steps", rows).mark_line(
            interpolate="step-after", color=STONE, strokeWidth=1.3
        )
        layers.append(line.encode(x=x, y=along(y, "survival")))
    layers += _units(a, x, y)
    return style(alt.layer(*layers, *_wanted(a, x, y, top)))


def _wanted(a: LifeAnswer, x: Any, y: Any, top: float) -> list[Any]:
    """The share asked for first, and the life that it reaches."""
    if not a.quantiles:
        return []
    q = a.quantiles[0]
    share = percent_text(1 - q.fraction)
    lines = [
        Line("promise", q.lower, f"{share} last at least {shots_text(q.lower)}", CLAY),
        Line("life", q.shots, f"estimate {shots_text(q.shots)}", INK, NEED_DASH),
    ]
    wanted = Line("wanted", 1 - q.fraction, f"{share} still good", PLUM, NEED_DASH)
    return [*level(wanted, y), *uprights(lines, x, (0.0, top))]


def _units(a: LifeAnswer, x: Any, y: Any) -> list[Any]:
    """The units as they were seen, in two rows at the foot."""
    failed = [{"at": s.failed, "good": s.good, "row": FAILED_ROW} for s in a.seen if math.isfinite(s.failed)]  # fmt: skip
    between = [r for r in failed if r["good"] < r["at"]]
    good = [{"at": s.good, "row": GOOD_ROW} for s in a.seen if not math.isfinite(s.failed)]
    up = along(y, "row")
    out: list[Any] = []
    if between:
        bars = named("intervals", between).mark_rule(color=STONE, strokeWidth=3, opacity=0.4)
        hover = tips("good", "at", good="still good at", at="failed by")
        out.append(bars.encode(x=x, x2="good:Q", y=up, tooltip=hover))
    rows = (("failed", failed, "cross", CLAY, "failed"), ("good", good, "circle", MOSS, "still good"))  # fmt: skip
    for name, own, shape, colour, words in rows:
        if not own:
            continue
        mark = named(name, own).mark_point(
            shape=shape, filled=name == "failed", color=colour, size=32, opacity=0.85
        )
        out.append(mark.encode(x=x, y=up, tooltip=tips("at", at=words)))
        label = named(f"{name}_text", own[:1]).mark_text(align="left", dx=5, fontSize=11)
        out.append(label.encode(x=alt.value("width"), y=up, text=alt.value(words)))
    return out


def probability_figure(a: LifeAnswer) -> Any:
    """Failed share on the family's scale against log shots: a good fit is a straight line.

    The scale is a power of minus log survival (Weibull), or the normal or logistic score: a monotone
    redrawing of the shares in the answer.
    """
    at = [plotted(a.family, 1 - m) for m in MARKS]
    low, high = at[0] - 0.4, at[-1] + 0.3
    shots = [s for s in (*a.curve.shots, *(e.shots for e in a.empirical)) if s > 0] or [1.0, 10.0]
    x = log_axis(alt.X, "at", "shots on the unit (log)", shots)
    y = _paper(at, low, high)
    layers: list[Any] = []
    if a.curve.shots:
        layers += _lines(a, x, y, (low, high))
    points, before = [], 1.0
    for e in a.empirical:
        middle = clipped(a.family, 0.5 * (before + e.survival), low, high)
        points.append({"at": e.shots, "failed": middle, "share": 1 - 0.5 * (before + e.survival)})
        before = e.survival
    if points:
        dots = named("points", points).mark_point(color=STONE, filled=True, size=45, opacity=0.9)
        hover = [*tips("at", at="shots"), *tips("share", form=".1%", share="failed")]
        layers.append(dots.encode(x=x, y=along(y, "failed"), tooltip=hover))
    return style(alt.layer(*layers))


def _paper(at: Sequence[float], low: float, high: float) -> Any:
    """The upward axis of the family's paper, marked with shares failed."""
    names = " : ".join(f"abs(datum.value - {v:.5f}) < 1e-4 ? '{100 * m:g}%'" for v, m in zip(at, MARKS, strict=True))  # fmt: skip
    axis = alt.Axis(title="share failed", values=[float(f"{v:.5f}") for v in at], labelExpr=names + " : ''")  # fmt: skip
    return alt.Y("y:Q", axis=axis, scale=alt.Scale(domain=[low, high], nice=False))


def _lines(a: LifeAnswer, x: Any, y: Any, frame: tuple[float, float]) -> list[Any]:
    """Fit and bounds on the paper."""
    low, high = frame
    c, f = a.curve, a.family
    rows = pd.DataFrame({
        "at": c.shots,
        "estimate": [clipped(f, s, low, high) for s in c.estimate],
        "lower": [clipped(f, s, low, high, edge=True) for s in c.lower],
        "upper": [clipped(f, s, low, high, edge=True) for s in c.upper],
    })  # fmt: skip
    out = [
        named("band", rows).mark_area(color=BAND, opacity=0.3).encode(x=x, y=along(y, "upper"), y2="lower:Q"),
        named("estimate", rows).mark_line(color=INK, strokeWidth=2.5).encode(x=x, y=along(y, "estimate")),
        named("lower", rows).mark_line(color=CLAY, strokeDash=list(BOUND_DASH), strokeWidth=2).encode(x=x, y=along(y, "lower")),
    ]  # fmt: skip
    drawn = rows.dropna(subset=["estimate"])
    if len(drawn):
        last = drawn.iloc[len(drawn) // 2]
        out.append(tag(Tag("family", a.family, float(last["at"]), float(last["estimate"]), lift=12), x, y))  # fmt: skip
    return out


def plotted(family: str, survival: float) -> float:
    """Where a survival stands on the family's probability scale."""
    s = min(max(survival, 1e-12), 1 - 1e-12)
    if family == "lognormal":
        return NormalDist().inv_cdf(1 - s)
    if family == "loglogistic":
        return math.log((1 - s) / s)
    return math.log(-math.log(s))


def clipped(
    family: str, survival: float, low: float, high: float, edge: bool = False
) -> float | None:
    """The same within the plot: beyond it nothing, or for a band's edge the plot's edge."""
    w = plotted(family, survival)
    if edge:
        return min(max(w, low), high)
    return w if low <= w <= high else None
