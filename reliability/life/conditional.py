"""Exact conditional bounds for stress models, by importance sampling of the normalised likelihood.

For complete tests, tests stopped by their failures and tests with units withdrawn at failures, the
regression model of log life is a location-scale one in every cell, and the pivots of coefficients
and scale have, given the ancillaries, the likelihood itself as their distribution, normalised with
weight ``d coefficients d sigma / sigma`` (Fraser 1979, Inference and Linear Models, ch. 6; Lawless
2003, sec. 6.2 and app. E; withdrawn units: Viveros & Balakrishnan 1994). Its tail areas are exact
confidence levels. They are found here with scrambled Sobol points under a multivariate t fitted to
the density in two rounds; independent scramblings give the error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, ndtri

from reliability.life.engine import loglik_at
from reliability.life.families import Family
from reliability.life.sample import Sample
from reliability.life.targets import Target

Array = NDArray[np.float64]

FREEDOM = 6.0
SCRAMBLINGS = 8
POINTS = 4096
LEAST_SHARE = 0.02
"""effective share of the points below which the sampling is not trusted"""


@dataclass(frozen=True)
class Conditional:
    """Points of the normalised likelihood.

    Attributes
    ----------
    phi : array (p, n)
        Engine parameters.
    weight : array (SCRAMBLINGS, n / SCRAMBLINGS)
        Of each point, not normalised; a row is one scrambling.
    share : float
        Effective share of the points.
    """

    phi: Array
    weight: Array
    share: float

    def quantile(self, target: Target, probability: float) -> tuple[float, float]:
        """The v below which the target lies with this probability, and its standard error."""
        value = np.asarray(target.value(self.phi)).reshape(self.weight.shape)
        each = [
            _weighted_quantile(v, w, probability) for v, w in zip(value, self.weight, strict=True)
        ]
        whole = _weighted_quantile(value.ravel(), self.weight.ravel(), probability)
        return whole, float(np.std(each, ddof=1) / np.sqrt(len(each)))


def _weighted_quantile(value: Array, weight: Array, probability: float) -> float:
    order = np.argsort(value)
    mass = np.cumsum(weight[order])
    middle = (mass - 0.5 * weight[order]) / mass[-1]
    return float(np.interp(probability, middle, value[order]))


def conditional(fam: Family, sample: Sample, phi: Array, cov: Array, seed: int = 1) -> Conditional:
    """Sample the normalised likelihood of a stress model.

    Parameters
    ----------
    fam : Family
    sample : Sample
        A batch of one.
    phi, cov : arrays (p, 1), (p, p)
        Its fit and the covariance of phi.
    seed : int

    Returns
    -------
    Conditional
        Check ``share`` against ``LEAST_SHARE`` before use.
    """
    p = phi.shape[0]
    first = 0 if fam.shape_free else 1
    centre = phi[first:, 0].copy()
    spread = cov[first:, first:].copy()
    if first == 0:
        centre[0] = np.log(phi[0, 0])
        spread[0, :] /= phi[0, 0]
        spread[:, 0] /= phi[0, 0]
    for stage in range(3):
        last = stage == 2
        theta, log_q = _points(
            centre, spread, SCRAMBLINGS if last else 1, POINTS, seed + 101 * stage
        )
        points = np.ones((p, theta.shape[1]))
        points[first:] = theta
        if first == 0:
            points[0] = np.exp(theta[0])
        log_w = loglik_at(fam, sample, points) - (p - 1) * np.log(points[0]) - log_q
        w = np.exp(log_w - log_w.max())
        share = float(w.sum() ** 2 / (w * w).sum() / w.size)
        if not last and share > 1e-3:
            total = w.sum()
            centre = theta @ w / total
            apart = theta - centre[:, None]
            spread = (apart * w) @ apart.T / total
    return Conditional(points, w.reshape(SCRAMBLINGS, -1), share)


def _points(centre: Array, spread: Array, copies: int, n: int, seed: int) -> tuple[Array, Array]:
    """Quasi-random points of a multivariate t, (d, copies * n), and their log densities."""
    from scipy.stats import qmc  # heavy, and wanted by few questions

    d = centre.size
    root = np.linalg.cholesky(spread * 1.1)
    parts = []
    for k in range(copies):
        u = qmc.Sobol(d + 1, scramble=True, rng=np.random.default_rng([seed, k])).random(n)
        u = np.clip(u, 1e-12, 1 - 1e-12)
        chi2 = 2.0 * gammaincinv(FREEDOM / 2, u[:, d])
        parts.append(ndtri(u[:, :d]).T * np.sqrt(FREEDOM / chi2))
    z = np.concatenate(parts, axis=1)
    log_q = -0.5 * (FREEDOM + d) * np.log1p((z * z).sum(axis=0) / FREEDOM)
    return centre[:, None] + root @ z, log_q
