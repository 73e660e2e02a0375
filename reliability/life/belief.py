"""Draws of what the parameters may be, for questions that mix several fits and ages.

For a single fit these are draws of the pivots' distribution given the ancillaries (weight
``d mu d sigma / sigma``): exact for complete and failure-terminated tests, and a close approximation
elsewhere, whose coverage is checked by simulation (tests/benchmarks/flight.py). Generalised pivotal
quantities: Weerahandi (1993, J. Amer. Statist. Assoc. 88, 899-905).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.calibrated import failures_in
from reliability.life.engine import loglik_at
from reliability.life.families import Family
from reliability.life.priors import DEFAULT_SHAPE_PRIOR, exposure, posterior_plane
from reliability.life.quadrature import Plane, plane
from reliability.life.sample import Sample
from reliability.records import LifeRecords

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Belief:
    """Draws of a life model at one stress: w = beta (ln t - centre) + alpha.

    Attributes
    ----------
    family : Family
    beta, alpha : arrays (s,)
    best : (float, float)
        The estimate's beta and alpha.
    centre : float
    """

    family: Family
    beta: Array
    alpha: Array
    best: tuple[float, float]
    centre: float

    def hazard(self, start: float, shots: Array) -> tuple[Array, Array]:
        """Cumulative hazard from ``start`` to ``start + shots``: draws (s, m) and estimate (m,)."""
        shots = np.atleast_1d(np.asarray(shots, float))

        def at(t: Array | float, beta: Array, alpha: Array) -> Array:
            with np.errstate(divide="ignore", over="ignore"):
                w = beta * (np.log(t) - self.centre) + alpha
            return -self.family.survive(w)[0]

        b, a = self.beta[:, None], self.alpha[:, None]
        draws = at(start + shots[None, :], b, a)
        best = at(start + shots, np.array(self.best[0]), np.array(self.best[1]))
        if start > 0:
            draws = draws - at(start, b, a)
            best = best - at(start, np.array(self.best[0]), np.array(self.best[1]))
        return np.maximum(draws, 0.0), np.maximum(best, 0.0)


NORMAL_FROM = 300
"""failures above which draws of a stress model are normal ones"""


@dataclass(frozen=True)
class NeverFailed:
    """A slot in which nothing failed: its hazard is bounded by its exposure at an assumed shape.

    Attributes
    ----------
    shape : float
    total : float
        Sum of (t^b - entry^b) over units, in units of ``scale``.
    scale : float
    """

    shape: float
    total: float
    scale: float

    @classmethod
    def of(cls, records: LifeRecords, shape: float = DEFAULT_SHAPE_PRIOR.median) -> NeverFailed:
        """From records without a failure."""
        return cls(shape, exposure(records, shape), float(records.shots_good.max()))

    def per_failure(self, start: float, shots: Array) -> Array:
        """Hazard of the mission if the exposure so far had held one expected failure, (m,)."""
        b = self.shape
        run = ((start + np.asarray(shots)) / self.scale) ** b - (start / self.scale) ** b
        return np.asarray(run / self.total)


def _from_plane(pl: Plane, draws: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Draws of (beta, alpha) by inverse transform on the grid."""
    u = np.sort((np.arange(draws) + rng.random(draws)) / draws)
    cum = np.concatenate(([0.0], np.cumsum(pl.weight)))
    step = pl.log_beta[1] - pl.log_beta[0]
    edges = np.append(pl.log_beta - step / 2, pl.log_beta[-1] + step / 2)
    log_beta = np.interp(u, cum, edges)
    row = np.clip(np.searchsorted(cum, u, side="right") - 1, 0, pl.weight.size - 1)
    v = rng.permutation((np.arange(draws) + rng.random(draws)) / draws)
    alpha = np.empty(draws)
    for r in np.unique(row):
        here = row == r
        alpha[here] = np.interp(v[here], pl.cdf[r], pl.alpha[r])
    # the grid's alpha belongs to its row's beta: move it along the ridge to the drawn one
    middle = np.array([np.interp(0.5, pl.cdf[r], pl.alpha[r]) for r in range(pl.weight.size)])
    ridge = np.interp(log_beta, pl.log_beta, middle) - middle[row]
    return np.exp(log_beta), alpha + ridge


def belief_of(
    records: LifeRecords,
    fam: Family,
    sample: Sample,
    phi: Array,
    draws: int,
    rng: np.random.Generator,
) -> Belief:
    """Draws for a fit without covariates.

    With 3 failures or fewer the default prior on the shape is used (see ``priors``).
    """
    if records.failures <= 3 and fam.shape_free:
        pl, centre = posterior_plane(records, fam)
    else:
        pl, centre = plane(fam, sample, phi), sample.centre
    beta, alpha = _from_plane(pl, draws, rng)
    shift = phi[0, 0] * (centre - sample.centre)
    return Belief(fam, beta, alpha, (float(phi[0, 0]), float(phi[1, 0] + shift)), centre)


def stress_belief(
    fam: Family,
    sample: Sample,
    phi: Array,
    cov: Array,
    x: tuple[float, ...],
    draws: int,
    rng: np.random.Generator,
) -> Belief:
    """Draws for a stress model at one stress, by importance sampling around its maximum.

    Parameters
    ----------
    cov : array (p, p)
        Covariance of ``phi``.
    x : tuple of float
        Design values of the item asked about.
    """
    p = phi.shape[0]
    beta = phi[0, 0]
    jac = np.eye(p)
    jac[0, 0] = 1.0 / beta  # from beta to ln beta
    shape = 1.3 * jac @ cov @ jac.T
    if float(failures_in(sample).sum()) > NORMAL_FROM:
        # as good as normal: no need to weigh draws by the likelihood
        root = np.linalg.cholesky(shape / 1.3 + 1e-12 * np.eye(p) * np.trace(shape))
        z = rng.standard_normal((p, draws))
        chosen = np.concatenate(([np.log(beta)], phi[1:, 0]))[:, None] + root @ z
        chosen[0] = np.exp(chosen[0])
        return _stress_draws(fam, sample, phi, x, chosen)
    root = np.linalg.cholesky(shape + 1e-12 * np.eye(p) * np.trace(shape))
    rows = sample.rows
    # many rows make each draw dear, and the proposal near enough to need few spare ones
    pool = int(np.clip(2e7 / rows, 1.5 * draws, 6 * draws))
    df = 6.0
    z = rng.standard_normal((p, pool))
    t = z / np.sqrt(rng.chisquare(df, pool) / df)
    theta = np.concatenate(([np.log(beta)], phi[1:, 0]))[:, None] + root @ t
    params = theta.copy()
    params[0] = np.exp(theta[0])
    q = p - 1
    ll = np.concatenate(
        [loglik_at(fam, sample, params[:, i : i + 4000]) for i in range(0, pool, 4000)]
    )
    log_weight = ll - q * theta[0] + 0.5 * (df + p) * np.log1p((t**2).sum(axis=0) / df)
    weight = np.exp(log_weight - log_weight.max())
    cum = np.cumsum(weight)
    pick = np.searchsorted(cum, (np.arange(draws) + rng.random()) / draws * cum[-1])
    return _stress_draws(fam, sample, phi, x, params[:, np.minimum(pick, pool - 1)])


def _stress_draws(
    fam: Family, sample: Sample, phi: Array, x: tuple[float, ...], chosen: Array
) -> Belief:
    """Drawn parameters at one stress."""
    xs = np.asarray(x)
    alpha = chosen[1] + (xs @ chosen[2:] if xs.size else 0.0)
    best = float(phi[1, 0] + (xs @ phi[2:, 0] if xs.size else 0.0))
    return Belief(fam, chosen[0], alpha, (float(phi[0, 0]), best), sample.centre)
