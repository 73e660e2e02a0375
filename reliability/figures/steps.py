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
    return out + [_name(c, i, len(curves), x, y, key) for i, c in enumerate(curves)]


def _name(c: Steps, i: int, of: int, x: Any, y: Any, key: str) -> Any:
    """A curve's name beside it, at a height of its own: spread over the curve's own fall or rise."""
    values = [v for _, v in c.points]
    last = values[-1]
    want = c.begin + (last - c.begin) * (0.3 + 0.6 * i / max(1, of - 1))
    k = min(range(len(values)), key=lambda j: abs(values[j] - want))
    return tag(Tag(f"{key}_{i}_text", c.name, c.points[k][0], values[k], lift=-8), x, y)
