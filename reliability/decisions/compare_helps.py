"""What would help most where two are not shown to differ: how many more of each must fail on test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reliability.decisions.bench import Bench
from reliability.notes import Note
from reliability.records import LifeRecords
from reliability.words import bench_text, counted

MOST = 2000
"""failures of one of them that are looked at"""


@dataclass(frozen=True)
class Separation:
    """A test that would as likely as not show the difference, if it is as estimated.

    Attributes
    ----------
    longer, other : int
        More failures of the one that lives longer as estimated, and of the other.
    days : float
        On the bench at the usual pace, units one after the other, tested as they were.
    """

    longer: int
    other: int
    days: float


@dataclass(frozen=True)
class Group:
    """One of the two: name, failures so far, and shots run for each of them."""

    name: str
    failed: float
    shots_each: float


def group_of(name: str, own: LifeRecords) -> Group:
    """One of the two from its records."""
    shots = float((own.count * (own.shots_good - own.shots_from)).sum())
    return Group(name, own.failures, shots / own.failures if own.failures else float("inf"))


def separation(longer: Group, other: Group, estimate: float, lower: float) -> Separation | None:
    """The shortest test after which the lower bound of the ratio is 1, if the ratio stays as estimated.

    By large samples: the log of the ratio varies as 1/f + 1/g with f and g failures of the two (Lawless 2003,
    sec. 5.2), so half of such tests show it. None where one of them has not failed yet, or where more than ``MOST``
    would have to.

    Parameters
    ----------
    longer, other : Group
    estimate, lower : float
        Of the ratio, above 1 and below.
    """
    if not (longer.failed > 0 and other.failed > 0 and estimate > 1 > lower > 0):
        return None
    now = 1 / longer.failed + 1 / other.failed
    wanted = now * (np.log(estimate) / np.log(estimate / lower)) ** 2
    first = longer.failed + np.arange(MOST)
    left = wanted - 1 / first
    with np.errstate(divide="ignore"):
        second = np.where(left > 0, np.ceil(1 / left - other.failed), np.inf)
    second = np.maximum(second, 0)
    shots = (first - longer.failed) * longer.shots_each + second * other.shots_each
    best = int(np.argmin(shots))
    if second[best] > MOST:
        return None
    more, theirs = best, int(second[best])
    days = Bench().days(more, longer.shots_each) + Bench().days(theirs, other.shots_each)
    return Separation(more, theirs, days)


def separation_note(
    longer: Group, other: Group, estimate: float, lower: float
) -> tuple[Separation | None, tuple[Note, ...]]:
    """The test and its words, where the two are not shown to differ."""
    if lower > 1:
        return None, ()
    found = separation(longer, other, estimate, lower)
    if found is not None:
        more = [(longer.name, found.longer), (other.name, found.other)]
        which = " and ".join(f"{counted(n, 'more failure')} of {name}" for name, n in more if n)
        text = (
            f"What would help most: {which} on tests like those so far (some {bench_text(found.days)}); if the difference is as "
            "estimated, it is then as likely as not shown."
        )
    elif longer.failed and other.failed:
        text = (
            f"What would help: the two are so alike as estimated that even {MOST:,} more failures of each would hardly show a "
            "difference. Choose by something else."
        )
    else:
        idle = " and ".join(g.name for g in (longer, other) if not g.failed)
        text = f"What would help most: tests of {idle} until some fail."
    return found, (Note("would_help", text),)
