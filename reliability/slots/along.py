"""One slot's promise along the charge voltage: shots at each voltage, from one calibration.

The model is that of ``promise``: the likelihood of ``grid`` with its penalties, and the tests drawn again
by ``bench``. What is asked differs: not one mission but all of them, so that the highest voltage at which a
mission is still promised can be read off. The hypothesis is that the hazard of so many shots at a voltage
is at least h; the sets of parameters for which it holds grow with shots and voltage and shrink with h, so
that the signed root falls with shots and voltage and rises with h, exactly. With one cut for the whole
curve the promise is therefore monotone in voltage, survival and confidence, and the allowed voltage
in shots.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from reliability.slots.bench import Law, draw
from reliability.slots.exposure import LONGEST_DRAWN, Array, SlotData
from reliability.slots.grid import SHAPES, Cells, best, cells_of, exponents_of

DRAWS = 300
NOMINAL = float(ndtri(0.95))
"""root at which the hypotheses lie under which tests are drawn again"""
SURVIVALS = (0.5, 0.9, 0.99)
"""of those hypotheses"""
TAIL = 0.98
"""confidence beyond which a simulated cut goes on as a normal one does: draws tell no more"""
STEPS = 60
LONGEST, SHORTEST = 30.0, -30.0
"""log shots over the pool's middle count between which a promise is looked for"""


@dataclass(frozen=True)
class Hypothesis:
    """The hazard of so many shots (log, over the scale) at log voltage ``x`` is ``hazard``."""

    log_shots: float
    x: float
    hazard: float


class Along:
    """A slot's promise at any voltage.

    Parameters
    ----------
    slot : SlotData
        Of one slot, asked for at ``reference``, its unit new.
    reference : float
        Volts.
    tested : (float, float)
        Lowest and highest voltage of the tests, between and at which tests are drawn again.
    calibrated : bool
        Whether the cut is simulated; else the normal one.
    seed : int
    """

    def __init__(
        self,
        slot: SlotData,
        reference: float,
        tested: tuple[float, float],
        calibrated: bool = True,
        seed: int = 1,
    ) -> None:
        self.slot = replace(slot, law=True)
        self.reference, self.seed = reference, seed
        self.scale = float(np.exp(np.mean(np.log(slot.units.end))))
        self.cells = cells_of(self.slot, slot.units, self.scale)
        e = exponents_of(self.slot)
        self.shapes, self.exponents = np.repeat(SHAPES, e.size), np.tile(e, SHAPES.size)
        self.top = best(self.cells)[0]
        self.calibrated = calibrated and slot.units.level.size <= LONGEST_DRAWN
        x = np.log(np.array(tested) / reference)
        self.anchors = sorted({float(x[0]), float(x.mean()), float(x[1])})
        self._roots: Array | None = None

    # --- the signed root -------------------------------------------------------------------

    def _exposure(self, log_shots: Array | float, x: Array | float) -> Array:
        """Exposure of so many shots at log voltages, (cells, m)."""
        u = np.atleast_1d(np.asarray(log_shots, float)), np.atleast_1d(np.asarray(x, float))
        b, e = self.shapes[:, None], self.exponents[:, None]
        return np.asarray(np.exp(np.clip(b * (u[0] + e * u[1]), -700, 700)) * self.slot.copies)

    def root(self, log_shots: Array | float, x: Array | float, hazard: float) -> Array:
        """Root of 'the hazard is at least that', (m,): 0 where the estimate does not contradict it."""
        g = self._exposure(log_shots, x)
        c = self.cells
        rate = np.maximum(c.failures[0] / c.exposure, hazard / g)
        value = (c.const + c.failures[0] * np.log(rate) - rate * c.exposure).max(axis=0)
        return np.sqrt(np.maximum(2.0 * (self.top[0] - value), 0.0))

    def solve(self, x: Array, hazard: float, cut: float) -> Array:
        """Log shots at each log voltage at which the root meets the cut, (m,)."""
        low, high = np.full(x.size, SHORTEST), np.full(x.size, LONGEST)
        for _ in range(STEPS):
            middle = 0.5 * (low + high)
            above = self.root(middle, x, hazard) >= cut
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return low

    # --- its distribution ------------------------------------------------------------------

    def _law(self, at: Hypothesis) -> Law:
        """The law most likely of those for which the hypothesis just holds."""
        g = self._exposure(at.log_shots, at.x)[:, 0]
        rate = at.hazard / g
        c, r = self.cells, self.cells.failures[0]
        k = int((c.const[:, 0] + r * np.log(rate) - rate * c.exposure[:, 0]).argmax())
        return Law(float(self.shapes[k]), float(self.exponents[k]), float(rate[k]), self.scale)

    def _drawn(self, at: Hypothesis, rng: np.random.Generator) -> Array:
        """Roots of a hypothesis in tests drawn again under it, (DRAWS,)."""
        c: Cells = cells_of(self.slot, draw(self.slot, self._law(at), DRAWS, rng), self.scale)
        g = self._exposure(at.log_shots, at.x)
        tops, r = best(c)[0], c.failures
        rate = np.maximum(r / np.maximum(c.exposure, 1e-300), at.hazard / g)
        value = (c.const + r * np.log(rate) - rate * c.exposure).max(axis=0)
        return np.sqrt(np.maximum(2.0 * (tops - value), 0.0))

    def roots(self) -> Array:
        """Sorted roots at each anchor, (anchors, DRAWS): drawn once for all questions on these records."""
        if self._roots is None:
            out = []
            for i, x in enumerate(self.anchors):
                for j, survival in enumerate(SURVIVALS):
                    hazard = -np.log(survival)
                    rng = np.random.default_rng([self.seed, 41, i, j])
                    at = float(self.solve(np.array([x]), hazard, NOMINAL)[0])
                    out.append(np.sort(self._drawn(Hypothesis(at, x, hazard), rng)))
            self._roots = np.array(out)
        return self._roots

    def cut(self, confidence: float) -> float:
        """Where the root is cut: the mean over the anchors' simulated quantiles, rising with confidence."""
        z = float(ndtri(confidence))
        if not self.cells.failures[0]:
            # every draw without a failure ties with what was seen: exp(-root^2 / 2) is their chance
            return float(np.sqrt(-2.0 * np.log1p(-confidence)))
        if not self.calibrated:
            return z
        near = min(confidence, TAIL)
        simulated = float(np.quantile(self.roots(), near, axis=1).mean())
        return simulated + z - float(ndtri(near))

    def promise(self, volts: Sequence[float] | Array, survival: float, confidence: float) -> Array:
        """Shots that can be promised at each voltage with that survival at that confidence, (m,)."""
        x = np.log(np.asarray(volts, float) / self.reference)
        return np.exp(self.solve(x, -np.log(survival), self.cut(confidence))) * self.scale
