"""Bounds whose coverage holds for small samples, whatever the censoring.

Test each candidate value: fit with the value held, draw samples of the same observation scheme
from that fit, and see how the signed root of their likelihood ratio is distributed. The bound is
the value at which the observed root sits just at the wanted tail of that distribution, found by
inverting the test (DiCiccio, Martin & Stern 2001, Can. J. Statist. 29, 67-76; Lee & Young 2005,
Stat. Prob. Letters 71, 143-153). Drawing from the *constrained* fit is what makes it accurate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.engine import fit_batch
from reliability.life.families import Family, normal_quantile
from reliability.life.sample import Sample
from reliability.life.scheme import Scheme
from reliability.life.signed_root import signed_root, solve_root
from reliability.life.targets import LogLife, LogQuantile, Target

Array = NDArray[np.float64]

FIRST = 500
"""samples drawn at the first candidate; the cut moves little from there to the bound"""
LEAST = 1500
"""least samples at the next, which takes what the error asks for"""
MC_GOAL = 0.008
"""wanted Monte-Carlo standard error of the log of a bound"""


@dataclass(frozen=True)
class Cut:
    """A calibrated bound: its value, the cut of the signed root there, and its simulation error.

    Attributes
    ----------
    v : float
        The bound, on the target's scale.
    cut : float
        The signed root at the bound (1.645 would be the uncalibrated one at 0.95).
    mc_error : float
        Monte-Carlo standard error of ``v``.
    draws : int
        Samples drawn at the last candidate.
    """

    v: float
    cut: float
    mc_error: float
    draws: int


def failures_in(sample: Sample) -> Array:
    """Failed units in each sample of a batch, (B,)."""
    total = np.zeros(sample.size)
    if sample.point is not None and sample.point.d is not None:
        total = total + sample.point.d.sum(axis=0)
    if sample.between is not None and sample.between.hi is not None:
        total = total + np.isfinite(sample.between.hi).sum(axis=0)
    if sample.path is not None and sample.path.d is not None:
        total = total + sample.path.d.sum(axis=0)
    if sample.path_between is not None and sample.path_between.dose_hi is not None:
        total = total + np.isfinite(sample.path_between.dose_hi.max(axis=0)).sum(axis=0)
    return total


def batch_roots(fam: Family, sample: Sample, target: Target, v: Array | float, phi: Array) -> Array:
    """Signed roots of a batch at held values.

    Parameters
    ----------
    sample : Sample
        B samples.
    v : float or array (B,)
        Candidate of each sample.
    phi : array (p, 1) or (p, B)
        Parameters to begin from (those the samples were drawn under).
    """
    size = sample.size
    start = np.broadcast_to(phi, (phi.shape[0], size))
    held = target.held(v)
    under = fit_batch(fam, sample, held, start)
    dead = failures_in(sample) > 0
    free_ll = np.zeros(size)
    # without failures the likelihood rises to 1 as life grows without end
    lasting = (
        1.0 if isinstance(target, LogQuantile) else -1.0 if isinstance(target, LogLife) else 0.0
    )
    sign = np.full(size, lasting)
    if dead.any():
        index = np.flatnonzero(dead)
        part = sample if dead.all() else sample.columns(index, index.size)
        free = fit_batch(fam, part, None, start[:, index])
        free_ll[index] = free.loglik
        v_dead = v[index] if isinstance(v, np.ndarray) and v.ndim else v
        sign[index] = np.where(target.value(free.phi) >= v_dead, 1.0, -1.0)
    gap = free_ll - under.loglik
    return sign * np.sqrt(np.maximum(2.0 * np.where(np.isfinite(gap), gap, 700.0), 0.0))


def simulated_roots(
    fam: Family,
    scheme: Scheme,
    target: Target,
    v: float,
    phi: Array,
    draws: int,
    rng: np.random.Generator,
) -> Array:
    """Signed roots of ``draws`` samples drawn with the target at ``v``."""
    block = max(200, 1_500_000 // max(scheme.size, 1))
    parts = []
    left = draws
    while left > 0:
        take = min(block, left)
        sample = scheme.draw(fam, phi, take, rng)
        parts.append(batch_roots(fam, sample, target, v, phi))
        left -= take
    return np.concatenate(parts)


def tail_cut(roots: Array, confidence: float, lower: bool) -> tuple[float, float]:
    """Cut of the signed root and its standard error, from order statistics."""
    r = np.sort(roots)
    b = r.size
    p = confidence if lower else 1.0 - confidence
    half = np.sqrt(p * (1 - p) / b)
    at = min(b - 1, int(np.ceil(p * b)) - 1) if lower else max(0, int(np.floor(p * b)))
    lo = r[int(np.clip(np.floor((p - half) * b), 0, b - 1))]
    hi = r[int(np.clip(np.ceil((p + half) * b), 0, b - 1))]
    return float(r[at]), float(0.5 * (hi - lo))


def calibrate(
    fam: Family,
    sample: Sample,
    scheme: Scheme,
    target: Target,
    phi: Array,
    loglik: float,
    step: float,
    confidence: float,
    lower: bool,
    rng: np.random.Generator,
    max_work: int = 1_200_000,
) -> Cut:
    """One calibrated one-sided bound.

    Parameters
    ----------
    sample : Sample
        The data, a batch of one.
    phi, loglik : array (p, 1), float
        Their fit.
    step : float
        Standard error of the target, for the first guess.
    lower : bool
        Bound from below (True) or above.
    max_work : int
        Most units drawn at the last candidate (units in the sample times samples).
    """
    z = float(normal_quantile(confidence))
    cut = z if lower else -z
    v = float(solve_root(fam, sample, target, np.array([cut]), phi, loglik, step)[0])
    error, draws = 0.0, 0
    limit = max(400, max_work // max(scheme.size, 1))
    for stage in range(2):
        if not np.isfinite(v):
            return Cut(v, cut, 0.0, draws)
        _, phi_v = signed_root(fam, sample, target, np.array([v]), phi, loglik)
        wanted = FIRST * (error / MC_GOAL) ** 2 if stage else FIRST
        draws = int(np.clip(wanted, LEAST if stage else 0, limit))
        roots = simulated_roots(fam, scheme, target, v, phi_v, draws, rng)
        cut, cut_error = tail_cut(roots, confidence, lower)
        cut = max(cut, 1e-3) if lower else min(cut, -1e-3)
        around = np.array([cut, cut + (cut_error if lower else -cut_error)])
        v, shifted = solve_root(fam, sample, target, around, phi, loglik, step)
        error = abs(float(shifted - v))
    return Cut(float(v), cut, error, draws)
