"""Test plans: those that show a life, those that narrow an estimate."""

from __future__ import annotations

import math
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import DemonstrationAnswer, LearningAnswer
from reliability.figures.style import BAND, CLAY, INK, SERIES, STONE, style


def demonstration_figure(a: DemonstrationAnswer) -> Any:
    """Plans that show the same: bench days against the chance to pass (or units, without one)."""
    frame = pd.DataFrame(
        [{**{k: v for k, v in vars(p).items() if k != "stretches"}, "volts": p.volts} for p in a.plans or (a.best,)]
    )  # fmt: skip
    known = any(math.isfinite(p.pass_estimated) for p in a.plans)
    percent = alt.Axis(format="%")
    y = (
        alt.Y(
            "pass_estimated:Q", title="chance to pass", axis=percent, scale=alt.Scale(domain=[0, 1])
        )
        if known
        else alt.Y("units:Q", title="units")
    )
    frame["allowed"] = [f"{p.failures_allowed} may fail" for p in a.plans]
    names = sorted(frame.allowed.unique())
    x = alt.X("bench_days:Q", title="bench days")
    dots = alt.Chart(frame).mark_point(size=80, filled=True).encode(
        x=x, y=y,
        color=alt.Color("allowed:N", scale=alt.Scale(domain=names, range=SERIES), title=None),
        shape=alt.Shape("allowed:N", scale=alt.Scale(domain=names, range=["circle", "square", "triangle-up", "diamond"]), title=None),
        tooltip=["units", alt.Tooltip("shots_each:Q", format=",.0f"), "volts", "failures_allowed",
                 alt.Tooltip("bench_days:Q", format=".2f"), alt.Tooltip("cost:Q", format=",.0f"),
                 alt.Tooltip("pass_estimated:Q", format=".0%")],
    )  # fmt: skip
    layers: list[Any] = []
    if known:
        bar = alt.Chart(frame).mark_rule(color=BAND, strokeWidth=1.5)
        layers.append(bar.encode(x=x, y=alt.Y("pass_pessimistic:Q"), y2="pass_optimistic:Q"))
    layers.append(dots)
    asked = pd.DataFrame([{
        "bench_days": a.bench_days, "units": a.units, "pass_estimated": a.pass_estimated,
        "text": f"{'best' if a.recommended else 'likeliest'}: {a.units} units",
    }])  # fmt: skip
    mark = alt.Chart(asked).encode(x=x, y=y)
    layers += [
        mark.mark_point(size=230, color=INK, strokeWidth=2),
        mark.mark_text(dy=-16, fontSize=12, color=INK).encode(text="text:N"),
    ]
    return style(alt.layer(*layers), height=340)


def learning_figure(a: LearningAnswer) -> Any:
    """Plans that estimate: shots each against how far the bound lies below the estimate; the best named."""
    plans = [(p, "plan") for p in a.plans]
    if a.equal is not None:
        plans.append((a.equal, "equal allocation"))
    rows = [
        {
            "first": p.shots[0], "factor": p.factor, "kind": kind, "label": "/".join(map(str, p.units)),
            "where": "/".join(f"{v:g}" for v in p.levels), "bench_days": p.bench_days, "failures": p.failures,
        }
        for p, kind in plans if math.isfinite(p.factor)
    ]  # fmt: skip
    frame = pd.DataFrame(rows)
    domain = ["plan", "equal allocation"]
    x = alt.X(
        "first:Q",
        title="shots each",
        axis=alt.Axis(format=",.0f", tickCount=6),
        scale=alt.Scale(zero=False),
    )
    y = alt.Y(
        "factor:Q", title="estimate / lower bound (1 is perfect)", scale=alt.Scale(zero=False)
    )
    dots = alt.Chart(frame).mark_point(size=90, filled=True).encode(
        x=x, y=y,
        color=alt.Color("kind:N", scale=alt.Scale(domain=domain, range=[INK, CLAY]), title=None),
        shape=alt.Shape("kind:N", scale=alt.Scale(domain=domain, range=["circle", "diamond"]), title=None),
        tooltip=[alt.Tooltip("where", title="levels"), alt.Tooltip("label", title="units"),
                 alt.Tooltip("factor:Q", format=".2f"), alt.Tooltip("bench_days:Q", format=".2f"),
                 alt.Tooltip("failures:Q", format=".1f")],
    )  # fmt: skip
    best = pd.DataFrame([{"first": a.best.shots[0], "factor": a.best.factor, "text": "best"}])
    mark = alt.Chart(best).encode(x=x, y=y)
    ring = mark.mark_point(size=260, color=STONE, strokeWidth=2)
    return style(alt.layer(dots, ring, mark.mark_text(dy=-16, fontSize=12, color=STONE).encode(text="text:N")), height=340)  # fmt: skip
