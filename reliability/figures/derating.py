"""Derating: life against stress, the trade against impulse, residuals."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import DeratingAnswer, MissionAnswer
from reliability.figures.style import BAND, CLAY, INK, MOSS, PLUM, STONE, log_axis, style
from reliability.words import shots_text


def unit_of(column: str) -> str:
    """A column's name with its unit, for an axis."""
    name, _, unit = column.rpartition("_")
    known = {"V": "V", "C": "deg C", "A": "A", "J": "J", "Hz": "Hz"}
    text = f"{name} ({known[unit]})" if unit in known else column
    return text.replace("_", " ")


def life_stress_figure(a: DeratingAnswer) -> Any:
    """Life against stress: data, estimate, lower bound, required life and allowed level, named on the lines."""
    points = pd.DataFrame([vars(p) for p in a.curve])
    data = _seen(a)
    levels = [*points.level, *data.level]
    domain = [min(levels), max(levels)]
    pad = 0.03 * (domain[1] - domain[0] or 1)
    x = alt.X("level:Q", scale=alt.Scale(domain=[domain[0] - pad, domain[1] + pad], nice=False),
              axis=alt.Axis(title=unit_of(a.column), format=",.4~r"))  # fmt: skip
    shown = [*points.shots, *points.lower, *data.shots, a.shots]

    def y(field: str) -> Any:
        return log_axis(alt.Y, field, "shots", shown)

    layers = _outside(a.tested, points, x)
    tips = [
        alt.Tooltip("level:Q", format=",.4g"), alt.Tooltip("shots:Q", format=",.0f", title="estimate"),
        alt.Tooltip("lower:Q", format=",.0f", title="at least"),
    ]  # fmt: skip
    base = alt.Chart(points).encode(x=x, tooltip=tips)
    layers += [
        base.mark_line(color=INK, strokeWidth=2.5).encode(y=y("shots")),
        base.mark_line(color=CLAY, strokeDash=[6, 3], strokeWidth=2).encode(y=y("lower")),
    ]
    if len(data):
        layers.append(_marks(data, x, y("shots")))
    need = pd.DataFrame({"shots": [a.shots], "text": [f"required {shots_text(a.shots)}"]})
    rule = alt.Chart(need).encode(y=y("shots"))
    layers += [
        rule.mark_rule(color=PLUM, strokeDash=[2, 2], strokeWidth=1.5),
        rule.mark_text(align="left", dx=4, dy=-7, color=PLUM, fontSize=12).encode(x=alt.value(0), text="text:N"),
    ]  # fmt: skip
    if math.isfinite(a.allowed.level):
        frame = pd.DataFrame(
            {"level": [a.allowed.level], "text": [f"allowed {a.allowed.level:,.4g}"]}
        )
        upright = alt.Chart(frame).encode(x=x)
        layers += [
            upright.mark_rule(color=CLAY, strokeWidth=2),
            upright.mark_text(align="left", dx=5, baseline="top", color=CLAY, fontSize=12).encode(
                y=alt.value(2), text="text:N"
            ),
        ]
    return style(alt.layer(*layers), height=380)


def _seen(a: DeratingAnswer) -> pd.DataFrame:
    """The data: failures at their count (the middle of what is known), the others where last seen good."""
    rows = []
    for s in a.seen:
        failed = math.isfinite(s.failed)
        at = s.good if not failed or s.good == s.failed else math.sqrt(max(s.good, 1.0) * s.failed) if s.good > 0 else 0.5 * s.failed  # fmt: skip
        if at > 0:
            rows.append((s.level, at, "failed" if failed else "still good"))
    return pd.DataFrame(rows, columns=["level", "shots", "state"])


def _marks(data: pd.DataFrame, x: Any, y: Any) -> Any:
    domain = ["failed", "still good"]
    return alt.Chart(data).mark_point(size=40, opacity=0.75, color=STONE).encode(
        x=x, y=y,
        shape=alt.Shape("state:N", scale=alt.Scale(domain=domain, range=["circle", "triangle-up"]), title=None),
        fill=alt.Fill("state:N", scale=alt.Scale(domain=domain, range=[STONE, "transparent"]), title=None),
    )  # fmt: skip


def _outside(tested: tuple[float, float], points: pd.DataFrame, x: Any) -> list[Any]:
    """What lies outside the tests, shaded and named."""
    low, high = tested
    spans = [
        (p, q) for p, q in ((points.level.min(), low), (high, points.level.max())) if q > p + 1e-9
    ]
    if not spans:
        return []
    frame = pd.DataFrame(spans, columns=["level", "b"])
    frame["text"] = "outside the tests"
    frame["middle"] = 0.5 * (frame.level + frame.b)
    shade = alt.Chart(frame).mark_rect(color=STONE, opacity=0.12).encode(x=x, x2="b:Q")
    name = alt.Chart(frame).mark_text(color=STONE, fontSize=11, baseline="bottom").encode(
        x=alt.X("middle:Q"), y=alt.value(14), text="text:N"
    )  # fmt: skip
    return [shade, name]


def trade_figure(a: DeratingAnswer) -> Any:
    """Total impulse over the promised life against charge voltage; the largest within the tests named."""
    points = pd.DataFrame([vars(p) for p in a.curve])
    points["reach"] = ["outside the tests" if e else "tested" for e in points.extrapolated]
    points["part"] = [
        0 if p.level < a.tested[0] else 2 if p.level > a.tested[1] else 1 for p in a.curve
    ]
    x = alt.X("level:Q", scale=alt.Scale(zero=False, nice=False), axis=alt.Axis(title="charge voltage (V)", format=",.0f"))  # fmt: skip
    y = alt.Y("impulse_Ns:Q", axis=alt.Axis(title="impulse over promised life (N s)"))
    dash = alt.StrokeDash(
        "reach:N", scale=alt.Scale(domain=["tested", "outside the tests"], range=[[1, 0], [4, 4]]), title=None
    )  # fmt: skip
    layers = [
        alt.Chart(points)
        .mark_line(color=MOSS, strokeWidth=2.5)
        .encode(x=x, y=y, strokeDash=dash, detail="part:N")
    ]
    if a.best_total is not None:
        best = pd.DataFrame([vars(a.best_total)]).assign(text=f"{a.best_total.impulse_Ns:.3g} N s")
        mark = alt.Chart(best).encode(x=x, y=y)
        layers += [
            mark.mark_point(color=CLAY, size=120, filled=True, shape="diamond"),
            mark.mark_text(color=CLAY, dy=-12, fontSize=12).encode(text="text:N"),
        ]
    return style(alt.layer(*layers), height=280)


def mission_figure(a: MissionAnswer) -> Any:
    """Shots needed against shots promised over the charge voltage of the best plan's bank, and where they meet."""
    points = pd.DataFrame([vars(p) for p in a.curve]).rename(columns={"charge_V": "level"})
    span = [min([*points.level, a.tested[0]]), max([*points.level, a.tested[1]])]
    pad = 0.03 * (span[1] - span[0] or 0.1 * span[0])
    x = alt.X("level:Q", scale=alt.Scale(domain=[span[0] - pad, span[1] + pad], nice=False),
              axis=alt.Axis(title="charge voltage of the bank (V)", format=",.4~r"))  # fmt: skip
    shown = [*points.needed, *points.needed_most, *points.promised]

    def y(field: str) -> Any:
        return log_axis(alt.Y, field, "shots", shown)

    tips = [
        alt.Tooltip("level:Q", format=",.4g", title="volts"), alt.Tooltip("needed_most:Q", format=",.0f", title="needed at most"),
        alt.Tooltip("promised:Q", format=",.0f"), alt.Tooltip("margin:Q", format=".3g"),
        alt.Tooltip("energy_J:Q", format=".3g", title="J a shot"), alt.Tooltip("days:Q", format=".3g"),
    ]  # fmt: skip
    base = alt.Chart(points).encode(x=x, tooltip=tips)
    names = points[points.level == points.level.min()]
    layers = [
        *_outside(a.tested, points, x),
        base.mark_area(color=BAND, opacity=0.3).encode(y=y("needed"), y2="needed_most:Q"),
        base.mark_line(color=INK, strokeWidth=2.5).encode(y=y("needed_most")),
        base.mark_line(color=CLAY, strokeDash=[6, 3], strokeWidth=2.5).encode(y=y("promised")),
    ]
    for field, text, color in (("needed_most", "needed", INK), ("promised", "promised", CLAY)):
        label = alt.Chart(names.assign(text=text)).encode(x=x, y=y(field), text="text:N")
        layers.append(label.mark_text(align="left", dx=6, dy=-8, color=color, fontSize=12))
    meet = next((b.highest for b in a.banks if b.highest and b.highest.bank == a.best.bank), None)
    marked = [(a.best, f"largest margin, {a.best.margin:.2g} times")]
    if meet is not None and meet.charge_V != a.best.charge_V:
        marked.append((meet, f"they meet at {meet.charge_V:,.4g} V"))
    frame = pd.DataFrame(
        [{"level": p.charge_V, "promised": p.promised, "text": t} for p, t in marked]
    )
    mark = alt.Chart(frame).encode(x=x, y=y("promised"))
    layers += [
        mark.mark_point(color=PLUM, size=110, filled=True, shape="diamond"),
        mark.mark_text(color=PLUM, align="left", dx=9, dy=-9, fontSize=12).encode(text="text:N"),
    ]
    return style(alt.layer(*layers), height=380)


def residual_figure(a: DeratingAnswer) -> Any:
    """Standardised residuals where the family expects them: under the model they follow the line."""
    frame = pd.DataFrame([vars(r) for r in a.residuals])
    low, high = float(frame.residual.min()), float(frame.residual.max())
    x = alt.X("residual:Q", axis=alt.Axis(title="standardised residual of log life"))
    y = alt.Y("expected:Q", axis=alt.Axis(title="expected under the family"))
    line = alt.Chart(pd.DataFrame({"residual": [low, high], "expected": [low, high]})).mark_line(
        color=INK
    )
    dots = alt.Chart(frame).mark_point(color=STONE, filled=True, size=40)
    return style(alt.layer(line.encode(x=x, y=y), dots.encode(x=x, y=y)), height=280)
