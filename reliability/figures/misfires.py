"""Misfires: mean count, and ignition voltage."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import IgnitionEffect, MisfireAnswer
from reliability.figures.style import BAND, INK, shots_x, style


def mean_count_figure(a: MisfireAnswer) -> Any:
    """Mean number of misfires a unit against shots, with limits."""
    frame = pd.DataFrame([vars(c) for c in a.curve])
    base = alt.Chart(frame).encode(x=shots_x("shots"))
    tips = [
        alt.Tooltip("shots:Q", format=",.0f"), alt.Tooltip("mean:Q", format=".2f"),
        alt.Tooltip("at_risk:Q", format=".0f", title="units watched"),
    ]  # fmt: skip
    y = alt.Y("lower:Q", title="mean misfires a unit")
    return style(
        alt.layer(
            base.mark_area(color=BAND, opacity=0.3, interpolate="step-after").encode(y=y, y2="upper:Q"),
            base.mark_line(color=INK, strokeWidth=2.5, interpolate="step-after").encode(y="mean:Q", tooltip=tips),
        )
    )  # fmt: skip


def ignition_figure(e: IgnitionEffect) -> Any:
    """Chance of a misfire a shot against ignition voltage, with limits."""
    frame = pd.DataFrame([vars(c) for c in e.curve])
    base = alt.Chart(frame).encode(
        x=alt.X("ignition_V:Q", title="ignition voltage (V)", scale=alt.Scale(zero=False))
    )
    y = alt.Y("lower:Q", title="chance of a misfire a shot", scale=alt.Scale(zero=False))
    tips = [alt.Tooltip("ignition_V:Q", format=",.0f"), *(alt.Tooltip(f"{k}:Q", format=".2e") for k in ("chance", "lower", "upper"))]  # fmt: skip
    return style(
        alt.layer(
            base.mark_area(color=BAND, opacity=0.3).encode(y=y, y2="upper:Q"),
            base.mark_line(color=INK, strokeWidth=2.5).encode(y="chance:Q", tooltip=tips),
        )
    )
