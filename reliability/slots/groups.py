"""Units of one builder or lot live alike: how far groups differ, and what that makes of the units to be promised.

Each group's life is exp(u) times that of the pool, u normal with standard deviation tau: a random effect
(as between builders, ``life/pooling``). Level, tau and the group's u are drawn together from their
joint likelihood on a grid, tau with a half-normal prior (sd 0.5: a choice, as there). Units to
be promised that are of a tested group take its u, others that of a group not seen yet.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from reliability.slots.exposure import Array, Ints, SlotData
from reliability.slots.grid import SHAPES, SlotFit, alike, exposures

LEAST_FAILURES = 2
"""failures below which groups are not told apart"""
TAU_SD = 0.5
TAUS = np.array([0.0, 0.12, 0.25, 0.4, 0.6, 0.85, 1.2])
NODES = np.linspace(-2.7, 2.7, 13)
"""standard normal effects looked at"""
LEVELS = np.linspace(-3.5, 3.0, 40)
"""ln of the level of the hazard over the pool's plain estimate"""
NORMAL = np.exp(-0.5 * NODES**2) / np.exp(-0.5 * NODES**2).sum()
PRIOR = np.log(np.exp(-0.5 * (TAUS / TAU_SD) ** 2) * np.gradient(TAUS))


@cache
def _grid_of(shape: int) -> tuple[Array, Array, Ints]:
    """ln of the hazard over the pool's at each tau, level and effect, the hazard, and its order."""
    effect = -SHAPES[shape] * TAUS[:, None] * NODES
    log = LEVELS[None, :, None] + effect[:, None, :]
    hazard = np.exp(log)
    return log, hazard, np.argsort(hazard, axis=None)


class Spread:
    """Groups of a slot.

    Parameters
    ----------
    slot : SlotData
        Of at least two groups.
    fit : SlotFit
    scale : float
        Shots in the unit of counts.
    """

    def __init__(self, slot: SlotData, fit: SlotFit, scale: float) -> None:
        group = slot.units.group
        assert group is not None
        self.flown = slot.flown
        count = int(group.max()) + 1
        self.failures = np.bincount(group, slot.units.failed, count)
        # how the exposure falls to groups hardly depends on the exponent: taken at its mean
        weight = np.exp(fit.plain - fit.plain.max()).sum(axis=0)
        begin, end = exposures(slot, np.array([weight @ fit.exponents / weight.sum()]), scale)
        own = end[0] ** SHAPES[:, None] - begin[0] ** SHAPES[:, None]
        share = np.stack([np.bincount(group, row, count) for row in own])
        self.share = share / share.sum(axis=1, keepdims=True)
        self._known: dict[int, tuple[Array, Array]] = {}

    def weights(self, shape: int) -> Array:
        """Of each tau, level and effect of the units to be promised, at a shape of the grid."""
        log, hazard, _ = _grid_of(shape)
        likelihood = np.multiply.outer(self.failures, log)
        likelihood -= np.multiply.outer(self.failures.sum() * self.share[shape], hazard)
        likelihood -= likelihood.max(axis=(1, 2, 3), keepdims=True)
        each = np.exp(likelihood, out=likelihood)
        sums = each @ NORMAL + 1e-300
        ln = PRIOR[:, None] + np.log(sums).sum(axis=0)
        own = NORMAL if self.flown < 0 else each[self.flown] * NORMAL / sums[self.flown, ..., None]
        return np.asarray(np.exp(ln - ln.max())[:, :, None] * own)

    def draw(self, shapes: Ints, u: Array) -> Array:
        """Failures of life for draws of shapes, one for each uniform number."""
        out = np.empty(u.size)
        for shape, here in alike(shapes):
            failures, sums = self._rising(shape)
            out[here] = failures[np.searchsorted(sums[:-1], u[here] * sums[-1])]
        return out

    def _rising(self, shape: int) -> tuple[Array, Array]:
        """Failures at a shape, rising, so that a higher uniform number is a higher hazard, and their summed weights."""
        if shape not in self._known:
            _, hazard, order = _grid_of(shape)
            sums = np.cumsum(self.weights(shape).ravel()[order])
            self._known[shape] = self.failures.sum() * hazard.ravel()[order], sums
        return self._known[shape]


def spread_of(slot: SlotData, fit: SlotFit, scale: float) -> Spread | None:
    """How far the groups of a slot differ; None with one group, or too few failures to tell."""
    if slot.units.group is None or fit.failures < LEAST_FAILURES:
        return None
    return Spread(slot, fit, scale)
