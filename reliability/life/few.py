"""Bounds on a life with one or two failures: never with a free shape, always with a prior on it.

One or two failures say next to nothing of a shape: with a free one the lower bound collapses, with a
confident one it breaks its word on falling hazards. The prior is wide (``priors.DEFAULT_SHAPE_PRIOR``).
"""

from __future__ import annotations

import numpy as np

from reliability.life.bounds import Bound, from_log
from reliability.life.families import Family
from reliability.life.priors import posterior_plane
from reliability.life.targets import LogLife, LogQuantile, Target
from reliability.records import LifeRecords

FEWEST = 3
"""failures from which a shape is free"""


class PriorBounder:
    """Medians and one-sided bounds of the posterior, by quadrature.

    Parameters
    ----------
    records : LifeRecords
        With a failure at least.
    fam : Family
        Whose shape is free.
    confidence : float
        One-sided.
    """

    def __init__(self, records: LifeRecords, fam: Family, confidence: float) -> None:
        self.family, self.confidence = fam, confidence
        self._plane, self._centre = posterior_plane(records, fam)

    def bound(self, target: Target) -> Bound:
        """Of a target, on its own scale."""
        c = self.confidence
        low, middle, high = (self._plane.quantile(target, p, 0.0, 1.0) for p in (1.0 - c, 0.5, c))
        return Bound(middle, low, high, 0.0, "prior")

    def quantile(self, fraction: float) -> Bound:
        """Shots at which ``fraction`` has failed, with bounds."""
        target = LogQuantile(float(self.family.quantile(np.asarray(fraction))))
        return from_log(self.bound(target), self._centre)

    def survival(self, shots: float) -> Bound:
        """Survival at ``shots``, with bounds."""
        if shots <= 0:
            return Bound(1.0, 1.0, 1.0, 0.0, "certain")
        b = self.bound(LogLife(float(np.log(shots) - self._centre)))
        s = self.family.survival(np.array([b.estimate, b.upper, b.lower]))
        return Bound(float(s[0]), float(s[1]), float(s[2]), 0.0, "prior")
