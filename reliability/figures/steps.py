"""Several curves of steps on one chart, each with its name beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reliability.figures.style import DASHES, LONGEST, SERIES, Tag, named, tag, tips

Array = NDArray[np.float64]

CHART = (480, 300)
"""pixels of a chart's frame where it is small: how much of it words take"""
PER_LETTER = 7
LINE = 20 / CHART[1]
"""height of a line of words, as a share of the frame"""
ROOM = 0.12
"""room that is enough, as a share of the frame"""


@dataclass(frozen=True)
class Steps:
    """One curve: its name, where it begins, and each step as (shots, share after it)."""

    name: str
    begin: float
    points: Sequence[tuple[float, float]]

    def over(self, left: float, width: float) -> Array:
        """Shares the curve has from ``left`` on, over ``width`` shots; where it steps, all it passes by; none past its end."""
        at, shares, passed = self._arrays
        if not at.size or left > at[-1]:
            return np.zeros(0)
        i, j = np.searchsorted(at, (left, left + width), side="right")
        return np.concatenate((shares[i : j + 1], passed[i:j].ravel()))

    @cached_property
    def _arrays(self) -> tuple[Array, Array, Array]:
        """Shots of the steps; the share before each and after the last; what each passes by."""
        shares = np.array([self.begin, *(v for _, v in self.points)])
        quarters = np.array([0.25, 0.5, 0.75])
        return (
            np.array([at for at, _ in self.points]), shares,
            shares[:-1, None] + quarters * np.diff(shares)[:, None],
        )  # fmt: skip


def step_layers(
    curves: Sequence[Steps], x: Any, y: Any, key: str, solid: bool = False
) -> list[Any]:
    """The curves (``key``_0 ...) and their names at different heights, so that none lies on another.

    ``solid`` leaves dashes to the bounds that are drawn beside them.
    """
    out: list[Any] = []
    for i, c in enumerate(curves):
        rows: list[dict[str, Any]] = [{"at": 0.0, "y": c.begin, "name": c.name}]
        rows += [{"at": at, "y": v, "name": c.name} for at, v in c.points]
        dash = [1, 0] if solid else DASHES[i % len(DASHES)]
        line = named(f"{key}_{i}", rows).mark_line(
            interpolate="step-after", strokeWidth=2, color=SERIES[i % len(SERIES)], strokeDash=dash
        )
        hover = ["name", *tips("at", at="shots"), *tips("y", form=".1%", y="share")]
        out.append(line.encode(x=x, y=y, tooltip=hover))
    return out + _names(curves, x, y, key)


def _names(curves: Sequence[Steps], x: Any, y: Any, key: str) -> list[Any]:
    """Each curve's name beside it, where no other curve and no name before it passes through the words."""
    span = max((at for c in curves for at, _ in c.points), default=0.0) or 1.0
    top = max((v for c in curves for v in (c.begin, *(s for _, s in c.points))), default=0.0) or 1.0
    taken: list[_Box] = []
    out = []
    for i, c in enumerate(curves):
        rises = c.points[-1][1] > c.begin
        others = [o for j, o in enumerate(curves) if j != i]
        width = min(LONGEST, PER_LETTER * len(c.name)) / CHART[0] * span
        boxes = [_Box(at - width if rises else at, width, v, LINE * top) for at, v in c.points]
        k = max(
            range(len(boxes)),
            key=lambda j: (
                round(boxes[j].room(others, taken, (span, top)) / (0.1 * LINE * top)),
                j,
            ),
        )
        taken.append(boxes[k])
        at, value = c.points[k]
        words = Tag(f"{key}_{i}_text", c.name, at, value, left=rises, lift=-8)
        out.append(tag(words, x, y))
    return out


@dataclass(frozen=True)
class _Box:
    """Where words stand: from ``left`` over ``width`` shots, ``height`` high from the share ``foot``."""

    left: float
    width: float
    foot: float
    height: float

    @property
    def middle(self) -> float:
        return self.foot + 0.5 * self.height

    def room(
        self, others: Sequence[Steps], taken: Sequence[_Box], frame: tuple[float, float]
    ) -> float:
        """How far (in shares) the nearest other curve or name is; below 0 where it is cut off by the frame."""
        span, top = frame
        if (
            self.left < 0
            or self.left + self.width > 1.1 * span
            or self.foot + self.height > 1.05 * top
        ):
            return -1.0
        here = [o.over(self.left, self.width) for o in others]
        gaps = [float(np.abs(v - self.middle).min()) for v in here if v.size]
        near = [t for t in taken if abs(t.left - self.left) < max(t.width, self.width)]
        gaps += [abs(t.middle - self.middle) - self.height for t in near]
        return min([ROOM * top, *gaps])
