"""Exact conditional inference and posteriors by two-dimensional quadrature.

For a complete or failure-terminated sample of a location-scale family, the distribution of the
pivots given the ancillary statistic is the likelihood itself, normalised with weight
``d mu d sigma / sigma`` (Fisher 1934; Lawless 2003, sec. 5.1 and app. E). Its tail areas are exact
confidence levels, without simulation error. The same integral with a prior on the shape is a
Bayes posterior.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.engine import fit_batch, loglik_at
from reliability.life.families import Family
from reliability.life.likelihood import Held
from reliability.life.sample import Sample
from reliability.life.targets import LogLife, LogQuantile, LogShape, Target

Array = NDArray[np.float64]

_DROP = 30.0  # log density below the top at which the integral is cut: e^-30
_SHAPES = 241
_LOCATIONS = 241


@dataclass(frozen=True)
class Plane:
    """Density over (ln beta, alpha) on a grid, ``alpha = -mu/sigma``.

    Attributes
    ----------
    log_beta : array (m,)
        Evenly spaced.
    alpha : array (m, k)
        Evenly spaced for each beta.
    cdf : array (m, k)
        P(alpha <= grid point | beta).
    weight : array (m,)
        Probability of each beta (sums to 1).
    """

    log_beta: Array
    alpha: Array
    cdf: Array
    weight: Array

    def _above(self, threshold: Array) -> float:
        """P(alpha >= threshold(beta)), threshold (m,)."""
        step = self.alpha[:, 1] - self.alpha[:, 0]
        pos = (threshold - self.alpha[:, 0]) / step
        k = self.alpha.shape[1]
        i = np.clip(np.floor(pos).astype(int), 1, k - 3)
        t = pos - i
        rows = np.arange(self.alpha.shape[0])
        c0, c1, c2, c3 = (self.cdf[rows, i + j] for j in (-1, 0, 1, 2))
        # cubic through four neighbours
        p = c1 + 0.5 * t * (
            c2 - c0 + t * (2 * c0 - 5 * c1 + 4 * c2 - c3 + t * (3 * (c1 - c2) + c3 - c0))
        )
        p = np.where(pos <= 0, 0.0, np.where(pos >= k - 1, 1.0, np.clip(p, 0.0, 1.0)))
        return float(1.0 - self.weight @ p)

    def probability_below(self, target: Target, v: float) -> float:
        """P(target <= v) for a quantile, a log life (w at a count) or the log shape."""
        beta = np.exp(self.log_beta)
        if isinstance(target, LogQuantile):
            return self._above(target.z - beta * v)
        if isinstance(target, LogLife):
            return 1.0 - self._above(v - beta * target.y)
        if isinstance(target, LogShape):
            edges = np.concatenate(([0.0], np.cumsum(self.weight)))
            step = self.log_beta[1] - self.log_beta[0]
            return float(
                np.interp(
                    v, np.append(self.log_beta - step / 2, self.log_beta[-1] + step / 2), edges
                )
            )
        raise TypeError("quadrature serves models without covariates")

    def quantile(self, target: Target, probability: float, guess: float, scale: float) -> float:
        """The v with P(target <= v) = probability, by bracketing and bisection."""
        lo, hi = guess - scale, guess + scale
        for _ in range(200):
            if self.probability_below(target, lo) <= probability:
                break
            lo -= 2.0 * (hi - lo)
        for _ in range(200):
            if self.probability_below(target, hi) >= probability:
                break
            hi += 2.0 * (hi - lo)
        for _ in range(100):
            mid = 0.5 * (lo + hi)
            if self.probability_below(target, mid) < probability:
                lo = mid
            else:
                hi = mid
            if hi - lo < 1e-10 * (1 + abs(mid)):
                break
        return 0.5 * (lo + hi)

    def expect(self, function: Callable[[Array, Array], Array]) -> float:
        """Mean of a function of (beta (m, 1), alpha (m, k))."""
        values = function(np.exp(self.log_beta)[:, None], self.alpha)
        mass = np.diff(self.cdf, axis=1)
        mean = (0.5 * (values[:, 1:] + values[:, :-1]) * mass).sum(axis=1)
        return float(self.weight @ mean)


def plane(
    fam: Family,
    sample: Sample,
    phi: Array,
    log_prior: Callable[[Array], Array] | None = None,
) -> Plane:
    """Normalised likelihood over (ln beta, alpha), flat in mu and ln beta unless a prior is given.

    Parameters
    ----------
    fam : Family
    sample : Sample
        A batch of one, without covariates, with at least one failure.
    phi : array (2, 1)
        A point near the top of the density.
    log_prior : callable, optional
        Log prior density of ln beta on an array (m,).
    """

    def prior(lb: Array) -> Array:
        return np.zeros_like(lb) if log_prior is None else log_prior(lb)

    def profile(lb: Array) -> tuple[Array, Array]:
        held = Held(0, np.exp(lb))
        out = fit_batch(fam, sample.spread_over(lb.size), held, np.broadcast_to(phi, (2, lb.size)))
        # d mu = d alpha / beta at fixed beta
        return out.phi[1], out.loglik - lb + prior(lb)

    top = float(np.log(phi[0, 0]))
    for _ in range(3):  # coarse look, widened until both ends are negligible
        coarse = top + np.linspace(-12.0, 6.0, 145)
        _, height = profile(coarse)
        height = np.where(np.isfinite(height), height, -np.inf)
        best = int(height.argmax())
        if 0 < best < coarse.size - 1:
            break
        top = float(coarse[best])
    inside = np.flatnonzero(height > height[best] - _DROP)
    a, b = coarse[max(inside[0] - 1, 0)], coarse[min(inside[-1] + 1, coarse.size - 1)]
    log_beta = np.linspace(a, b, _SHAPES)
    mode, height = profile(log_beta)
    lo, hi = _reach(fam, sample, log_beta, mode)
    alpha = np.linspace(lo, hi, _LOCATIONS, axis=1)
    grid = np.stack((np.broadcast_to(np.exp(log_beta)[:, None], alpha.shape), alpha)).reshape(2, -1)
    ll = loglik_at(fam, sample, grid).reshape(alpha.shape)
    ll = ll + (prior(log_beta) - log_beta)[:, None]
    dens = np.exp(ll - height.max())
    step = (hi - lo) / (_LOCATIONS - 1)
    # cumulative by the trapezoid rule with end correction (Hermite slopes by differences)
    slope = np.gradient(dens, axis=1)
    cells = 0.5 * (dens[:, 1:] + dens[:, :-1]) - (slope[:, 1:] - slope[:, :-1]) / 12.0
    cum = np.concatenate((np.zeros((_SHAPES, 1)), np.cumsum(cells, axis=1)), axis=1)
    mass = cum[:, -1] * step
    with np.errstate(invalid="ignore", divide="ignore"):
        cdf = np.where(cum[:, -1:] > 0, cum / cum[:, -1:], 0.5)
    return Plane(log_beta, alpha, cdf, mass / mass.sum())


def _reach(fam: Family, sample: Sample, log_beta: Array, mode: Array) -> tuple[Array, Array]:
    """Ends in alpha, for each beta, beyond which the density is negligible."""
    beta = np.exp(log_beta)
    top = loglik_at(fam, sample, np.stack((beta, mode)))

    def end(sign: float) -> Array:
        near, far = np.zeros_like(mode), np.full_like(mode, 0.5)
        for _ in range(40):
            low = loglik_at(fam, sample, np.stack((beta, mode + sign * far))) < top - _DROP
            if low.all():
                break
            near = np.where(low, near, far)
            far = np.where(low, far, 2.0 * far)
        for _ in range(5):  # tighten, so that the grid spends its points where the density is
            mid = 0.5 * (near + far)
            low = loglik_at(fam, sample, np.stack((beta, mode + sign * mid))) < top - _DROP
            near, far = np.where(low, near, mid), np.where(low, mid, far)
        return far

    return mode - end(-1.0), mode + end(1.0)
