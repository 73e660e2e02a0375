"""A module: how many are still good, and what ends them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import ModuleAnswer
from reliability.figures.style import (
    CLAY,
    INK,
    STONE,
    band,
    curve_tips,
    level,
    shots_x,
    style,
    upright,
)


def module_figure(a: ModuleAnswer) -> Any:
    """Module survival with its bounds; the share that is promised and where the lower bound meets it."""
    c = a.curve
    frame = pd.DataFrame(
        {"shots": c.shots, "estimate": c.estimate, "lower": c.lower, "upper": c.upper}
    )
    x = shots_x("shots", "shots on the module", top=max(c.shots))
    wanted = 1 - a.life.fraction
    layers = band(frame, x, "share of modules still good", curve_tips())
    layers += level(wanted, f"{wanted:.0%} still good", STONE)
    layers += upright(a.life.lower, "at least", CLAY)
    if math.isfinite(a.life.shots):
        layers += upright(a.life.shots, "estimate", INK, (2, 2), 0.93)
    return style(alt.layer(*layers))


def ends_figure(names: Sequence[str], shares: Sequence[float]) -> Any:
    """Which slot ends the module, as bars; several units of one slot stand by themselves."""
    labels: list[str] = []
    for n in names:
        text = n.replace("_", " ")
        again = sum(k == text or k.startswith(f"{text} (") for k in labels)
        labels.append(f"{text} ({again + 1})" if again else text)
    known = [0.0 if s != s else s for s in shares]
    frame = pd.DataFrame({"slot": labels, "share": known})
    top = min(max(1.25 * max(known, default=0.0), 0.05), 1.0)
    base = alt.Chart(frame).encode(
        y=alt.Y("slot:N", sort=None, title=None, axis=alt.Axis(labelLimit=200, labelOverlap=False)),
        x=alt.X("share:Q", title="share of modules ended by the slot", axis=alt.Axis(format="%", tickCount=5),
                scale=alt.Scale(domain=[0, top])),
    )  # fmt: skip
    bars = base.mark_bar(color=INK, height=16)
    text = base.mark_text(align="left", dx=4, fontSize=12, color=STONE).encode(
        text=alt.Text("share:Q", format=".1%")
    )
    return style(alt.layer(bars, text), height=max(90, 34 * len(labels)))
