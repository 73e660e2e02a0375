"""Bounds for stress models: coefficients, life at a stress, and the stress that a life allows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from reliability.life.bounds import Bound, TargetBounds, from_log
from reliability.life.calibrated import MC_GOAL, calibrate, simulated_roots, tail_cut
from reliability.life.conditional import LEAST_SHARE, Conditional, conditional
from reliability.life.scheme import EXACT_KINDS, kind_of
from reliability.life.signed_root import signed_root, solve_root
from reliability.life.stress import StressFit
from reliability.life.targets import Coefficient, LogQuantile, LogShape, Target
from reliability.life.units import units_of

Array = NDArray[np.float64]
Stress = Mapping[str, float | str | Array]


@dataclass(frozen=True)
class Allowed:
    """The highest level of a stress at which the life bound still meets the requirement.

    Attributes
    ----------
    level : float
        nan where none does; inf where every level looked at does.
    cut : float
        Signed root at the bound.
    mc_error : float
        Monte-Carlo standard error of ln level.
    """

    level: float
    cut: float
    mc_error: float


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

    # --- the stress that a required life allows ------------------------------------------------

    def roots_along(
        self, column: str, levels: Array, shots: float, fraction: float, fixed: Stress
    ) -> Array:
        """Signed root of 'life at this level is exactly ``shots``' for each level, (m,)."""
        stress = {**fixed, column: levels}
        target = _spread(self.fit.quantile_target(fraction, stress), levels.size)
        v = np.full(levels.size, np.log(shots) - self.fit.sample.centre)
        if self.method == "wald":
            return self._wald_roots(target, v, levels.size)
        return signed_root(self.fit.family, self.fit.sample, target, v, self.fit.phi, self.loglik)[
            0
        ]

    def _wald_roots(self, target: LogQuantile, v: Array, size: int) -> Array:
        out = np.empty(size)
        values = np.asarray(target.value(self.fit.phi))
        for i in range(size):
            one = LogQuantile(target.z, tuple(float(np.asarray(x)[i]) for x in target.x))
            out[i] = (values[i] - v[i]) / self.standard_error(one)
        return out

    def allowed(
        self,
        column: str,
        shots: float,
        fraction: float,
        fixed: Stress,
        span: tuple[float, float],
    ) -> Allowed:
        """Highest level of ``column`` within ``span`` at which the lower bound on life is ``shots``.

        The level is a root of the *bound*: the highest at which 'the life is as short as the
        requirement' is just rejected at the confidence. Calibrated: that test's distribution is
        simulated at the level itself, under the fit that makes life equal to the requirement.
        """
        if self.draws is not None:
            return self._allowed_exactly(column, shots, fraction, fixed, span)
        cut, error = self.z, 0.0
        level = self._highest(column, shots, fraction, fixed, span, cut)
        if self.method != "calibrated":
            return Allowed(level, cut, 0.0)
        rng = np.random.default_rng([self.seed, 7])
        limit = max(400, int(400_000 * self.effort) // max(self.scheme.size, 1))
        draws = min(1500, limit)
        for stage in range(3):
            if not np.isfinite(level):
                break
            cut, cut_error = self._cut_at(column, level, shots, fraction, fixed, draws, rng)
            moved = self._highest(column, shots, fraction, fixed, span, cut + cut_error)
            level = self._highest(column, shots, fraction, fixed, span, cut)
            error = abs(np.log(moved / level)) if np.isfinite(level) and moved > 0 else 0.0
            if stage == 1:
                draws = int(np.clip(draws * (error / (MC_GOAL / 2)) ** 2, draws, limit))
        return Allowed(level, cut, float(error))

    def _allowed_exactly(
        self, column: str, shots: float, fraction: float, fixed: Stress, span: tuple[float, float]
    ) -> Allowed:
        """The same from the conditional distribution: the highest level whose bound is ``shots``."""
        assert self.draws is not None
        wanted = float(np.log(shots) - self.sample.centre)

        def short(level: float) -> float:
            target = _plain(self.fit.quantile_target(fraction, {**fixed, column: level}))
            return self.draws.quantile(target, 1.0 - self.confidence)[0] - wanted  # type: ignore[union-attr]

        low, high = span
        levels = np.geomspace(low, high, 49) if low > 0 else np.linspace(low, high, 49)
        safe = np.array([short(float(v)) >= 0 for v in levels])
        if not safe.any():
            return Allowed(float("nan"), self.z, 0.0)
        at = int(np.flatnonzero(safe)[-1])
        if at == levels.size - 1:
            return Allowed(float("inf"), self.z, 0.0)
        level = float(brentq(short, levels[at], levels[at + 1], xtol=1e-9 * abs(high)))
        target = _plain(self.fit.quantile_target(fraction, {**fixed, column: level}))
        error = self.draws.quantile(target, 1.0 - self.confidence)[1]
        # an error of the log life is one of the log level through the slope there
        step = 1e-3 * (abs(level) or 1.0)
        slope = abs(short(level + step) - short(level - step)) / 2e-3
        return Allowed(level, self._root_at(target, wanted), error / max(slope, 1e-12))

    def _root_at(self, target: LogQuantile, v: float) -> float:
        return float(
            signed_root(self.family, self.sample, target, np.array([v]), self.phi, self.loglik)[0][
                0
            ]
        )

    def _cut_at(
        self, column: str, level: float, shots: float, fraction: float, fixed: Stress, draws: int,
        rng: np.random.Generator,
    ) -> tuple[float, float]:  # fmt: skip
        target = _plain(self.fit.quantile_target(fraction, {**fixed, column: level}))
        v = float(np.log(shots) - self.fit.sample.centre)
        _, phi = signed_root(
            self.fit.family, self.fit.sample, target, np.array([v]), self.fit.phi, self.loglik
        )
        roots = simulated_roots(self.fit.family, self.scheme, target, v, phi, draws, rng)
        cut, error = tail_cut(roots, self.confidence, True)
        return max(cut, 1e-3), error

    def _highest(
        self,
        column: str,
        shots: float,
        fraction: float,
        fixed: Stress,
        span: tuple[float, float],
        cut: float,
    ) -> float:
        low, high = span
        for points in (49, 17, 17):
            levels = np.geomspace(low, high, points) if low > 0 else np.linspace(low, high, points)
            safe = self.roots_along(column, levels, shots, fraction, fixed) >= cut
            if not safe.any():
                return float("nan")
            last = int(np.flatnonzero(safe)[-1])
            if last == points - 1:
                return float("inf") if points == 49 else float(high)
            low, high = float(levels[last]), float(levels[last + 1])
        r = self.roots_along(column, np.array([low, high]), shots, fraction, fixed) - cut
        t = r[0] / (r[0] - r[1]) if r[0] != r[1] else 0.0
        return float(low + np.clip(t, 0.0, 1.0) * (high - low))

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


def _spread(target: LogQuantile, size: int) -> LogQuantile:
    """A target at many stresses: every covariate as an array (size,)."""
    x = tuple(np.broadcast_to(np.asarray(v, float), (size,)) for v in target.x)
    return LogQuantile(target.z, x)  # type: ignore[arg-type]
