"""Step plans of units whose stress changes on the way, for drawing them again as planned.

A unit that failed shows only the part of its plan that it lived through. What would have come next
is taken from the units that went further: the longest plan that begins with the unit's own
stretches and next boundary not before the unit's end. Where as many units stayed at the unit's last
stress past that boundary, the unit is taken as one of them. A unit without such a fellow would have
stayed at its last stress.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.sample import Paths, doses
from reliability.life.units import Units

Array = NDArray[np.float64]
_Key = tuple[tuple[float, ...], tuple[tuple[float, ...], ...]]
"""boundaries, and the covariates of each stretch (one more than boundaries)"""


@dataclass(frozen=True)
class Plans:
    """Planned stretches of units.

    Attributes
    ----------
    ends : array (K, n, 1)
        Count at which each stretch ends, inf from the last one on.
    x : array (q - 1, K, n, 1)
    group : int array (n,)
        Units of one plan.
    varying : bool array (n,)
        Whose plan has more than one stretch.
    centre : float
    """

    ends: Array
    x: Array
    group: NDArray[np.intp]
    varying: NDArray[np.bool_]
    centre: float

    def reach(self, mask: NDArray[np.bool_], log_e: Array, phi: Array) -> Array:
        """Log counts less the centre at which units reach these log exposures, (m, B)."""
        scale = np.exp(self.centre)
        ends, x = self.ends[:, mask], self.x[:, :, mask]
        left = np.exp(log_e)
        out = np.full(log_e.shape, np.inf)
        begun = np.zeros((log_e.shape[0], 1))
        for k in range(ends.shape[0]):
            u = np.broadcast_to(phi[1], log_e.shape).copy()
            for j in range(x.shape[0]):
                u += x[j, k] * phi[2 + j]
            rate = np.exp(u / phi[0])
            with np.errstate(invalid="ignore"):  # past the last stretch, where all is settled
                room = (ends[k] - begun) / scale * rate
                here = np.isinf(out) & (left <= room)
                out = np.where(here, begun + left / rate * scale, out)
                left = left - room
            begun = ends[k]
            if np.isinf(begun).all():
                break
        with np.errstate(divide="ignore"):
            return np.log(out) - self.centre

    def paths(
        self, mask: NDArray[np.bool_], y: Array, d: Array | None = None, hi: Array | None = None
    ) -> Paths:
        """Paths of some units that were watched up to ``y`` (or lie between ``y`` and ``hi``)."""
        ends, x = self.ends[:, mask], self.x[:, :, mask]
        count = np.exp(y + self.centre)
        last = (ends < (count if hi is None else np.exp(hi + self.centre))).sum(axis=0)
        return Paths(
            x, doses(ends, count, self.centre), np.minimum(last, ends.shape[0] - 1).astype(np.intp), y, d,
            None if hi is None else doses(ends, np.exp(hi + self.centre), self.centre),
        )  # fmt: skip


def plans_of(units: Units, repeat: NDArray[np.intp], centre: float) -> Plans:
    """Plans of units (by index, each as often as it is drawn).

    Parameters
    ----------
    units : Units
        With at least one unit whose covariates vary.
    repeat : int array (n,)
        Unit of each element.
    centre : float
    """
    r = units.records
    seen = np.where(r.failed, r.shots_failed, r.shots_good)
    own: list[_Key] = []
    for u in range(len(r)):
        ends, x = units.plan(u)
        own.append((tuple(ends[:-1].tolist()), tuple(tuple(row) for row in x.tolist())))
    votes = Counter(own)
    known = sorted(votes, key=lambda k: (-len(k[1]), -votes[k], k))
    plans = [_adopted(own[u], float(seen[u]), known, votes, own, seen) for u in range(len(r))]
    groups = {key: g for g, key in enumerate(dict.fromkeys(plans))}
    size = max(len(x) for _, x in plans)
    ends = np.full((size, len(plans), 1), np.inf)
    x = np.empty((units.x.shape[1], size, len(plans), 1))
    for u, (bounds, xs) in enumerate(plans):
        ends[: len(bounds), u, 0] = bounds
        x[:, :, u, 0] = np.array([*xs, *[xs[-1]] * (size - len(xs))]).T.reshape(-1, size)
    group = np.array([groups[k] for k in plans], np.intp)
    varying = np.array([len(x) > 1 for _, x in plans], bool)
    return Plans(ends[:, repeat], x[:, :, repeat], group[repeat], varying[repeat], centre)


def _adopted(
    key: _Key,
    seen: float,
    known: list[_Key],
    votes: Counter[_Key],
    own: list[_Key],
    counts: Array,
) -> _Key:
    bounds, x = key
    k = len(x)
    for plan in known:
        more, levels = plan
        if len(levels) <= k:
            break
        if levels[:k] != x or more[: k - 1] != bounds or seen > more[k - 1]:
            continue
        stayed = sum(o == key and c > more[k - 1] for o, c in zip(own, counts, strict=True))
        if stayed < votes[plan]:
            return plan
    return key
