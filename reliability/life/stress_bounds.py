"""Bounds for stress models: coefficients, life at a stress and along it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from reliability.life.bounds import Bound, TargetBounds, from_log
from reliability.life.calibrated import calibrate
from reliability.life.conditional import LEAST_SHARE, Conditional, conditional
from reliability.life.scheme import EXACT_KINDS, kind_of
from reliability.life.signed_root import signed_root, solve_root
from reliability.life.stress import StressFit
from reliability.life.targets import Coefficient, LogQuantile, LogShape, Target
from reliability.life.units import units_of

Array = NDArray[np.float64]
Stress = Mapping[str, float | str | Array]


class StressBounder(TargetBounds):
    """Bounds for one stress fit.

    Parameters
    ----------
    fit : StressFit
    confidence, method, seed
        See ``TargetBounds``.
    effort : float
        Multiplies the number of samples drawn.
    """

    def __init__(
        self, fit: StressFit, confidence: float = 0.95, method: str = "calibrated", seed: int = 1,
        effort: float = 1.0,
    ) -> None:  # fmt: skip
        super().__init__(fit, fit.records, fit.cov, confidence, method, seed, int(400_000 * effort))
        self.fit, self.effort = fit, effort
        self.draws: Conditional | None = None
        if self.method == "calibrated" and self._exact_kind():
            found = conditional(fit.family, fit.sample, fit.phi, fit.cov, seed)
            if found.share >= LEAST_SHARE:
                self.draws = found

    def _exact_kind(self) -> bool:
        """Whether every cell of the test was complete or stopped by its own failures."""
        units = units_of(self.fit.records, self.fit.x)
        if units.varying.any():
            return False
        cell = np.unique(units.x, axis=0, return_inverse=True)[1].reshape(-1)
        return kind_of(units.records, cell) in EXACT_KINDS

    def bound(self, target: Target) -> Bound:
        """Estimate with lower and upper bound, on the target's scale; exact where the test allows it."""
        if self.draws is None:
            return super().bound(target)
        estimate = float(np.asarray(target.value(self.phi))[0])
        (lo, e_lo), (hi, e_hi) = (
            self.draws.quantile(target, p) for p in (1.0 - self.confidence, self.confidence)
        )
        return Bound(estimate, lo, hi, max(e_lo, e_hi), "exact")

    def lower(self, target: Target) -> float:
        """The lower bound alone, on the target's scale."""
        if self.draws is None:
            return super().lower(target)
        return float(self.draws.quantile(target, 1.0 - self.confidence)[0])

    @property
    def design(self) -> Array:
        """Covariates of each record."""
        return self.fit.x

    def coefficient(self, j: int) -> Bound:
        """Coefficient of design column j in the term's own unit."""
        b = self.bound(Coefficient(j))
        s = self.fit.design[j].spread
        return Bound(b.estimate / s, b.lower / s, b.upper / s, b.mc_error, b.method)

    def shape(self) -> Bound:
        """1/sigma."""
        return from_log(self.bound(LogShape()))

    def life(self, fraction: float, stress: Stress) -> Bound:
        """Shots by which ``fraction`` has failed at a stress."""
        target = self.fit.quantile_target(fraction, stress)
        return from_log(self.bound(_plain(target)), self.sample.centre)

    def life_lower(self, fraction: float, stress: Stress) -> float:
        """Lower bound of the shots by which ``fraction`` has failed at a stress."""
        target = self.fit.quantile_target(fraction, stress)
        return float(np.exp(self.lower(_plain(target)) + self.sample.centre))

    # --- life along a stress -------------------------------------------------------------------

    def _root_at(self, target: LogQuantile, v: float) -> float:
        return float(
            signed_root(self.family, self.sample, target, np.array([v]), self.phi, self.loglik)[0][
                0
            ]
        )

    def lower_along(
        self, column: str, levels: Array, fraction: float, fixed: Stress, cuts: Array
    ) -> Array:
        """Lower bound of the life at each level with given cuts of the signed root, (m,)."""
        out = np.empty(levels.size)
        for i, level in enumerate(levels):
            target = _plain(self.fit.quantile_target(fraction, {**fixed, column: float(level)}))
            se = self.standard_error(target)
            if self.method == "wald":
                v = float(np.asarray(target.value(self.fit.phi))[0]) - self.z * se
            else:
                v = float(
                    solve_root(
                        self.fit.family, self.fit.sample, target, np.array([cuts[i]]), self.fit.phi,
                        self.loglik, se, tol=1e-6,
                    )[0]
                )  # fmt: skip
            out[i] = np.exp(v + self.fit.sample.centre)
        return out

    def cut_for(self, column: str, level: float, fraction: float, fixed: Stress) -> float:
        """Calibrated cut of the lower bound on life at one level (the normal one otherwise)."""
        if self.method != "calibrated":
            return self.z
        target = _plain(self.fit.quantile_target(fraction, {**fixed, column: level}))
        if self.draws is not None:
            return self._root_at(target, self.draws.quantile(target, 1.0 - self.confidence)[0])
        c = calibrate(
            self.fit.family, self.fit.sample, self.scheme, target, self.fit.phi, self.loglik,
            self.standard_error(target), self.confidence, True, np.random.default_rng([self.seed, 11]),
            int(60_000 * self.effort),
        )  # fmt: skip
        return c.cut


def _plain(target: LogQuantile) -> LogQuantile:
    """A target at one stress, with plain numbers."""
    return LogQuantile(target.z, tuple(float(np.asarray(v)) for v in target.x))
