"""Shapes of siblings: what other groups of the same kind of part say of a shape (partial pooling).

A group is the units of one slot that share builder and part. Logs of the groups' shapes are normal about a
common mean with a common spread, neither known (a hierarchical model: Gelman et al., Bayesian Data
Analysis, ch. 5); the next group's shape follows. A share of a cautious prior stands beside it, since the part asked
of may be an odd one. Coverage with even and odd parts: tests/benchmarks/siblings.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reliability.filters import whole_units
from reliability.records import LifeRecords
from reliability.slots.exposure import Array, Asked, slot_data, voltages_differ
from reliability.slots.grid import SHAPES, SlotFit, exposed, fit_slot

LEAST_GROUPS, LEAST_FAILURES = 3, 2
"""groups, and failures in each, from which siblings tell a shape; by simulation"""
MOST_GROUPS = 60
"""groups looked at, those with most failures (a choice, for time)"""
TAU_SD = 0.5
"""half-normal prior of the spread of logs of shapes: a choice, as between builders (``life/pooling``)"""
TAUS = np.array([0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3])
MEAN_MEDIAN, MEAN_SD = 1.3, 0.5
"""lognormal prior of the mean shape of one kind of part (wider than that of a module's slots: several groups speak): a choice, by
simulation"""
MEANS = np.log(MEAN_MEDIAN) + MEAN_SD * np.linspace(-3.0, 3.0, 31)
ODD, ODD_MEDIAN, ODD_SD = 0.3, 0.8, 0.5
"""chance that a part is an odd one, and the lognormal prior of its shape: choices, by simulation"""


@dataclass(frozen=True)
class Siblings:
    """What siblings say.

    Attributes
    ----------
    groups : int
        Other groups of the slot with failures enough.
    failures : float
        In all of them.
    builders : tuple of str
        Whose they are.
    shapes : array (shapes,)
        Distribution of the shape of one group more, over ``SHAPES``; empty where the groups are too few.
    """

    groups: int
    failures: float
    builders: tuple[str, ...]
    shapes: Array

    def quantile(self, p: float) -> float:
        """Quantile of the shape of one group more."""
        return float(np.exp(np.interp(p, np.cumsum(self.shapes), np.log(SHAPES))))


def siblings_of(own: LifeRecords, pool: LifeRecords) -> Siblings:
    """What the groups of the pool that are none of ``own``'s say of the shape of these.

    Stretches that end in a failure of which it is not known whose it was tell nothing.

    Parameters
    ----------
    own : LifeRecords
        Of one slot.
    pool : LifeRecords
        Of that slot, own records among them or not.
    """
    mine = set(zip(own.builder.tolist(), own.part.tolist(), strict=True))
    pool = pool.select(pool.event == "")
    groups: dict[tuple[str, str], float] = {}
    for builder, part, n, dead in zip(
        pool.builder, pool.part, pool.count, pool.failed, strict=True
    ):
        if dead and (builder, part) not in mine:
            groups[builder, part] = groups.get((builder, part), 0.0) + float(n)
    enough = sorted((-n, k) for k, n in groups.items() if n >= LEAST_FAILURES)[:MOST_GROUPS]
    chosen = [k for _, k in enough]
    failures = sum(groups[k] for k in chosen)
    builders = tuple(sorted({b for b, _ in chosen}))
    if len(chosen) < LEAST_GROUPS:
        return Siblings(len(chosen), failures, builders, np.zeros(0))
    fits = [_fit(pool.select((pool.builder == b) & (pool.part == p))) for b, p in chosen]
    return Siblings(len(chosen), failures, builders, next_shape(fits))


def _fit(group: LifeRecords) -> SlotFit:
    """A group's records at its highest voltage; without those whose voltage is not known, where tests differ in it."""
    volts = group.covariates.get("charge_V", np.full(len(group), np.nan))
    known = np.isfinite(volts)
    use = float("nan")
    if voltages_differ(volts):
        group, use = whole_units(group, "charge_V", known), float(np.nanmax(volts))
    slot = slot_data(str(group.slot[0]), group, Asked(use))
    return fit_slot(slot, exposed(slot), early=False)


def next_shape(fits: Sequence[SlotFit]) -> Array:
    """Distribution of the shape of one group more, over ``SHAPES``; a share of it cautious."""
    log = np.log(SHAPES)
    away = (log[None, None, :] - MEANS[:, None, None]) / TAUS[None, :, None]
    between = np.exp(-0.5 * away**2)
    between /= between.sum(axis=2, keepdims=True)
    prior = np.exp(-0.5 * ((MEANS - np.log(MEAN_MEDIAN)) / MEAN_SD) ** 2)
    weight = np.log(np.outer(prior, np.exp(-0.5 * (TAUS / TAU_SD) ** 2) * np.gradient(TAUS)))
    for f in fits:
        likelihood = np.exp(f.plain - f.plain.max()).sum(axis=1)
        weight = weight + np.log(between @ likelihood)
    weight = np.exp(weight - weight.max())
    alike = np.tensordot(weight / weight.sum(), between, 2)
    odd = np.exp(-0.5 * ((log - np.log(ODD_MEDIAN)) / ODD_SD) ** 2)
    return np.asarray((1 - ODD) * alike + ODD * odd / odd.sum())
