"""Misfires: mean count, and ignition voltage."""

from __future__ import annotations

from typing import Any

import altair as alt

from reliability.ask.answers import IgnitionEffect, MisfireAnswer
from reliability.figures.style import (
    BAND,
    INK,
    Tag,
    along,
    log_axis,
    named,
    shots_x,
    style,
    tag,
    tips,
)


def mean_count_figure(a: MisfireAnswer) -> Any:
    """Mean number of misfires a unit against shots, with limits."""
    rows: list[dict[str, Any]] = [
        {"at": c.shots, "mean": c.mean, "lower": c.lower, "upper": c.upper, "watched": c.at_risk}
        for c in a.curve
    ]
    x, y = shots_x("at"), alt.Y("y:Q", title="mean misfires a unit")
    hover = [
        *tips("at", at="shots"),
        *tips("mean", "lower", "upper", form=".2f"),
        *tips("watched", watched="units watched"),
    ]
    here = rows[2 * len(rows) // 3]
    text = f"mean; {here['watched']:.0f} units watched here"
    return style(
        alt.layer(
            named("band", rows).mark_area(color=BAND, opacity=0.3, interpolate="step-after").encode(x=x, y=along(y, "lower"), y2="upper:Q"),
            named("mean", rows).mark_line(color=INK, strokeWidth=2.5, interpolate="step-after").encode(x=x, y=along(y, "mean"), tooltip=hover),
            tag(Tag("mean_text", text, here["at"], here["mean"], left=True, lift=-12), x, y),
        )
    )  # fmt: skip


def ignition_figure(e: IgnitionEffect) -> Any:
    """Chance of a misfire a shot against ignition voltage, with limits."""
    rows: list[dict[str, Any]] = [
        {"at": c.ignition_V, "chance": c.chance, "lower": c.lower, "upper": c.upper}
        for c in e.curve
    ]
    x = alt.X("at:Q", title="ignition voltage (V)", axis=alt.Axis(format=",.0f", tickCount=7), scale=alt.Scale(zero=False, nice=False))  # fmt: skip
    shown = [v for r in rows for v in (r["lower"], r["upper"])]
    y = log_axis(alt.Y, "y", "chance of a misfire a shot", shown, ".2~%")
    hover = [
        *tips("at", at="ignition voltage (V)"),
        *tips("chance", "lower", "upper", form=".2~%"),
    ]
    return style(
        alt.layer(
            named("band", rows).mark_area(color=BAND, opacity=0.3).encode(x=x, y=along(y, "lower"), y2="upper:Q"),
            named("chance", rows).mark_line(color=INK, strokeWidth=2.5).encode(x=x, y=along(y, "chance"), tooltip=hover),
        )
    )  # fmt: skip
