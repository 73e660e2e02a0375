"""Failure modes: share ended by each."""

from __future__ import annotations

from typing import Any

import altair as alt

from reliability.ask.answers import ModesAnswer
from reliability.figures.steps import Steps, step_layers
from reliability.figures.style import shots_x, style
from reliability.words import percent_text


def incidence_figure(a: ModesAnswer) -> Any:
    """Probability to have failed by each mode, as steps, each with its name and the share ended by it."""
    curves = [
        Steps(f"{m.mode.replace('_', ' ')} {percent_text(m.incidence)}", 0.0, list(zip(a.at, m.shares, strict=True)))
        for m in a.modes if m.shares
    ]  # fmt: skip
    x = shots_x("at", top=1.15 * max(a.at))
    y = alt.Y("y:Q", title="share of units ended by the mode", axis=alt.Axis(format="%"))
    return style(alt.layer(*step_layers(curves, x, y, "mode")))
