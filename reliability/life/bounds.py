"""One-sided bounds on what a fitted model says, by the method asked for.

``calibrated`` (the default) keeps its confidence for small samples: exactly, by quadrature of the
pivots, for complete and failure-terminated tests (Lawless 2003, ch. 5) and for tests whose units were
withdrawn at failures (Viveros & Balakrishnan 1994); by inverting a simulated test for every other scheme. ``likelihood`` cuts the signed root at the normal quantile; ``wald``
adds multiples of the standard error. Both are too optimistic with few failures.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from reliability.histories import lives_of
from reliability.life.calibrated import Cut, calibrate
from reliability.life.families import normal_quantile
from reliability.life.fit import LifeFit, log_jacobian, phi_covariance
from reliability.life.quadrature import Plane, plane
from reliability.life.scheme import EXACT_KINDS, Scheme, kind_of, scheme_of
from reliability.life.signed_root import solve_root
from reliability.life.stress import StressFit
from reliability.life.targets import LogLife, LogQuantile, LogShape, Target
from reliability.notes import Note
from reliability.records import LifeRecords

Array = NDArray[np.float64]

METHODS = ("calibrated", "likelihood", "wald")
CALIBRATION_LIMIT = 2000
"""units above which calibration changes nothing that matters and the likelihood bound stands"""


@dataclass(frozen=True)
class Bound:
    """A value with its one-sided lower and upper bound, on the target's unbounded scale.

    Attributes
    ----------
    estimate, lower, upper : float
    mc_error : float
        Larger Monte-Carlo standard error of the two bounds; 0 where nothing was simulated.
    method : str
        What was done: ``exact``, ``simulated``, ``likelihood`` or ``wald``.
    """

    estimate: float
    lower: float
    upper: float
    mc_error: float
    method: str


class TargetBounds:
    """Bounds on any target of a fitted model: Wald, likelihood ratio, or the simulated test inverted.

    Parameters
    ----------
    fit : LifeFit or StressFit
        Gives ``family``, ``sample``, ``phi`` and the log-likelihood in shots.
    records : LifeRecords
        What was fitted.
    cov : array (p, p)
        Covariance of ``fit.phi``.
    confidence : float
        One-sided, between 0.5 and 1.
    method : str
        One of ``METHODS``.
    seed : int
        Of the simulations; same input and seed, same bound.
    max_work : int
        Most units drawn at the last candidate of a bound.
    """

    def __init__(
        self,
        fit: LifeFit | StressFit,
        records: LifeRecords,
        cov: Array,
        confidence: float,
        method: str,
        seed: int,
        max_work: int,
    ) -> None:
        if method not in METHODS:
            raise ValueError(f"unknown bound {method!r}; allowed: {', '.join(METHODS)}")
        if not 0.5 < confidence < 1.0:
            raise ValueError("confidence is one-sided and must lie between 0.5 and 1, e.g. 0.95")
        self.records, self.cov, self.confidence = records, cov, confidence
        self.family, self.sample, self.phi = fit.family, fit.sample, fit.phi
        self.loglik = fit.loglik + log_jacobian(records)
        self.seed, self.max_work = seed, max_work
        self.z = float(normal_quantile(confidence))
        self.skipped = method == "calibrated" and records.units > CALIBRATION_LIMIT
        self.method = "likelihood" if self.skipped else method
        self._scheme: Scheme | None = None

    @property
    def design(self) -> Array | None:
        """Covariates of each record, None without any."""
        return None

    @property
    def scheme(self) -> Scheme:
        """The observation scheme, made when first needed."""
        if self._scheme is None:
            self._scheme = scheme_of(self.records, self.design, self.sample.centre)
        return self._scheme

    def standard_error(self, target: Target) -> float:
        """Of the target's value, by the delta method."""
        g = target.gradient(self.phi)
        return float(np.sqrt(max(float(g @ self.cov @ g), 0.0)))

    def bound(self, target: Target) -> Bound:
        """Estimate with lower and upper bound, on the target's scale."""
        estimate = float(np.asarray(target.value(self.phi))[0])
        se = self.standard_error(target)
        if self.method == "wald":
            return Bound(estimate, estimate - self.z * se, estimate + self.z * se, 0.0, "wald")
        if self.method == "likelihood":
            cuts = np.array([self.z, -self.z])
            lo, hi = solve_root(self.family, self.sample, target, cuts, self.phi, self.loglik, se)
            return Bound(estimate, float(lo), float(hi), 0.0, "likelihood")
        low, high = self._calibrated(target, True), self._calibrated(target, False)
        return Bound(estimate, low.v, high.v, max(low.mc_error, high.mc_error), "simulated")

    def lower(self, target: Target) -> float:
        """The lower bound alone, on the target's scale: the one of ``bound``, at half the work."""
        if self.method == "calibrated":
            return self._calibrated(target, True).v
        return self.bound(target).lower

    def _calibrated(self, target: Target, lower: bool) -> Cut:
        # the draws depend on what is asked, not on what was asked before
        key = zlib.crc32(repr(target).encode()) & 0xFFFF
        rng = np.random.default_rng([self.seed, 0 if lower else 1, key])
        se = self.standard_error(target)
        return calibrate(
            self.family, self.sample, self.scheme, target, self.phi, self.loglik, se, self.confidence, lower, rng,
            self.max_work,
        )  # fmt: skip


class Bounder(TargetBounds):
    """Bounds for one fit without covariates; exact where the test allows it.

    Parameters
    ----------
    records : LifeRecords
        What was fitted.
    fit : LifeFit
    confidence, method, seed
        See ``TargetBounds``.
    effort : float
        Multiplies the number of samples drawn.
    """

    def __init__(
        self,
        records: LifeRecords,
        fit: LifeFit,
        confidence: float = 0.95,
        method: str = "calibrated",
        seed: int = 1,
        effort: float = 1.0,
    ) -> None:
        records = lives_of(records)
        cov = phi_covariance(fit.family, fit.sample, fit.phi)
        super().__init__(fit, records, cov, confidence, method, seed, int(1_200_000 * effort))
        self.fit = fit
        self.notes: tuple[Note, ...] = ()
        self._plane: Plane | None = None
        if self.method == "calibrated":
            self.method = "exact" if kind_of(records) in EXACT_KINDS else "simulated"
        if self.skipped:
            text = (
                f"{records.units:g} units: the plain likelihood-ratio bound is used; "
                f"calibration is for up to {CALIBRATION_LIMIT} units and would change little."
            )
            self.notes = (Note("calibration_skipped", text),)

    def bound(self, target: Target) -> Bound:
        """Estimate with lower and upper bound of a target."""
        if not self.family.shape_free and isinstance(target, LogShape):
            return Bound(0.0, 0.0, 0.0, 0.0, "fixed")
        if self.method == "exact":
            estimate = float(np.asarray(target.value(self.phi))[0])
            return self._exact(target, estimate, self.standard_error(target))
        return super().bound(target)

    def _exact(self, target: Target, estimate: float, se: float) -> Bound:
        fit, c = self.fit, self.confidence
        if not fit.family.shape_free:
            return self._exponential(target, estimate)
        if self._plane is None:
            self._plane = plane(fit.family, self.sample, fit.phi)
        lo = self._plane.quantile(target, 1.0 - c, estimate - 2 * se, 2 * se)
        hi = self._plane.quantile(target, c, estimate + 2 * se, 2 * se)
        return Bound(estimate, lo, hi, 0.0, "exact")

    def _exponential(self, target: Target, estimate: float) -> Bound:
        """2 T / theta is chi-square with 2 r degrees of freedom (Epstein & Sobel 1953)."""
        r = self.fit.failed
        low = np.log(r / gammaincinv(r, self.confidence))
        high = np.log(r / gammaincinv(r, 1.0 - self.confidence))
        if isinstance(target, LogQuantile):
            return Bound(estimate, estimate + low, estimate + high, 0.0, "exact")
        return Bound(estimate, estimate - high, estimate - low, 0.0, "exact")

    # --- in the units people use -----------------------------------------------------------

    def quantile(self, fraction: float) -> Bound:
        """Shots at which ``fraction`` has failed, with bounds."""
        target = LogQuantile(float(self.fit.family.quantile(np.asarray(fraction))))
        b = self.bound(target)
        c = self.sample.centre
        return from_log(b, c)

    def survival(self, shots: float) -> Bound:
        """Survival at ``shots``, with bounds."""
        if shots <= 0:
            return Bound(1.0, 1.0, 1.0, 0.0, "certain")
        b = self.bound(LogLife(float(np.log(shots) - self.sample.centre)))
        s = self.fit.family.survival(np.array([b.estimate, b.upper, b.lower]))
        return Bound(float(s[0]), float(s[1]), float(s[2]), b.mc_error, b.method)

    def shape(self) -> Bound:
        """1/sigma, with bounds."""
        b = self.bound(LogShape())
        return from_log(b)

    def scale(self) -> Bound:
        """exp(mu), with bounds."""
        b = self.bound(LogQuantile(0.0))
        c = self.sample.centre
        return from_log(b, c)


def from_log(b: Bound, shift: float = 0.0) -> Bound:
    """A bound from the log scale."""
    e, lo, hi = (float(np.exp(v + shift)) for v in (b.estimate, b.lower, b.upper))
    return Bound(e, lo, hi, b.mc_error, b.method)


def survival_curve(
    bounder: Bounder, shots: Sequence[float] | Array, knots: int = 5
) -> tuple[Array, Array, Array]:
    """Estimate, lower and upper survival at many counts, (m,) each.

    The distance of a bound from the estimate, in standard errors, varies slowly along the curve: it is
    worked out at a few counts and interpolated between them.
    """
    y = np.log(np.asarray(shots, float)) - bounder.sample.centre
    fit = bounder.fit
    estimate = fit.family.survival(fit.phi[0] * y + fit.phi[1])
    order = np.linspace(y.min(), y.max(), min(knots, y.size))
    at = [bounder.bound(LogLife(float(v))) for v in order]
    w = fit.phi[0, 0] * y + fit.phi[1, 0]
    w_knots = fit.phi[0, 0] * order + fit.phi[1, 0]
    # interpolate the distance from the estimate, in standard errors
    se = np.array([bounder.standard_error(LogLife(float(v))) for v in y])
    se_knots = np.array([bounder.standard_error(LogLife(float(v))) for v in order])
    down = np.interp(w, w_knots, [(b.estimate - b.lower) / s for b, s in zip(at, se_knots)])
    up = np.interp(w, w_knots, [(b.upper - b.estimate) / s for b, s in zip(at, se_knots)])
    return estimate, fit.family.survival(w + up * se), fit.family.survival(w - down * se)
