"""Derating: life against stress, the trade against impulse, residuals."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import DeratingAnswer, MissionAnswer
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
    domain_of,
    hatched,
    level,
    log_axis,
    named,
    style,
    tag,
    tips,
    uprights,
)
from reliability.words import UNITS, level_text, percent_text, shots_text


def unit_of(column: str) -> str:
    """A column's name with its unit, for an axis."""
    name, _, unit = column.rpartition("_")
    if unit not in UNITS:
        return column.replace("_", " ")
    name = {"charge": "charge voltage", "temp": "temperature"}.get(name, name)
    return f"{name.replace('_', ' ')} ({UNITS[unit]})"


def life_stress_figure(a: DeratingAnswer) -> Any:
    """Life against stress: data, estimate, lower bound, required life and allowed level, named on the lines."""
    points = pd.DataFrame([vars(p) for p in a.curve]).rename(columns={"level": "at"})
    failed, good = _seen(a)
    span = _span([*points["at"], *(r["at"] for r in (*failed, *good)), *a.tested])
    x = _stress_x(a, span)
    shown = [*points.shots, *points.lower, *(r["shots"] for r in (*failed, *good)), a.shots]
    y = log_axis(alt.Y, "y", "shots", shown)
    low, high = domain_of(y)
    outside = [(span[0], a.tested[0]), (a.tested[1], span[1])]
    layers = hatched(Frame(span, (low, high), log=True), outside, x, y)
    layers += _marks(failed, good, x, y) + _curves(a, points, x, y)
    if math.isfinite(a.shots):
        need = Line("required", a.shots, f"required {shots_text(a.shots)}", PLUM, NEED_DASH)
        layers += level(need, y, right=False)
    allowed = Line("allowed", a.allowed.level, f"allowed {level_text(a.column, a.allowed.level)}", CLAY)  # fmt: skip
    layers += uprights([allowed], x, span)
    return style(alt.layer(*layers), height=340)


def _span(levels: list[float]) -> tuple[float, float]:
    known = [v for v in levels if math.isfinite(v)]
    pad = 0.03 * ((max(known) - min(known)) or 1.0)
    return min(known) - pad, max(known) + pad


def _stress_x(a: DeratingAnswer, span: tuple[float, float]) -> Any:
    axis = alt.Axis(title=unit_of(a.column), format=",.4~r", tickCount=7)
    return alt.X("at:Q", scale=alt.Scale(domain=list(span), nice=False), axis=axis)


def _curves(a: DeratingAnswer, points: pd.DataFrame, x: Any, y: Any) -> list[Any]:
    """Estimate and lower bound, each with its words: the one above at the left, the other below at the right."""
    hover = [
        *tips("at", form=",.4~r", at=unit_of(a.column)),
        *tips("shots", "lower", shots="estimate", lower="at least"),
    ]
    share = percent_text(a.survival)
    early, late = points.iloc[len(points) // 10], points.iloc[2 * len(points) // 3]
    return [
        named("estimate", points).mark_line(color=INK, strokeWidth=2.5).encode(x=x, y=along(y, "shots"), tooltip=hover),
        named("lower", points).mark_line(color=CLAY, strokeDash=list(BOUND_DASH), strokeWidth=2.5).encode(
            x=x, y=along(y, "lower"), tooltip=hover
        ),
        tag(Tag("estimate_text", f"{share} last this, estimate", float(early["at"]), float(early.shots)), x, y),
        tag(Tag("lower_text", f"at least ({percent_text(a.confidence)} sure)", float(late["at"]), float(late.lower), True, 11), x, y),
    ]  # fmt: skip


Rows = list[dict[str, float]]


def _seen(a: DeratingAnswer) -> tuple[Rows, Rows]:
    """The data: those that failed (at the middle of what is known), and those still good where last seen."""
    failed, good = [], []
    for s in a.seen:
        if not math.isfinite(s.failed):
            if s.good > 0:
                good.append({"at": s.level, "shots": s.good})
            continue
        middle = math.sqrt(s.good * s.failed) if s.good > 0 else 0.5 * s.failed
        failed.append(
            {"at": s.level, "shots": middle, "good": max(s.good, 0.1 * s.failed), "failed": s.failed}
        )  # fmt: skip
    return failed, good


def _marks(failed: Rows, good: Rows, x: Any, y: Any) -> list[Any]:
    up = along(y, "shots")
    out = []
    between = [r for r in failed if r["good"] < r["failed"]]
    if between:
        bars = named("intervals", between).mark_rule(color=STONE, strokeWidth=2, opacity=0.5)
        out.append(bars.encode(x=x, y=along(y, "good"), y2="failed:Q"))
    if failed:
        mark = named("failed", failed).mark_point(
            shape="cross", filled=True, color=CLAY, size=42, opacity=0.75
        )
        out.append(mark.encode(x=x, y=up, tooltip=tips("good", "failed", good="still good at", failed="failed by")))  # fmt: skip
    if good:
        mark = named("good", good).mark_point(
            shape="circle", filled=False, color=MOSS, size=36, opacity=0.85
        )
        out.append(mark.encode(x=x, y=up, tooltip=tips("shots", shots="still good at")))
    return out


def trade_figure(a: DeratingAnswer) -> Any:
    """Total impulse over the promised life against charge voltage; the largest within the tests named."""
    points = pd.DataFrame([vars(p) for p in a.curve]).rename(columns={"level": "at"})
    span = _span([*points["at"]])
    x = _stress_x(a, span)
    known = [v for v in points.impulse_Ns if math.isfinite(v)]
    top = 1.2 * max([*known, 1e-12])
    y = alt.Y("y:Q", axis=alt.Axis(title="impulse over promised life (N s)", tickCount=6, format="~g"),
              scale=alt.Scale(domain=[0, top], nice=False))  # fmt: skip
    layers = hatched(
        Frame(span, (0.0, top)), [(span[0], a.tested[0]), (a.tested[1], span[1])], x, y
    )
    hover = [
        *tips("at", form=",.4~r", at=unit_of(a.column)),
        *tips("impulse_Ns", form=".3~g", impulse_Ns="N s"),
    ]
    line = named("impulse", points).mark_line(color=MOSS, strokeWidth=2.5)
    layers.append(line.encode(x=x, y=along(y, "impulse_Ns"), tooltip=hover))
    best = a.best_total
    if best is not None:
        mark = named("best", [{"at": best.level, "impulse_Ns": best.impulse_Ns}])
        dot = mark.mark_point(color=CLAY, size=120, filled=True, shape="diamond", opacity=1)
        text = f"most: {best.impulse_Ns:.3g} N s at {level_text(a.column, best.level)}"
        left = best.level > 0.5 * (span[0] + span[1])
        layers += [
            dot.encode(x=x, y=along(y, "impulse_Ns")),
            tag(Tag("best_text", text, best.level, best.impulse_Ns, left, -12), x, y),
        ]
    return style(alt.layer(*layers), height=280)


def mission_figure(a: MissionAnswer) -> Any:
    """Shots needed against shots promised over the charge voltage of the best plan's bank, and where they meet."""
    rows = [{"at": p.charge_V, **{k: v for k, v in vars(p).items() if k in MISSION_TIPS}} for p in a.curve]  # fmt: skip
    span = _span([*(float(r["at"]) for r in rows), *a.tested])
    axis = alt.Axis(title="charge voltage of the bank (V)", format=",.4~r", tickCount=7)
    x = alt.X("at:Q", scale=alt.Scale(domain=list(span), nice=False), axis=axis)
    shown = [v for p in a.curve for v in (p.needed, p.needed_most, p.promised)]
    y = log_axis(alt.Y, "y", "shots", shown)
    hover = [*tips("at", form=",.4~r", at="volts"), *tips("needed_most", "promised", needed_most="needed at most"),
             *tips("margin", "energy_J", "days", form=".3~g", energy_J="J a shot")]  # fmt: skip
    outside = [(span[0], a.tested[0]), (a.tested[1], span[1])]
    first = rows[len(rows) // 10]
    words = (Tag("needed_text", "needed", first["at"], first["needed_most"]), Tag("promised_text", "promised", first["at"], first["promised"]))  # fmt: skip
    layers = [
        *hatched(Frame(span, domain_of(y), log=True), outside, x, y),
        named("needed", rows).mark_area(color=BAND, opacity=0.3).encode(x=x, y=along(y, "needed"), y2="needed_most:Q"),
        named("needed_most", rows).mark_line(color=INK, strokeWidth=2.5).encode(x=x, y=along(y, "needed_most"), tooltip=hover),
        named("promised", rows).mark_line(color=CLAY, strokeDash=list(BOUND_DASH), strokeWidth=2.5).encode(
            x=x, y=along(y, "promised"), tooltip=hover
        ),
        *(tag(t, x, y) for t in words),
    ]  # fmt: skip
    return style(alt.layer(*layers, *_met(a, x, y)), height=340)


MISSION_TIPS = ("needed", "needed_most", "promised", "margin", "energy_J", "days")


def _met(a: MissionAnswer, x: Any, y: Any) -> list[Any]:
    """The plan of the largest margin, and where needed and promised meet."""
    meet = next((b.highest for b in a.banks if b.highest and b.highest.bank == a.best.bank), None)
    marked = [("best", a.best, f"largest margin, {a.best.margin:.2g} times")]
    if meet is not None and meet.charge_V != a.best.charge_V:
        marked.append(("meet", meet, f"they meet at {level_text('charge_V', meet.charge_V)}"))
    out = []
    for key, p, text in marked:
        mark = named(key, [{"at": p.charge_V, "promised": p.promised}])
        dot = mark.mark_point(color=PLUM, size=110, filled=True, shape="diamond", opacity=1)
        out += [
            dot.encode(x=x, y=along(y, "promised")),
            tag(Tag(f"{key}_text", text, p.charge_V, p.promised), x, y),
        ]
    return out


def residual_figure(a: DeratingAnswer) -> Any:
    """Standardised residuals where the family expects them: under the model they follow the line."""
    rows = [{"at": r.residual, "expected": r.expected} for r in a.residuals]
    ends = [min(r["at"] for r in rows), max(r["at"] for r in rows)]
    x = alt.X("at:Q", axis=alt.Axis(title="standardised residual of log life"))
    y = alt.Y("y:Q", axis=alt.Axis(title="expected under the family"))
    line = named("model", [{"at": v, "y": v} for v in ends]).mark_line(color=INK)
    dots = named("residuals", rows).mark_point(color=STONE, filled=True, size=40)
    words = tag(Tag("model_text", "as the family expects", ends[0], ends[0], lift=-12), x, y)
    return style(alt.layer(line.encode(x=x, y=y), dots.encode(x=x, y=along(y, "expected")), words), height=280)  # fmt: skip
