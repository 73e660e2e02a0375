"""One repaired system watched from new: modified power-law estimates, the rate at the end, reversals.

The estimates and the interval of NIST/SEMATECH e-Handbook 8.4.5.2, and the reverse arrangement test of
8.2.3.4. ``misfires.growth`` fits several systems by plain maximum likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from reliability.notes import CannotAnswer

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ModifiedGrowth:
    """Power-law process of one system: expected events a t^b up to t.

    Attributes
    ----------
    a, b : float
        ``b`` with r - 1 in place of r, which takes away its bias.
    slope : float
        Growth slope 1 - b: above 0, events become rarer.
    interval_at_end : float
        Shots between events at the end of the watch.
    lower, upper : float
        One-sided limits of it, each at ``confidence``.
    confidence : float
    """

    a: float
    b: float
    slope: float
    interval_at_end: float
    lower: float
    upper: float
    confidence: float


def modified_growth(shots: Array, end: float, confidence: float = 0.9) -> ModifiedGrowth:
    """Modified maximum likelihood for events at ``shots`` in a watch from 0 to ``end``.

    Parameters
    ----------
    shots : array (r,)
        Counts of the events, above 0 and not above ``end``.
    end : float
        Count at which the watch ended, chosen beforehand (time-terminated).
    confidence : float
        One-sided, of each limit.

    Raises
    ------
    CannotAnswer
        With fewer than 3 events, or an event outside the watch.

    Notes
    -----
    b = (r - 1) / sum ln(T / t), a = r / T^b, shots between events at the end T / (r b); its limits are
    the normal approximation printed there: with M the estimate and z the normal quantile,
    M r (r - 1) / (r + z^2/4 + sqrt(r z^2/2 + z^4/16))^2 and M r (r - 1) / (r - z sqrt(r/2))^2.
    """
    t = np.asarray(shots, float)
    r = t.size
    if r < 3:
        raise CannotAnswer("The power-law process needs 3 events or more.")
    if not ((t > 0) & (t <= end)).all():
        raise CannotAnswer("Every event lies above 0 and within the watch.")
    total = float(np.log(end / t).sum())
    b = (r - 1) / total
    interval = end / (r * b)
    z = float(ndtri(confidence))
    low = (r + z**2 / 4 + np.sqrt(r * z**2 / 2 + z**4 / 16)) ** 2
    high = r - z * np.sqrt(r / 2)
    upper = float(interval * r * (r - 1) / high**2) if high > 0 else float("inf")
    return ModifiedGrowth(
        r / end**b, b, 1 - b, interval, float(interval * r * (r - 1) / low), upper, confidence
    )


@dataclass(frozen=True)
class Reversals:
    """Reverse arrangement test on gaps between events.

    Attributes
    ----------
    count : int
        Pairs of gaps of which the later is the longer.
    gaps : int
    rarer_p, denser_p : float
        Chance of so many or more, so many or fewer, when there is no trend.
    """

    count: int
    gaps: int
    rarer_p: float
    denser_p: float


def reversal_chances(gaps: int) -> Array:
    """Chances of 0, 1, ... reversals among ``gaps`` gaps in random order (exact: inversions of a
    permutation, Kendall 1938)."""
    chance = np.ones(1)
    for k in range(2, gaps + 1):
        chance = np.convolve(chance, np.full(k, 1 / k))
    return chance


def reversals(shots: Array) -> Reversals:
    """Whether the gaps between events at ``shots`` (watch from 0) grow or shrink.

    Raises
    ------
    CannotAnswer
        With fewer than 4 events.

    Notes
    -----
    Two equal gaps speak for no trend: they count against whichever trend is asked about.
    """
    gap = np.diff(np.sort(np.asarray(shots, float)), prepend=0.0)
    if gap.size < 4:
        raise CannotAnswer("The reverse arrangement test needs 4 events or more.")
    count = int(sum((gap[i + 1 :] > gap[i]).sum() for i in range(gap.size)))
    tied = int(sum((gap[i + 1 :] == gap[i]).sum() for i in range(gap.size)))
    chance = reversal_chances(gap.size)
    rarer, denser = chance[count:].sum(), chance[: count + tied + 1].sum()
    return Reversals(count, gap.size, float(min(rarer, 1.0)), float(min(denser, 1.0)))


def critical_reversals(gaps: int, confidence: float) -> int:
    """Smallest number of reversals that shows, at ``confidence``, that events become rarer.

    Raises
    ------
    CannotAnswer
        If no number does, with so few gaps.
    """
    tail = reversal_chances(gaps)[::-1].cumsum()[::-1]
    shown = np.flatnonzero(tail <= 1 - confidence + 1e-12)
    if not shown.size:
        raise CannotAnswer(f"{gaps} gaps cannot show a trend at confidence {confidence:g}.")
    return int(shown[0])
