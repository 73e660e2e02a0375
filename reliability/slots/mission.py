"""What a mission would cost in each draw, however the draws are weighed: worked out once for all weights."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence

import numpy as np

from reliability.slots.draws import SlotDraws
from reliability.slots.exposure import Array

Drift = Callable[[Array], Array]


def no_drift(shots: Array) -> Array:
    """Nothing wears towards a limit."""
    return np.zeros(shots.shape)


LONGEST, SHORTEST = 1e9, 1e-6
"""most and least times the pool's middle count that is looked at"""
KEPT = 4
"""lengths of a mission whose hazards are kept"""
STEPS = 200
"""steps on the way to where a draw's hazard meets a limit, at most; some 8 are usual"""


class Mission:
    """The hazard of sudden failure over missions of any length.

    Parameters
    ----------
    slots : sequence of SlotDraws
        One entry a cause.
    extra : array (causes, draws)
        The one failure more.
    scale : float
        Shots about which is looked.
    drift : callable
        Hazard of wear towards a limit over shots from now.
    """

    def __init__(
        self, slots: Sequence[SlotDraws], extra: Array, scale: float, drift: Drift
    ) -> None:  # fmt: skip
        self.slots, self.extra, self.scale, self.drift = slots, extra, scale, drift
        self._totals: OrderedDict[float, tuple[Array, Array]] = OrderedDict()
        self._reached: dict[float, Array] = {}

    def by_cause(self, shots: float | Array) -> tuple[Array, Array]:
        """Hazard in each draw, by cause, (causes, draws); and what the one failure more adds."""
        parts, more = np.empty(self.extra.shape), np.empty(self.extra.shape)
        for k, (d, extra) in enumerate(zip(self.slots, self.extra, strict=True)):
            run = shots / d.scale
            life = d.life(run)
            parts[k] = d.gamma * life + d.early(run)
            more[k] = extra * life
        return parts, more

    def totals(self, shots: float) -> tuple[Array, Array]:
        """Hazard in each draw, and with the one failure more, (draws,)."""
        if shots not in self._totals:
            parts, more = self.by_cause(shots)
            plain = parts.sum(axis=0)
            self._totals[shots] = plain, plain + more.sum(axis=0)
            if len(self._totals) > KEPT:
                self._totals.popitem(last=False)
        return self._totals[shots]

    def reached(self, limit: float) -> Array:
        """Shots at which each draw's hazard, with the one failure more and drift, meets a limit; the least
        or most that is looked at where it does not."""
        if limit not in self._reached:
            self._reached[limit] = self.scale * np.exp(self._crossings(limit))
        return self._reached[limit]

    def _crossings(self, limit: float) -> Array:
        """By secants in logs, where a hazard is nearly straight, within brackets."""

        def excess(at: Array) -> Array:
            shots = self.scale * np.exp(at)
            parts, more = self.by_cause(shots)
            hazard = (parts + more).sum(axis=0) + self.drift(shots)
            return np.clip(np.log(np.maximum(hazard, 1e-300) / limit), -700.0, 700.0)

        low = np.full(self.extra.shape[1], np.log(SHORTEST))
        high = np.full(self.extra.shape[1], np.log(LONGEST))
        last = np.zeros_like(low)
        before = excess(last)
        at = np.clip(last - before, low, high)
        for _ in range(STEPS):
            now = excess(at)
            low, high = np.where(now < 0, at, low), np.where(now < 0, high, at)
            with np.errstate(divide="ignore", invalid="ignore"):
                to = at - now * (at - last) / (now - before)
            inside = (to > low) & (to < high)
            to = np.where(inside, to, np.where(now == 0, at, 0.5 * (low + high)))
            last, before, moved = at, now, np.abs(to - at)
            at = to
            if (np.minimum(moved, high - low) < 1e-9).all():
                break
        return at
