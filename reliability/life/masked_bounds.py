"""Bounds on the life of one cause where failures of unknown cause may have been it.

The signed root of the observed-data profile likelihood is cut where the calibrated bound of the
failures known to be of this cause cuts its own (those of unknown cause censored there). Fewer
failures call for a larger cut, so this is on the safe side of simulating the joint fit itself; how
far is measured in tests/benchmarks/masked.py. With nothing unknown it is the bound of the
cause-specific view.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from reliability.life.bounds import Bound, Bounder, from_log
from reliability.life.calibrated import calibrate
from reliability.life.engine import fit_batch
from reliability.life.families import normal_quantile
from reliability.life.fit import NoMaximum, fit_life, phi_covariance
from reliability.life.masked import MaskedFit
from reliability.life.sample import sample_of
from reliability.life.scheme import scheme_of
from reliability.life.signed_root import UNREACHABLE, signed_root
from reliability.life.targets import LogLife, LogQuantile, LogShape, Target, quantile_target
from reliability.notes import Note
from reliability.records import LifeRecords

Array = NDArray[np.float64]

WIDE_CUT = 2.5
"""signed root at the exact 95 % bound of a failure-terminated test with few failures"""
LEAST_KNOWN = 2
"""failures known to be of a cause below which its cut is that of all its candidates failing"""


@dataclass
class MaskedBounder:
    """One-sided bounds on one cause of a joint fit.

    Attributes
    ----------
    fit : MaskedFit
    cause : int
        Its place among ``fit.causes``.
    confidence : float
    seed : int
        Of the simulations behind the cut.
    method : str
        ``calibrated``, or ``likelihood`` for the normal cut.
    effort : float
        Multiplies the number of samples drawn.
    """

    fit: MaskedFit
    cause: int
    confidence: float = 0.95
    seed: int = 1
    method: str = "calibrated"
    effort: float = 1.0

    def root(self, target: Target, v: float, start: Array | None = None) -> tuple[float, Array]:
        """Signed root of the observed-data profile likelihood at ``v``, and the free parameters there."""
        fit = self.fit
        model = fit.model.under(self.cause, target.held(v))
        if start is None or start.size != model.size:
            start = model.theta(fit.phi)
        theta, ll, _ = model.maximise(start)
        best = fit.model.value(fit.model.theta(fit.phi))[0]
        sign = 1.0 if v <= float(np.asarray(target.value(fit.phi[self.cause]))[0]) else -1.0
        return sign * float(np.sqrt(max(2.0 * (best - ll), 0.0))), theta

    def cut(self, target: Target, lower: bool) -> float:
        """Where the signed root is cut: positive for the lower bound."""
        z = float(normal_quantile(self.confidence))
        if self.method == "likelihood":
            return z if lower else -z
        cause = self.fit.causes[self.cause]
        failed = self.fit.known[self.cause] < LEAST_KNOWN
        records, x = cause.known_records(failed)
        try:
            found = self._calibrated(records, x, target, lower)
        except NoMaximum:
            found = None
        if found is None:
            # nothing to calibrate on: the cut of an exact test with two or three failures
            found = WIDE_CUT if lower else -WIDE_CUT
        if not self.fit.unknown:
            return found
        # no shorter than the normal cut where the stand-in is not the fit itself
        return max(found, z) if lower else min(found, -z)

    def _calibrated(
        self, records: LifeRecords, x: Array, target: Target, lower: bool
    ) -> float | None:
        """Cut of the calibrated bound on these records alone; None where they have no fit."""
        fam = self.fit.family
        if not x.shape[1]:
            own = fit_life(records, fam.name)
            bounder = Bounder(records, own, self.confidence, "calibrated", self.seed, self.effort)
            moved = _moved(target, self.fit.centre - own.sample.centre)
            b = bounder.bound(moved)
            v = np.array([b.lower if lower else b.upper])
            return float(signed_root(fam, own.sample, moved, v, own.phi, bounder.loglik)[0][0])
        sample = sample_of(records, x, self.fit.centre)
        free = fit_batch(fam, sample, start=self.fit.phi[self.cause], tol=1e-15, max_iter=200)
        if not free.converged[0]:
            return None
        cov = phi_covariance(fam, sample, free.phi)
        g = target.gradient(free.phi)
        return calibrate(
            fam, sample, scheme_of(records, x, self.fit.centre), target, free.phi, float(free.loglik[0]),
            float(np.sqrt(g @ cov @ g)), self.confidence, lower, np.random.default_rng([self.seed, int(lower)]),
            int(400_000 * self.effort),
        ).cut  # fmt: skip

    def bound(self, target: Target) -> Bound:
        """Estimate with lower and upper bound, on the target's scale."""
        estimate = float(np.asarray(target.value(self.fit.phi[self.cause]))[0])
        if not self.fit.model.parts[self.cause].has_shape and isinstance(target, LogShape):
            return Bound(estimate, estimate, estimate, 0.0, "fixed")
        lo, hi = (
            self._solve(target, estimate, self.cut(target, side), side) for side in (True, False)
        )
        return Bound(estimate, lo, hi, 0.0, self.method)

    def _solve(self, target: Target, estimate: float, cut: float, lower: bool) -> float:
        state: dict[str, Array | None] = {"theta": None}

        def excess(v: float) -> float:
            r, state["theta"] = self.root(target, v, state["theta"])
            return r - cut

        side = -1.0 if lower else 1.0
        step, far = 0.25, estimate
        for _ in range(60):
            near, far = far, far + side * step
            if excess(far) * side <= 0:
                return float(brentq(excess, near, far, xtol=1e-8))
            step *= 1.8
            if abs(far - estimate) > UNREACHABLE:
                break
        return side * float("inf")

    def quantile(self, fraction: float, x: tuple[float, ...] = ()) -> Bound:
        """Shots at which ``fraction`` has failed by this cause alone, with bounds."""
        return from_log(self.bound(quantile_target(self.fit.family, fraction, x)), self.fit.centre)

    def survival(self, shots: float, x: tuple[float, ...] = ()) -> Bound:
        """Survival of this cause alone at ``shots``, with bounds."""
        if shots <= 0:
            return Bound(1.0, 1.0, 1.0, 0.0, "certain")
        b = self.bound(LogLife(float(np.log(shots) - self.fit.centre), x))
        s = self.fit.family.survival(np.array([b.estimate, b.upper, b.lower]))
        return Bound(float(s[0]), float(s[1]), float(s[2]), b.mc_error, b.method)


def _moved(target: Target, shift: float) -> Target:
    """A target on logs with another centre, for one life without covariates."""
    if isinstance(target, LogLife):
        return LogLife(target.y + shift)
    if isinstance(target, LogQuantile):
        return LogQuantile(target.z)
    return target


def unknown_note(
    fit: MaskedFit, cause: int, fraction: float = 0.1, x: tuple[float, ...] = ()
) -> tuple[Note, ...]:
    """How many failures have no known cause, and what that costs the bound; empty where none has."""
    if not fit.unknown:
        return ()
    wider = fit.widening(cause, quantile_target(fit.family, fraction, x))
    name = fit.causes[cause].name
    if len(fit.causes) == 1:
        text = (
            f"{fit.unknown:g} failure{'s' if fit.unknown != 1 else ''} had several suspects, all of {name}: counted once each, beside "
            f"{fit.known[cause]:g} known."
        )
        return (Note("unknown_cause", text),)
    share = fit.failures[cause] - fit.known[cause]
    text = (
        f"{fit.unknown:g} failure{'s' if fit.unknown != 1 else ''} of unknown cause: each may have been any of "
        f"{', '.join(c.name for c in fit.causes)}; {share:.1f} of them are reckoned to {name}, beside "
        f"{fit.known[cause]:g} known. Not knowing makes the standard error of its {fraction:.0%} life "
        f"{wider:.2f} times what it would be."
    )
    return (Note("unknown_cause", text),)
