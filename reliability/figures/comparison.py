"""Two on the same footing: the ratio of their lives, and their curves."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import CompareAnswer
from reliability.figures.style import CLAY, DASHES, INK, SERIES, STONE, share_y, shots_x, style


def ratio_figure(a: CompareAnswer) -> Any:
    """The ratio with its bounds, against 1; red where the two are shown to differ."""
    name = f"{a.first.name} over {a.second.name}"
    frame = pd.DataFrame([{"label": name, "ratio": a.ratio, "lower": a.lower, "upper": a.upper}])
    domain = [0.9 * min(a.lower, 0.8), 1.1 * max(a.upper, 1.25)]
    colour = CLAY if a.shown else INK

    def x(field: str) -> Any:
        axis = alt.Axis(title="ratio of lives (1 = the same)", format="~g", tickCount=6)
        return alt.X(
            f"{field}:Q", scale=alt.Scale(type="log", domain=domain, nice=False), axis=axis
        )

    base = alt.Chart(frame).encode(y=alt.Y("label:N", title=None, axis=alt.Axis(labelLimit=220)))
    one = alt.Chart(pd.DataFrame({"one": [1.0]})).mark_rule(color=STONE, strokeDash=[3, 3])
    bar = base.mark_rule(strokeWidth=3, color=colour).encode(x=x("lower"), x2="upper:Q")
    mark = base.mark_point(filled=True, size=90, color=colour).encode(x=x("ratio"))
    return style(alt.layer(one.encode(x=x("one")), bar, mark), height=110)


def sides_figure(a: CompareAnswer) -> Any:
    """Share still good of each, without a family; not adjusted for stress."""
    rows = [
        (s.name, shots, survival)
        for s in (a.first, a.second)
        for shots, survival in ((0.0, 1.0), *((p.shots, p.survival) for p in s.empirical))
    ]
    names = [a.first.name, a.second.name]
    line = alt.Chart(pd.DataFrame(rows, columns=["name", "shots", "survival"])).mark_line(
        interpolate="step-after", strokeWidth=2
    )
    return style(
        line.encode(
            x=shots_x("shots"), y=share_y("survival"),
            color=alt.Color("name:N", scale=alt.Scale(domain=names, range=list(SERIES[:2])), title=None),
            strokeDash=alt.StrokeDash("name:N", scale=alt.Scale(domain=names, range=list(DASHES[:2])), title=None),
        ),
        height=280,
    )  # fmt: skip
