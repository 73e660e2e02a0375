"""A module: how many are still good, and what ends them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import ModuleAnswer
from reliability.figures.style import (
    CLAY,
    INK,
    NEED_DASH,
    PLUM,
    Frame,
    Line,
    band,
    curve_tags,
    hatched,
    level,
    named,
    names_y,
    share_y,
    shots_x,
    style,
    uprights,
)
from reliability.words import percent_text, shots_text


def frame_of(curve: Any, upper: bool = True) -> pd.DataFrame:
    """A curve of an answer as rows; without its upper bound where that is not worked out."""
    return pd.DataFrame(
        {"shots": curve.shots, "estimate": curve.estimate, "lower": curve.lower,
         "upper": curve.upper if upper else [None] * len(curve.shots)}
    )  # fmt: skip


def longest_run(seen: Iterable[Any]) -> float:
    """The most shots that any of these units was seen to reach; nan without units."""
    ends = [s.failed if math.isfinite(s.failed) else s.good for s in seen]
    return max(ends, default=math.nan)


def module_figure(a: ModuleAnswer) -> Any:
    """Module survival with its bounds; the share that is promised and where the lower bound meets it.

    Hatched from where the first slot has not been run so long.
    """
    frame = frame_of(a.curve)
    top = float(max(frame.shots))
    x, y = shots_x("at", "shots on the module", top=top), share_y("y", "share of modules still good")  # fmt: skip
    wanted = 1 - a.life.fraction
    runs = [r for r in (longest_run(s.seen) for s in a.slots) if math.isfinite(r)]
    layers = hatched(Frame((0.0, top), (0.0, 1.0)), [(min(runs), top)] if runs else [], x, y, "beyond the tests")  # fmt: skip
    layers += band(frame, x, y) + curve_tags(frame, x, y, a.confidence, promise=a.life.lower)
    layers += level(Line("wanted", wanted, f"{percent_text(wanted)} still good", PLUM, NEED_DASH), y)  # fmt: skip
    lines = [
        Line("promise", a.life.lower, f"at least {shots_text(a.life.lower)}", CLAY),
        Line("median", a.life.shots, f"estimate {shots_text(a.life.shots)}", INK, NEED_DASH),
    ]
    lines += [Line(f"mission_{i}", s.shots, f"mission {shots_text(s.shots)}", PLUM, NEED_DASH) for i, s in enumerate(a.survival)]  # fmt: skip
    layers += uprights(lines, x, (0.0, top))
    return style(alt.layer(*layers))


def ends_figure(names: Sequence[str], shares: Sequence[float]) -> Any:
    """Which slot ends the module, as bars; several units of one slot stand by themselves."""
    labels: list[str] = []
    for n in names:
        text = n.replace("_", " ")
        again = sum(k == text or k.startswith(f"{text} (") for k in labels)
        labels.append(f"{text} ({again + 1})" if again else text)
    known = [0.0 if s != s else s for s in shares]
    said = ["not known" if s != s else percent_text(s) for s in shares]
    frame = pd.DataFrame({"slot": labels, "share": known, "text": said})
    top = min(max(1.25 * max(known, default=0.0), 0.05), 1.0)
    base = named("ends", frame).encode(
        y=names_y("slot", labels, 200),
        x=alt.X("share:Q", title="share of modules ended by the slot", axis=alt.Axis(format="%", tickCount=5),
                scale=alt.Scale(domain=[0, top])),
    )  # fmt: skip
    text = base.properties(name="ends_text").mark_text(align="left", dx=4, fontSize=12)
    return style(
        alt.layer(base.mark_bar(color=INK, height=14), text.encode(text="text:N")),
        height=max(100, 26 * len(labels) + 64),
    )
