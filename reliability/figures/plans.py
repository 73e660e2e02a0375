"""Test plans: those that show a life, those that narrow an estimate."""

from __future__ import annotations

import math
from typing import Any

import altair as alt

from reliability.ask.answers import DemonstrationAnswer, LearningAnswer, NextTestAnswer
from reliability.figures.style import (
    BAND,
    CLAY,
    INK,
    SERIES,
    STONE,
    Line,
    Tag,
    along,
    level,
    named,
    style,
    tag,
    tips,
)
from reliability.words import bench_text

SHAPES = ["circle", "square", "triangle-up", "triangle-down", "cross"]


def demonstration_figure(a: DemonstrationAnswer) -> Any:
    """Plans that show the same life: bench days against the chance to pass (or units, without one).

    The plan of the sentence carries a diamond and its name; the bars run from pessimistic to optimistic life.
    """
    plans = a.plans or (a.best,)
    rows: list[dict[str, Any]] = [
        {
            "at": p.bench_days, "units": p.units, "shots_each": p.shots_each, "volts": p.volts, "cost": p.cost,
            "pass_estimated": p.pass_estimated, "pass_pessimistic": p.pass_pessimistic, "pass_optimistic": p.pass_optimistic,
            "allowed": f"{p.failures_allowed} may fail",
        }
        for p in plans
    ]  # fmt: skip
    known = math.isfinite(a.pass_estimated)
    x, y = _axes(a, rows, known)
    up = along(y, "pass_estimated" if known else "units")
    names = sorted({r["allowed"] for r in rows})
    hover = [
        "units", *tips("shots_each"), "volts", "allowed", *tips("at", form=",.2f", at="bench days"), *tips("cost"),
        *tips("pass_estimated", form=".0%", pass_estimated="chance to pass"),
    ]  # fmt: skip
    layers: list[Any] = []
    if known:
        bar = named("pass_range", rows).mark_rule(color=BAND, strokeWidth=1.5)
        layers.append(bar.encode(x=x, y=along(y, "pass_pessimistic"), y2="pass_optimistic:Q"))
        if a.recommended:
            layers += level(
                Line("even", 0.5, "passes as often as not", STONE, (3, 3)), y, right=False
            )
    dots = named("plans", rows).mark_point(size=70, filled=True, opacity=0.9)
    layers.append(
        dots.encode(
            x=x, y=up, tooltip=hover,
            color=alt.Color("allowed:N", scale=alt.Scale(domain=names, range=[SERIES[0], *SERIES[2:]]), legend=alt.Legend(title=None, columns=3)),
            shape=alt.Shape("allowed:N", scale=alt.Scale(domain=names, range=SHAPES[: max(1, len(names))]), legend=alt.Legend(title=None, columns=3)),
        )
    )  # fmt: skip
    best = {"at": a.bench_days, "units": a.units, "pass_estimated": a.pass_estimated}
    ring = named("best", [best]).mark_point(size=260, color=CLAY, strokeWidth=2.5, shape="diamond")
    text = f"{'recommended' if a.recommended else 'likeliest'}: {a.units} unit{'s' * (a.units != 1)}, {bench_text(a.bench_days)}"
    days = [r["at"] for r in (*rows, best)]
    left = a.bench_days > 0.5 * (min(days) + max(days))
    words = Tag("best_text", text, a.bench_days, a.pass_estimated if known else a.units, left, -16)
    return style(alt.layer(*layers, ring.encode(x=x, y=up), tag(words, x, y)), height=320)


def _axes(a: DemonstrationAnswer, rows: list[dict[str, Any]], known: bool) -> tuple[Any, Any]:
    x = alt.X("at:Q", title="bench days", axis=alt.Axis(format=",.3~g", tickCount=6), scale=alt.Scale(zero=False, padding=24))  # fmt: skip
    if not known:
        return x, alt.Y("y:Q", title="units")
    best = [v for r in rows for v in (r["pass_optimistic"], r["pass_estimated"])]
    top = max(v for v in (*best, a.pass_estimated, 0.02) if math.isfinite(v))
    axis = alt.Axis(format=".0%" if top > 0.1 else ".1%", tickCount=6)
    scale = alt.Scale(domain=[0, min(1.05, 1.2 * top)], nice=False)
    return x, alt.Y("y:Q", title="chance to pass", axis=axis, scale=scale)


def next_test_figure(a: NextTestAnswer) -> Any:
    """Tests of new units: bench days against what is promised once nothing has failed; the best named."""
    rows: list[dict[str, Any]] = [
        {"at": t.days, "promise": t.promise, "what": t.what, "shots": t.shots, "lasts": t.survives_it, "gain": t.gain_a_day}
        for t in a.tests
    ]  # fmt: skip
    x = alt.X("at:Q", title="bench days", axis=alt.Axis(format=",.3~g", tickCount=6), scale=alt.Scale(zero=False, padding=24))  # fmt: skip
    y = alt.Y("y:Q", title="promised then (shots)", axis=alt.Axis(format=",.0f", tickCount=6), scale=alt.Scale(zero=False, padding=24))  # fmt: skip
    hover = ["what", *tips("shots", "promise"), *tips("at", form=",.2f", at="bench days"), *tips("lasts", form=".0%", lasts="nothing fails"), *tips("gain", gain="gain a bench day")]  # fmt: skip
    up = along(y, "promise")
    dots = named("tests", rows).mark_point(size=80, filled=True, color=INK, opacity=0.8)
    ring = named("best", rows[:1]).mark_point(
        size=260, color=CLAY, strokeWidth=2.5, shape="diamond"
    )
    t, days = a.best, [r["at"] for r in rows]
    left = t.days > 0.5 * (min(days) + max(days))
    words = Tag("best_text", "recommended", t.days, t.promise, left, -16)
    now = level(Line("now", a.promise_now, "promised now", STONE, (3, 3)), y)
    layers = [
        *now,
        dots.encode(x=x, y=up, tooltip=hover),
        ring.encode(x=x, y=up, tooltip=hover),
        tag(words, x, y),
    ]
    return style(alt.layer(*layers), height=320)


def learning_figure(a: LearningAnswer) -> Any:
    """Plans that estimate: shots each against how far the bound lies below the estimate; the best named."""

    def row(p: Any) -> dict[str, Any]:
        return {
            "at": p.shots[0], "factor": p.factor, "units": "/".join(map(str, p.units)),
            "levels": "/".join(f"{v:g}" for v in p.levels) or "as tested", "days": p.bench_days, "failures": p.failures,
        }  # fmt: skip

    x = alt.X("at:Q", title="shots each", axis=alt.Axis(format=",.0f", tickCount=6), scale=alt.Scale(zero=False))  # fmt: skip
    y = alt.Y(
        "y:Q", title="estimate / lower bound (1 is perfect)", scale=alt.Scale(zero=False, padding=24)
    )  # fmt: skip
    hover = ["levels", "units", *tips("factor", "days", "failures", form=".2f", days="bench days", failures="failures expected")]  # fmt: skip
    up = along(y, "factor")
    dots = named("plans", [row(p) for p in a.plans if math.isfinite(p.factor)])
    layers = [dots.mark_point(size=80, filled=True, color=INK, opacity=0.8).encode(x=x, y=up, tooltip=hover)]  # fmt: skip
    marked = [("best", "recommended", a.best, CLAY, -14)]
    if a.equal is not None and math.isfinite(a.equal.factor):
        marked.append(("equal", "equal shares", a.equal, STONE, 16))
    ends = [p.shots[0] for p in (*a.plans, *(m[2] for m in marked))]
    for key, words, plan, colour, lift in marked:
        own = row(plan)
        ring = named(key, [own]).mark_point(size=260, color=colour, strokeWidth=2.5, shape="diamond")  # fmt: skip
        left = own["at"] > 0.5 * (min(ends) + max(ends))
        text = f"{words}: {own['units']} units at {own['levels']}"
        layers += [ring.encode(x=x, y=up, tooltip=hover), tag(Tag(f"{key}_text", text, own["at"], own["factor"], left, lift), x, y)]  # fmt: skip
    return style(alt.layer(*layers), height=320)
