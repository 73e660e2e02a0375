"""Life of units: share still good, and the probability plot."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import LifeAnswer
from reliability.figures.style import STONE, band, curve_tips, shots_x, style

MARKS = (0.01, 0.05, 0.1, 0.2, 0.5, 0.8, 0.95, 0.99)


def survival_figure(a: LifeAnswer) -> Any:
    """Fitted survival with its band, the empirical steps, units still good and intervals at the foot."""
    layers: list[Any] = []
    ends = [s.good for s in a.seen] + [s.failed for s in a.seen if math.isfinite(s.failed)]
    top = 1.05 * max([*ends, *a.curve.shots[-1:], 1.0])
    x = shots_x("shots", top=top)
    if a.curve.shots:
        c = a.curve
        frame = pd.DataFrame(
            {"shots": c.shots, "estimate": c.estimate, "lower": c.lower, "upper": c.upper}
        )
        layers += band(frame, x, tips=curve_tips())
    if a.empirical:
        rows = [(0.0, 1.0), *((s.shots, s.survival) for s in a.empirical)]
        steps = pd.DataFrame(rows, columns=["shots", "survival"])
        layers.append(
            alt.Chart(steps)
            .mark_line(interpolate="step-after", color=STONE, strokeWidth=1.2)
            .encode(x=x, y=alt.Y("survival:Q", title="share still good", axis=alt.Axis(format="%")))
        )
    layers += _seen(a, x)
    return style(alt.layer(*layers))


def _seen(a: LifeAnswer, x: Any) -> list[Any]:
    """The data at the foot: failures as dots, intervals as bars, units still good as ticks."""
    good = [s.good for s in a.seen if not math.isfinite(s.failed)]
    exact = [s.failed for s in a.seen if s.failed == s.good]
    between = [(s.good, s.failed) for s in a.seen if s.good < s.failed < math.inf]
    out: list[Any] = []
    if good:
        frame = pd.DataFrame({"shots": good, "y": 0.02})
        tip = [alt.Tooltip("shots:Q", title="still good at", format=",.0f")]
        out.append(
            alt.Chart(frame)
            .mark_tick(color=STONE, thickness=1.2, size=12, opacity=0.7)
            .encode(x=x, y="y:Q", tooltip=tip)
        )
    if exact:
        frame = pd.DataFrame({"shots": exact, "y": 0.06})
        tip = [alt.Tooltip("shots:Q", title="failed at", format=",.0f")]
        out.append(
            alt.Chart(frame)
            .mark_point(color=STONE, filled=True, size=28)
            .encode(x=x, y="y:Q", tooltip=tip)
        )
    if between:
        frame = pd.DataFrame(between, columns=["shots", "by"]).assign(y=0.06)
        tip = [
            alt.Tooltip("shots:Q", title="good at", format=",.0f"),
            alt.Tooltip("by:Q", title="failed by", format=",.0f"),
        ]
        out.append(
            alt.Chart(frame)
            .mark_rule(color=STONE, strokeWidth=2)
            .encode(x=x, x2="by:Q", y="y:Q", tooltip=tip)
        )
    return out


def probability_figure(a: LifeAnswer) -> Any:
    """Failed share on the family's scale against log shots: a good fit is a straight line.

    The scale is a power of minus log survival (Weibull), or the normal or logistic score: a monotone
    redrawing of the shares in the answer.
    """
    low, high = plotted(a.family, 1 - MARKS[0]) - 0.4, plotted(a.family, 1 - MARKS[-1]) + 0.3
    at = [plotted(a.family, 1 - m) for m in MARKS]
    names = " : ".join(f"abs(datum.value - {v:.5f}) < 1e-4 ? '{100 * m:g}%'" for v, m in zip(at, MARKS, strict=True))  # fmt: skip
    axis = alt.Axis(title="share failed", values=[float(f"{v:.5f}") for v in at], labelExpr=names + " : ''")  # fmt: skip
    scale = alt.Scale(domain=[low, high])
    shots = [s for s in (*a.curve.shots, *(e.shots for e in a.empirical)) if s > 0] or [1.0, 10.0]
    x = alt.X(
        "shots:Q", scale=alt.Scale(type="log", domain=[min(shots) * 0.9, max(shots) * 1.1], nice=False),
        axis=alt.Axis(title="shots on the unit (log)", format=",.0f", tickCount=5),
    )  # fmt: skip
    layers: list[Any] = []
    if a.curve.shots:
        c = a.curve
        frame = pd.DataFrame({
            "shots": c.shots,
            "estimate": [clipped(a.family, s, low, high) for s in c.estimate],
            "lower": [clipped(a.family, s, low, high, edge=True) for s in c.lower],
            "upper": [clipped(a.family, s, low, high, edge=True) for s in c.upper],
        })  # fmt: skip
        base = alt.Chart(frame).encode(x=x)
        from reliability.figures.style import BAND, CLAY, INK

        layers += [
            base.mark_area(color=BAND, opacity=0.3).encode(y=alt.Y("upper:Q", axis=axis, scale=scale), y2="lower:Q"),
            base.mark_line(color=INK, strokeWidth=2.5).encode(y=alt.Y("estimate:Q", axis=axis, scale=scale)),
            base.mark_line(color=CLAY, strokeDash=[6, 3]).encode(y=alt.Y("lower:Q", axis=axis, scale=scale)),
        ]  # fmt: skip
    points, before = [], 1.0
    for e in a.empirical:
        points.append((e.shots, clipped(a.family, 0.5 * (before + e.survival), low, high)))
        before = e.survival
    if points:
        frame = pd.DataFrame(points, columns=["shots", "w"])
        layers.append(
            alt.Chart(frame).mark_point(color=STONE, filled=True, size=45, opacity=0.9)
            .encode(x=x, y=alt.Y("w:Q", axis=axis, scale=scale))
        )  # fmt: skip
    return style(alt.layer(*layers))


def plotted(family: str, survival: float) -> float:
    """Where a survival stands on the family's probability scale."""
    s = min(max(survival, 1e-12), 1 - 1e-12)
    if family == "lognormal":
        from statistics import NormalDist

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
