"""Misfires as recurrent events: mean count, growth, and chance a shot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import betaincinv, chdtrc, ndtr, ndtri

from reliability.notes import CannotAnswer
from reliability.readings import Recurrences

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MeanCount:
    """Mean cumulative number of events a system.

    Attributes
    ----------
    shots, mean, se : arrays (k,)
        At each count with an event; robust standard error (Lawless & Nadeau 1995; Nelson 2003).
    lower, upper : arrays (k,)
        Pointwise one-sided limits on the log scale.
    at_risk : array (k,)
    """

    shots: Array
    mean: Array
    se: Array
    lower: Array
    upper: Array
    at_risk: Array


def mean_count(events: Recurrences, confidence: float = 0.95) -> MeanCount:
    """Nelson's mean cumulative function with robust limits.

    Raises
    ------
    CannotAnswer
        Without an event.
    """
    if not events.shots.size:
        raise CannotAnswer("No event has been seen; there is nothing to average.")
    times = np.unique(events.shots)
    watched = (events.start[:, None] < times) & (events.end[:, None] >= times)
    place = {n: i for i, n in enumerate(events.systems)}
    counts = np.zeros((events.systems.size, times.size))
    row = np.array([place[s] for s in events.system], np.intp)
    np.add.at(counts, (row, np.searchsorted(times, events.shots)), 1.0)
    at_risk = watched.sum(axis=0).astype(float)
    step = counts.sum(axis=0) / at_risk
    mean = np.cumsum(step)
    own = np.cumsum(watched * (counts - step) / at_risk, axis=1)
    se = np.sqrt((own**2).sum(axis=0))
    z = float(ndtri(confidence))
    spread = np.exp(z * se / mean)
    return MeanCount(times, mean, se, mean / spread, mean * spread, at_risk)


@dataclass(frozen=True)
class Growth:
    """Power-law process: expected count lambda t^b on a system.

    Attributes
    ----------
    b, scale : float
        Exponent (above 1: events come ever faster) and lambda.
    events : int
    trend_p : float
        Two-sided p of b = 1 (MIL-HDBK-189, chi-square of 2 n b-hat^-1).
    laplace_p : float
        Two-sided p of Laplace's test for trend.
    rate_at_end : float
        Events a shot at the longest watch.
    """

    b: float
    scale: float
    events: int
    trend_p: float
    laplace_p: float
    rate_at_end: float


def growth(events: Recurrences) -> Growth:
    """Power-law process by maximum likelihood (Crow 1974), time-truncated systems watched from new.

    Raises
    ------
    CannotAnswer
        With fewer than 3 events, or systems not watched from 0.
    """
    if events.shots.size < 3:
        raise CannotAnswer("The growth of misfires needs 3 events or more.")
    if (events.start > 0).any():
        raise CannotAnswer("The power-law process needs systems watched from their first shot.")
    n = events.shots.size
    end = events.end
    place = {s: i for i, s in enumerate(events.systems)}
    own_end = end[[place[s] for s in events.system]]
    top = float(end.max())
    t, ends = events.shots / top, end / top
    log_sum = float(np.log(t).sum())

    def score(b: float) -> float:
        w = ends**b
        return n / b + log_sum - n * float((w * np.log(ends)).sum() / w.sum())

    lo, hi = 1e-3, 1.0
    while score(hi) > 0 and hi < 1e4:
        hi *= 2
    b = float(brentq(score, lo, hi, xtol=1e-12))
    scale = n / float((end**b).sum())
    # each event's place within its own system's watch is uniform to the power 1/b
    statistic = 2 * float(np.log(own_end / events.shots).sum())
    upper = float(chdtrc(2 * n, statistic))
    trend = 2 * min(upper, 1 - upper)
    z = float(((events.shots / own_end) - 0.5).sum() / np.sqrt(n / 12))
    laplace = 2 * float(ndtr(-abs(z)))
    return Growth(b, scale, n, trend, laplace, scale * b * top ** (b - 1))


@dataclass(frozen=True)
class Chance:
    """Chance of a misfire a shot, with one-sided Clopper-Pearson bounds (1934)."""

    shots: float
    misfires: float
    estimate: float
    lower: float
    upper: float


def misfire_chance(shots: float, misfires: float, confidence: float = 0.95) -> Chance:
    """Chance a shot from counts; exact bounds."""
    if not 0 <= misfires <= shots or shots <= 0:
        raise ValueError("misfires must lie between 0 and the shots, which must be above 0")
    lower = (
        float(betaincinv(misfires, shots - misfires + 1, 1 - confidence)) if misfires > 0 else 0.0
    )
    upper = (
        float(betaincinv(misfires + 1, shots - misfires, confidence)) if misfires < shots else 1.0
    )
    return Chance(shots, misfires, misfires / shots, lower, upper)


@dataclass(frozen=True)
class RateRatio:
    """Misfire rates of two groups compared: ratio and exact two-sided p (conditional binomial)."""

    first: str
    second: str
    ratio: float
    p: float


def compare_groups(events: Recurrences, first: str, second: str) -> RateRatio:
    """Rate of misfires a shot of two groups, as Poisson counts (Przyborowski & Wilenski 1940)."""
    from scipy.stats import binomtest

    counts, exposure = [], []
    for g in (first, second):
        own = events.select(events.group == g)
        counts.append(int(own.shots.size))
        exposure.append(float((own.end - own.start).sum()))
    if min(exposure) <= 0 or sum(counts) == 0:
        raise CannotAnswer("Both groups must be watched, and something must have misfired.")
    test = binomtest(counts[0], sum(counts), exposure[0] / sum(exposure))
    with np.errstate(divide="ignore"):
        ratio = np.float64(counts[0]) / exposure[0] / (np.float64(counts[1]) / exposure[1])
    return RateRatio(first, second, float(ratio), float(test.pvalue))


@dataclass(frozen=True)
class Logistic:
    """ln odds of a misfire = c0 + sum of c_j x_j, by maximum likelihood.

    Attributes
    ----------
    coef, se : arrays
        Intercept first.
    loglik : float
    cov : array
        Of the coefficients.
    """

    coef: Array
    se: Array
    loglik: float
    cov: Array

    def chance(self, x: Array, confidence: float = 0.95) -> tuple[Array, Array, Array]:
        """Chance of a misfire at rows of x: estimate, one-sided lower and upper limits (Wald on the log odds)."""
        z = np.column_stack((np.ones(len(x)), x))
        eta, half = (
            z @ self.coef,
            float(ndtri(confidence)) * np.sqrt(np.einsum("ij,jk,ik->i", z, self.cov, z)),
        )
        p, low, high = (1 / (1 + np.exp(-e)) for e in (eta, eta - half, eta + half))
        return p, low, high


def misfire_model(
    x: Array, shots: Array, misfires: Array, cluster: NDArray[np.intp] | None = None
) -> Logistic:
    """Chance of a misfire against shots on the igniter, ignition voltage and the like.

    Parameters
    ----------
    x : array (k, q)
        Covariates of each group of shots.
    shots, misfires : arrays (k,)
    cluster : int array (k,), optional
        Module of each group: the standard errors then allow for modules that differ (sandwich, with
        G / (G - 1) for G modules: Liang & Zeger 1986).

    Raises
    ------
    CannotAnswer
        If some level has only misfires, or none, so that there is no maximum.

    Notes
    -----
    Newton (iteratively reweighted least squares): McCullagh & Nelder (1989), sec. 4.4.
    """
    centre, spread = x.mean(axis=0), np.where(x.std(axis=0) > 0, x.std(axis=0), 1.0)
    z = np.column_stack((np.ones(len(x)), (x - centre) / spread))
    coef = np.zeros(z.shape[1])
    coef[0] = np.log((misfires.sum() + 0.5) / (shots.sum() - misfires.sum() + 0.5))
    for _ in range(100):
        p = 1 / (1 + np.exp(-(z @ coef)))
        info = (z * (shots * p * (1 - p))[:, None]).T @ z
        try:
            step = np.linalg.solve(info, z.T @ (misfires - shots * p))
        except np.linalg.LinAlgError:
            raise CannotAnswer("The misfire model needs covariates that differ.") from None
        coef = coef + step
        if not np.isfinite(coef).all() or np.abs(coef).max() > 1e3:
            raise CannotAnswer("The misfire model has no maximum: some level has no misfire.")
        if np.abs(step).max() < 1e-10:
            break
    else:
        raise CannotAnswer(
            "The misfire model has no maximum: some level has only misfires or none."
        )
    p = 1 / (1 + np.exp(-(z @ coef)))
    with np.errstate(divide="ignore", invalid="ignore"):
        ll = float(np.nansum(misfires * np.log(p) + (shots - misfires) * np.log1p(-p)))
    inverse = np.linalg.inv(info)
    if cluster is not None:
        scores = np.zeros((int(cluster.max()) + 1, coef.size))
        np.add.at(scores, cluster, z * (misfires - shots * p)[:, None])
        g = len(np.unique(cluster))
        inverse = inverse @ (scores.T @ scores) @ inverse * (g / max(g - 1, 1))
    back = np.eye(coef.size)
    back[0, 1:] = -centre / spread
    back[1:, 1:] = np.diag(1 / spread)
    cov = back @ inverse @ back.T
    return Logistic(back @ coef, np.sqrt(np.diag(cov)), ll, cov)
