"""Do the slots of one module fail together more than chance allows?

Martingale residuals ``M = d - H(t) + H(entry)`` of each unit under its own slot's model, summed by
module and slot, are uncorrelated between slots if slots fail independently. A frailty that the slots
of a module share makes the products of residuals positive: to first order this is the score test of
a shared frailty's variance at 0 (Commenges & Andersen 1995, Lifetime Data Analysis 1, 145-156). Its
statistic is studentised over modules, as their exposures differ, and referred to permutations of
modules within each slot (Janssen 1997, Statistics & Probability Letters 36, 9-21).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from reliability.life.families import WEIBULL
from reliability.life.fit import NoMaximum, fit_life
from reliability.records import LifeRecords

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Dependence:
    """Check that slots fail independently.

    Attributes
    ----------
    modules : int
        Modules with units in two slots or more that had failures.
    statistic : float
        Studentised sum of products of residuals; positive: slots fail together.
    p : float
        One-sided, from permutations; nan if there is too little to tell.
    """

    modules: int
    statistic: float
    p: float


@dataclass(frozen=True)
class FittedSlot:
    """A slot with its Weibull model, all its records together.

    Attributes
    ----------
    name : str
    records : LifeRecords
    shape, scale : float
    """

    name: str
    records: LifeRecords
    shape: float
    scale: float

    def hazard(self, log_shots: Array) -> Array:
        """Cumulative hazard at counts."""
        return np.asarray(np.exp(self.shape * (log_shots - np.log(self.scale))))


def fitted_slots(records: LifeRecords) -> list[FittedSlot]:
    """Each slot of the records that has a Weibull fit."""
    out = []
    for name in sorted(set(records.slot.tolist())):
        own = records.select(records.slot == name)
        try:
            fit = fit_life(own, WEIBULL.name)
        except NoMaximum:
            continue
        out.append(FittedSlot(name, own, fit.shape, fit.scale))
    return out


MANY = 400
"""modules above which the statistic is taken as normal"""


def _labels(slot: FittedSlot) -> list[str]:
    r = slot.records
    return [f"{b}/{m}" if m else "" for b, m in zip(r.builder.tolist(), r.module.tolist())]


def residuals(slot: FittedSlot) -> Array:
    """Martingale residual of each record of a slot, times its count; (n,)."""
    r = slot.records
    with np.errstate(divide="ignore"):
        end = np.where(
            r.failed,
            np.sqrt(np.maximum(r.shots_good, 1e-300) * np.minimum(r.shots_failed, 1e300)),
            r.shots_good,
        )
        end = np.where(r.failed & (r.shots_good == 0), 0.5 * r.shots_failed, end)
        spent = slot.hazard(np.log(np.maximum(end, 1e-300))) - np.where(
            r.shots_from > 0, slot.hazard(np.log(np.maximum(r.shots_from, 1e-300))), 0.0
        )
    return np.asarray((r.failed - spent) * r.count)


def _studentised(s: Array) -> Array:
    """Sum over modules of products between slots, over its own standard error; s is (..., m, k)."""
    total = s.sum(axis=-1)
    cross = total**2 - (s**2).sum(axis=-1)
    size = np.sqrt((cross**2).sum(axis=-1))
    return np.asarray(np.divide(cross.sum(axis=-1), size, out=np.zeros_like(size), where=size > 0))


def shared_frailty(slots: Sequence[FittedSlot], draws: int = 999, seed: int = 1) -> Dependence:
    """Test independence of slots within modules.

    Parameters
    ----------
    slots : sequence of FittedSlot
        With their fitted models; those without a failure say nothing and are left out.
    draws : int
        Permutations.
    """
    used = [s for s in slots if s.records.failures >= 3]
    labels = [_labels(s) for s in used]
    names = sorted({m for own in labels for m in own} - {""})
    none = Dependence(0, float("nan"), float("nan"))
    if len(used) < 2 or len(names) < 8:
        return none
    place = {m: i for i, m in enumerate(names)}
    table = np.zeros((len(names), len(used)))
    there = np.zeros(table.shape, bool)
    for j, s in enumerate(used):
        row = np.array([place.get(m, -1) for m in labels[j]], np.intp)
        known = row >= 0
        np.add.at(table[:, j], row[known], residuals(s)[known])
        there[row[known], j] = True
    both = there.sum(axis=1) >= 2
    if both.sum() < 8:
        return none
    table, there = table[both], there[both]
    seen = float(_studentised(table))
    if both.sum() > MANY:
        return Dependence(int(both.sum()), seen, float(ndtr(-seen)))
    rng = np.random.default_rng(seed)
    mixed = np.broadcast_to(table, (draws, *table.shape)).copy()
    for j in range(1, table.shape[1]):
        rows = np.flatnonzero(there[:, j])
        order = rng.permuted(np.broadcast_to(rows, (draws, rows.size)), axis=1)
        mixed[:, rows, j] = table[order, j]
    p = (1 + float((_studentised(mixed) >= seen).sum())) / (draws + 1)
    return Dependence(int(both.sum()), seen, p)
