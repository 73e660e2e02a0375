"""Failure modes: share ended by each."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import ModesAnswer
from reliability.figures.style import DASHES, SERIES, shots_x, style


def incidence_figure(a: ModesAnswer) -> Any:
    """Probability to have failed by each mode, as steps with the mode's name at the end."""
    rows = []
    drawn = [m for m in a.modes if m.shares]
    for m in drawn:
        name = m.mode.replace("_", " ")
        rows += [(name, 0.0, 0.0), *((name, t, s) for t, s in zip(a.at, m.shares, strict=True))]
    frame = pd.DataFrame(rows, columns=["mode", "shots", "share"])
    names = [m.mode.replace("_", " ") for m in drawn]
    colour = alt.Color("mode:N", scale=alt.Scale(domain=names, range=SERIES), title=None)
    x = shots_x("shots", top=1.15 * max(a.at))
    y = alt.Y("share:Q", title="share of units ended by the mode", axis=alt.Axis(format="%"))
    lines = (
        alt.Chart(frame)
        .mark_line(interpolate="step-after", strokeWidth=2)
        .encode(
            x=x, y=y, color=colour,
            strokeDash=alt.StrokeDash("mode:N", scale=alt.Scale(domain=names, range=DASHES), title=None),
            tooltip=["mode", alt.Tooltip("shots:Q", format=",.0f"), alt.Tooltip("share:Q", format=".1%")],
        )
    )  # fmt: skip
    return style(lines)
