"""A module's counter made to run on: gaps, resets, repeats and rows out of order found and counted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Stretch:
    """Rows that follow each other with the counter going up by one.

    Attributes
    ----------
    file, lo, hi : int
        Piece, first and last count as logged.
    start, end : float
        First and last time, nan if unknown.
    """

    file: int
    lo: int
    hi: int
    start: float
    end: float


@dataclass(frozen=True)
class Count:
    """What the counter of one module says.

    Attributes
    ----------
    offset : list of int or None
        For each stretch: what to add to its counts to make them run on; None if it repeats what was
        said and is left out.
    skip : list of int
        For each stretch: how many of its first counts repeat others and are left out.
    first : int
        Count before the first row, so the shots on it when logging began.
    total : int
        Last count.
    lost : int
        Shots counted but not logged.
    gaps : list of (int, int)
        The longest gaps: last count before, and shots lost.
    resets : list of int
        Counts at which the counter began anew.
    late : int
        Rows that came after later ones.
    conflicts : int
        Rows that repeat a count with other values.
    """

    offset: list[int | None]
    skip: list[int]
    first: int
    total: int
    lost: int
    gaps: list[tuple[int, int]]
    resets: list[int]
    late: int
    conflicts: int


TOPS = (2**8 - 1, 2**16 - 1, 2**32 - 1)
"""highest counts of counters of 8, 16 and 32 bits, after which they begin anew"""


def run_on(stretches: list[Stretch], in_order: bool = False) -> Count:
    """Follow the counter through the stretches, in the order of the rows; ``in_order``: no row can be late.

    A stretch that goes back is taken as *late* if it fits wholly into a gap (or before the first
    count) and its time does not say otherwise; as a *conflict* if it repeats the last few counts, or
    counts inside what is known at an earlier time; else as a *reset*, after which the count runs on. A
    counter at its top begins anew.
    """
    offset: list[int | None] = []
    skip: list[int] = []
    resets: list[int] = []
    late = conflicts = 0
    first = stretches[0].lo
    base = 1 if first == 0 else 0  # a counter that begins at 0 has shot 1 there
    low, top, clock = first, first - 1, -np.inf
    begun = base + first - 1
    holes: list[tuple[int, int]] = []  # missing counts of this epoch, as logged
    closed: list[tuple[int, int]] = []  # of epochs that are over, running on
    for s in stretches:
        after = in_order or bool(s.start > clock)
        forward = after or bool(np.isnan(s.start))
        over = forward and s.lo <= 1 and top in TOPS
        if s.lo > top:
            if s.lo > top + 1:
                holes.append((top + 1, s.lo - 1))
            offset.append(base)
            skip.append(0)
            top = s.hi
        elif not over and (hole := _fitting(holes, low, s)) is not None and not after:
            late += s.hi - s.lo + 1
            offset.append(base)
            skip.append(0)
            if hole == (-1, -1):
                # older shots than the first seen
                if not resets:
                    begun = base + s.lo - 1
                if s.hi + 1 < low:
                    holes.append((s.hi + 1, low - 1))
                low = s.lo
            else:
                holes.remove(hole)
                holes += [h for h in ((hole[0], s.lo - 1), (s.hi + 1, hole[1])) if h[0] <= h[1]]
        elif s.lo > low and s.hi >= top and top - s.lo < max(5, (top - low) // 100):
            back = top - s.lo + 1
            conflicts += back
            offset.append(base)
            skip.append(back)
            top = s.hi
        elif s.lo > low and s.hi <= top and not forward:
            conflicts += s.hi - s.lo + 1
            offset.append(None)
            skip.append(0)
        else:
            closed += [(a + base, b + base) for a, b in holes]
            holes = []
            resets.append(base + top)
            base += top + (1 if s.lo == 0 else 0)
            if s.lo > 1:
                closed.append((base + 1, base + s.lo - 1))
            low, top, clock = s.lo, s.hi, -np.inf
            offset.append(base)
            skip.append(0)
        if not np.isnan(s.end):
            clock = max(clock, s.end)
    gaps = closed + [(a + base, b + base) for a, b in holes]
    lost = sum(b - a + 1 for a, b in gaps)
    longest = sorted(gaps, key=lambda g: g[0] - g[1])[:20]
    return Count(
        offset, skip, begun, base + top, lost,
        sorted((a - 1, b - a + 1) for a, b in longest), resets, late, conflicts,
    )  # fmt: skip


def _fitting(holes: list[tuple[int, int]], low: int, s: Stretch) -> tuple[int, int] | None:
    """The hole that a stretch fits into; (-1, -1) for the counts before the first."""
    if s.hi < low:
        return (-1, -1)
    for h in holes:
        if h[0] <= s.lo and s.hi <= h[1]:
            return h
    return None
