"""The promise of a module made of slots: the count at which its survival is still bounded as wanted.

The signed root of the profile likelihood ratio of the module's hazard over the mission, profiled over
all ways to share it between the slots and over each slot's shape and voltage exponent. Its cut is
simulated in two stages under the fit that makes the candidate true, all tests drawn again as they were
planned (DiCiccio, Martin & Stern 2001; Lee & Young 2005; Lawless 2003). What the unit to be promised
has survived so far is no evidence (it was chosen for having survived); its age counts all the same.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtri

from reliability.slots.bench import Law, draw
from reliability.slots.exposure import LONGEST_DRAWN, Array, SlotData
from reliability.slots.grid import (
    SHAPES,
    SHARES,
    Cells,
    best,
    cells_of,
    exponents_of,
    mission_exposure,
    profile,
    share_out,
)

DRAWS = 400
LEAST_CUT = 0.75
"""of the normal cut: below that a simulated one is luck"""
SLACK = 0.012
"""chance beyond 1 - confidence that is left to the simulation's own error"""
TIE = 2e-3
"""roots that differ by less are one: the solution is not known better"""
MOST_STEPS_DOWN = 12
LONGEST, SHORTEST = 1e9, 1e-6
"""most and least times the pool's middle count that can be promised"""


@dataclass(frozen=True)
class Cut:
    """Where the signed root is cut, and how that was found: ``simulated``, ``exact`` or ``normal``.

    ``error`` is the standard error of a simulated cut.
    """

    value: float
    method: str
    error: float = 0.0


class ModuleModel:
    """A module's slots together.

    Parameters
    ----------
    slots : sequence of SlotData
    drift : callable, optional
        Hazard of wear towards a limit over so many shots from now: it adds to sudden failure.
    seed : int
    """

    def __init__(
        self,
        slots: Sequence[SlotData],
        drift: Callable[[float], float] | None = None,
        seed: int = 1,
    ) -> None:
        self.slots = list(slots)
        self.drift = drift or (lambda shots: 0.0)
        self.seed = seed
        ends = np.concatenate([s.units.end.ravel() for s in self.slots])
        self.scale = float(np.exp(np.mean(np.log(ends))))
        self.cells = [cells_of(s, s.units, self.scale) for s in self.slots]
        self.tops = [best(c) for c in self.cells]
        self.drawn = all(s.units.level.size <= LONGEST_DRAWN for s in self.slots)

    # --- estimates -------------------------------------------------------------------------

    def hazard(self, i: int, shots: float) -> float:
        """Estimated hazard of a slot over so many shots from now; 0 where nothing failed."""
        c, k = self.cells[i], int(self.tops[i][1][0])
        if not c.failures[0]:
            return 0.0
        g = mission_exposure(self.slots[i], shots, self.scale)[k]
        return float(c.failures[0] / c.exposure[k, 0] * g)

    def shape(self, i: int) -> float:
        """Estimated shape of a slot; nan where nothing failed."""
        if not self.cells[i].failures[0]:
            return float("nan")
        return float(SHAPES[int(self.tops[i][1][0]) // exponents_of(self.slots[i]).size])

    def exponent(self, i: int) -> float:
        """Estimated voltage exponent; nan where the voltage does not matter."""
        e = exponents_of(self.slots[i])
        if e.size == 1:
            return float("nan")
        return float(e[int(self.tops[i][1][0]) % e.size])

    def total(self, shots: float) -> float:
        """Estimated hazard of all slots and of drift over so many shots from now."""
        return sum(self.hazard(i, shots) for i in range(len(self.slots))) + self.drift(shots)

    def survival(self, shots: float) -> float:
        """Estimated survival of so many shots from now."""
        return float(np.exp(-self.total(shots)))

    def life(self, fraction: float) -> float:
        """Estimated shots by which a fraction has failed; nan where nothing failed."""
        want = -np.log1p(-fraction)

        def lacking(u: float) -> float:
            return float(self.total(float(np.exp(u))) - want)

        low, high = np.log(self.scale * SHORTEST), np.log(self.scale * LONGEST)
        if lacking(high) < 0:
            return float("nan")
        return float(np.exp(brentq(lacking, low, high, xtol=1e-9))) if lacking(low) < 0 else 0.0

    # --- the signed root -------------------------------------------------------------------

    def root(
        self, shots: float, hazard: float, cells: Sequence[Cells] | None = None
    ) -> tuple[Array, Array, Array]:
        """Signed root of the hypothesis that the hazard of sudden failure over ``shots`` is ``hazard``.

        Positive where the estimate is better than that; (B,) for B samples, and the two splits of ``share_out``.
        """
        cells = self.cells if cells is None else cells
        tops = self.tops if cells is self.cells else [best(c) for c in cells]
        deviances, fitted = [], np.zeros(cells[0].failures.size)
        for slot, c, (top, k) in zip(self.slots, cells, tops, strict=True):
            g = mission_exposure(slot, shots, self.scale)
            value, _ = profile(c, g, hazard * SHARES)
            deviances.append(2.0 * np.maximum(top - value, 0.0))
            with np.errstate(divide="ignore", invalid="ignore"):
                rate = c.failures / c.exposure[k, np.arange(k.size)]
            fitted += np.where(c.failures > 0, rate * g[k], 0.0)
        total, side, mixture = share_out(deviances)
        sign = np.where(fitted <= hazard, 1.0, -1.0)
        return sign * np.sqrt(np.maximum(total, 0.0)), side, mixture

    def _left(self, survival: float, shots: float) -> float:
        """Hazard that sudden failure may have, drift taken off; 0 or less where drift alone is too much."""
        return float(-np.log(survival) - self.drift(shots))

    def solve(self, survival: float, cut: float) -> float:
        """Shots at which the root of that survival meets the cut."""

        def excess(u: float) -> float:
            shots = float(np.exp(u))
            hazard = self._left(survival, shots)
            if hazard <= 1e-12:
                return -50.0
            return float(self.root(shots, hazard)[0][0]) - cut

        low, high = np.log(self.scale * SHORTEST), np.log(self.scale * LONGEST)
        if excess(low) < 0:
            return 0.0
        if excess(high) > 0:
            return float(np.exp(high))
        return float(np.exp(brentq(excess, low, high, xtol=1e-4)))

    def simulated_roots(self, shots: float, survival: float, draws: int) -> Array:
        """The root in tests drawn again under the fit in which the hypothesis is true, (draws,)."""
        hazard = max(self._left(survival, shots), 1e-9)
        _, shares, _ = self.root(shots, hazard)
        # the same random numbers at every candidate, so that candidates differ by nothing else
        rng = np.random.default_rng(self.seed)
        samples = []
        for slot, c, share in zip(self.slots, self.cells, shares, strict=True):
            own = hazard * float(share)
            g = mission_exposure(slot, shots, self.scale)
            k = int(profile(c, g, np.array([own]))[1][0, 0])
            e = exponents_of(slot)
            law = Law(
                float(SHAPES[k // e.size]), float(e[k % e.size]), own / float(g[k]), self.scale
            )
            samples.append(cells_of(slot, draw(slot, law, draws, rng), self.scale))
        return self.root(shots, hazard, samples)[0]

    def cut(self, survival: float, confidence: float) -> Cut:
        """Where the root is cut for a lower bound: simulated in two stages, then made sure of.

        Few failures make the root's distribution lumpy: what matters is the chance, under the bound, of a
        root as large as the one seen, ties counted (Buehler 1957). Where the two stages leave it above
        1 - confidence, shorter missions are tried until it is not.
        """
        normal = float(ndtri(confidence))
        if not any(c.failures[0] for c in self.cells):
            # all draws without failure tie with what was seen: their chance is exp(-root^2 / 2)
            return Cut(float(np.sqrt(-2.0 * np.log1p(-confidence))), "exact")
        if not self.drawn:
            return Cut(normal, "normal")
        least = self.scale * SHORTEST
        shots, value = self.solve(survival, normal), normal
        for _ in (1, 2):
            roots = self.simulated_roots(max(shots, least), survival, DRAWS)
            value = max(float(np.quantile(roots, confidence)), LEAST_CUT * normal)
            shots = self.solve(survival, value)
        if self._chance(shots, survival) > 1 - confidence + SLACK:
            shots = self._shorter(shots, survival, confidence)
            value = float(self.root(shots, max(self._left(survival, shots), 1e-9))[0][0])
        se = float(np.sqrt(confidence * (1 - confidence) / DRAWS))
        near = np.quantile(roots, [max(confidence - se, 0.0), min(confidence + se, 1.0)])
        return Cut(value, "simulated", float(np.ptp(near)) / 2)

    def _chance(self, shots: float, survival: float) -> float:
        """Chance of a root as large as the one seen if that survival of the shots were true, ties counted."""
        shots = max(shots, self.scale * SHORTEST)
        seen = float(self.root(shots, max(self._left(survival, shots), 1e-9))[0][0])
        return float((self.simulated_roots(shots, survival, DRAWS) >= seen - TIE).mean())

    def _shorter(self, shots: float, survival: float, confidence: float) -> float:
        """Longest mission up to ``shots`` at which the chance is 1 - confidence or less."""
        low, high = shots, shots
        for _ in range(MOST_STEPS_DOWN):
            low *= 0.7
            if self._chance(low, survival) <= 1 - confidence:
                break
            high = low
        for _ in range(7):
            middle = float(np.sqrt(low * high))
            if self._chance(middle, survival) <= 1 - confidence:
                low = middle
            else:
                high = middle
        return low

    # --- bounds ----------------------------------------------------------------------------

    def promise(self, survival: float, cut: Cut) -> float:
        """Shots that can be promised at that survival."""
        return self.solve(survival, cut.value)

    def lower(self, shots: float, cut: Cut) -> float:
        """Lower bound of survival of so many shots, with a cut found for the promise."""
        drift = self.drift(shots)

        def excess(u: float) -> float:
            return float(self.root(shots, float(np.exp(u)))[0][0]) - cut.value

        low, high = np.log(1e-9), np.log(50.0)
        if excess(high) < 0:
            return 0.0
        hazard = np.exp(low) if excess(low) > 0 else np.exp(brentq(excess, low, high, xtol=1e-4))
        return float(np.exp(-hazard - drift))

    def upper(self, shots: float, confidence: float) -> float:
        """Upper bound of survival by the likelihood ratio (not simulated)."""
        z = float(ndtri(confidence))

        def excess(u: float) -> float:
            return float(self.root(shots, float(np.exp(u)))[0][0]) + z

        low, high = np.log(1e-9), np.log(50.0)
        if excess(low) > 0:
            return 1.0
        return float(np.exp(-np.exp(brentq(excess, low, high, xtol=1e-4)) - self.drift(shots)))

    def first_to_fail(self, grid: Sequence[float] | Array) -> list[float]:
        """Probability of each slot to fail first within a grid of shots from 0, as estimated."""
        slots = range(len(self.slots))
        return first_failure_shares(
            [np.array([self.hazard(i, s) if s > 0 else 0.0 for s in grid]) for i in slots]
        )

    def only(self, i: int) -> ModuleModel:
        """One slot by itself, without drift."""
        return ModuleModel([self.slots[i]], seed=self.seed)

    def held_down_by(self, shots: float, survival: float) -> list[float]:
        """Share of the hazard that each slot has where the bound is met: what holds the promise down."""
        hazard = max(self._left(survival, shots), 1e-9)
        _, _, shares = self.root(shots, hazard)
        return [float(s) for s in shares]


def older(slot: SlotData, shots: float) -> SlotData:
    """The slot with its unit to be promised older by so many shots at the voltage of use."""
    ages = slot.ages.copy()
    ages[:, -1] += shots
    return replace(slot, ages=ages)


def first_failure_shares(hazards: Sequence[Array]) -> list[float]:
    """Probability that each of several independent hazards strikes first, by integration.

    Parameters
    ----------
    hazards : sequence of arrays (m,)
        Cumulative hazards along one grid of counts.
    """
    total = np.sum(hazards, axis=0)
    alive = np.exp(-total)
    middle = 0.5 * (alive[1:] + alive[:-1])
    return [float((middle * np.diff(h)).sum()) for h in hazards]
