"""Several curves of steps on one chart, each with its name beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reliability.figures.style import DASHES, SERIES, Tag, named, tag, tips


@dataclass(frozen=True)
class Steps:
    """One curve: its name, where it begins, and each step as (shots, share after it)."""

    name: str
    begin: float
    points: Sequence[tuple[float, float]]


def step_layers(curves: Sequence[Steps], x: Any, y: Any, key: str) -> list[Any]:
    """The curves (``key``_0 ...) and their names at different heights, so that none lies on another."""
    out: list[Any] = []
    for i, c in enumerate(curves):
        rows: list[dict[str, Any]] = [{"at": 0.0, "y": c.begin, "name": c.name}]
        rows += [{"at": at, "y": v, "name": c.name} for at, v in c.points]
        line = named(f"{key}_{i}", rows).mark_line(
            interpolate="step-after", strokeWidth=2, color=SERIES[i % len(SERIES)], strokeDash=DASHES[i % len(DASHES)]
        )  # fmt: skip
        hover = ["name", *tips("at", at="shots"), *tips("y", form=".1%", y="share")]
        out.append(line.encode(x=x, y=y, tooltip=hover))
    return out + _names(curves, x, y, key)


def _names(curves: Sequence[Steps], x: Any, y: Any, key: str) -> list[Any]:
    """Each curve's name beside it: those that go farthest have theirs farthest along the axis of shares."""
    last = {i: c.points[-1][1] for i, c in enumerate(curves)}
    order = sorted(last, key=lambda i: abs(last[i] - curves[i].begin))
    out = []
    for rank, i in enumerate(order):
        c = curves[i]
        farthest = last[order[-1]]
        want = c.begin + (farthest - c.begin) * (rank + 1) / (len(order) + 0.5)
        k = min(range(len(c.points)), key=lambda j: abs(c.points[j][1] - want))
        at, value = c.points[k]
        words = Tag(f"{key}_{i}_text", c.name, at, value, left=farthest > c.begin, lift=-8)
        out.append(tag(words, x, y))
    return out
