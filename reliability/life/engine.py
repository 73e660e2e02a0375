"""The likelihood engine: maximum likelihood for many censored samples at once.

Parameters are ``phi = (beta, gamma_0, gamma_1, ...)`` with ``w = beta * y + x . gamma``, that is
``beta = 1/sigma`` and ``gamma = -coefficients/sigma``. In these the log-likelihood of exact, right,
left and interval censored data is concave for all our families (Burridge 1981, J. R. Statist.
Soc. B 43, 41-45), so a Newton iteration with step halving finds the one maximum. Delayed entry
subtracts a concave term; there the step direction is repaired where the curvature is not
negative.

Every hypothesis we test (a quantile, the survival at a count, a shape, a coefficient) is *linear*
in ``phi``: it fixes one component given the others (``Held``). Constrained fits are therefore the
same iteration with one unknown fewer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from reliability.life.families import Family
from reliability.life.likelihood import SHAPE_ONE, Held, Problem
from reliability.life.sample import Sample

Array = NDArray[np.float64]

BETA_MAX = 1e7
BETA_MIN = 1e-7
_FIRST_PASS = 9
QUIET: Any = {"over": "ignore", "invalid": "ignore", "divide": "ignore", "under": "ignore"}


@dataclass(frozen=True)
class BatchFit:
    """Result of a batch.

    Attributes
    ----------
    phi : array (p, B)
    loglik : array (B,)
        In log counts (no Jacobian of the logarithm).
    converged : bool array (B,)
        False where the iteration limit was reached.
    runaway : bool array (B,)
        True where the shape went to its ceiling or floor: no maximum inside.
    steps : int
        Total number of sample-steps done, for benchmarks.
    """

    phi: Array
    loglik: Array
    converged: NDArray[np.bool_]
    runaway: NDArray[np.bool_]
    steps: int


def newton_step(grad: Array, curv: list[list[Array]]) -> Array:
    """Newton step (k, B); where curvature is not negative, an ascent direction instead."""
    k = len(grad)
    if k == 1:
        h = curv[0][0]
        scale = np.where(h < 0, -h, np.abs(h) + 1.0)
        return grad / scale
    if k == 2:
        a, b, c = -curv[0][0], -curv[1][0], -curv[1][1]
        det = a * c - b * b
        good = (det > 1e-13 * a * c) & (a > 0) & (c > 0)
        if good.all():
            return np.stack(((c * grad[0] - b * grad[1]) / det, (a * grad[1] - b * grad[0]) / det))
        det = np.where(good, det, 1.0)
        s0 = np.where(good, (c * grad[0] - b * grad[1]) / det, grad[0] / (np.abs(a) + 1e-12))
        s1 = np.where(good, (a * grad[1] - b * grad[0]) / det, grad[1] / (np.abs(c) + 1e-12))
        return np.stack((s0, s1))
    size = grad.shape[1]
    h = np.empty((size, k, k))
    for i in range(k):
        for j in range(i + 1):
            h[:, i, j] = h[:, j, i] = -curv[i][j]
    h = np.nan_to_num(h, nan=1e12, posinf=1e12, neginf=-1e12)
    g = np.nan_to_num(grad).T[:, :, None]
    try:
        step = np.linalg.solve(h, g)[:, :, 0]
        bad = ~np.isfinite(step).all(axis=1) | ((step * g[:, :, 0]).sum(axis=1) < 0)
    except np.linalg.LinAlgError:
        step, bad = np.zeros((size, k)), np.ones(size, bool)
    if bad.any():
        values, vectors = np.linalg.eigh(h[bad])
        floor = 1e-12 * np.abs(values).max(axis=1, keepdims=True) + 1e-300
        values = np.maximum(np.abs(values), floor)
        turned = (vectors.transpose(0, 2, 1) @ g[bad]) / values[:, :, None]
        step[bad] = (vectors @ turned)[:, :, 0]
    return np.asarray(step.T, np.float64)


class Searched(Protocol):
    """What can be climbed: a log-likelihood in its free parameters, for a batch of samples."""

    family: Family
    free: list[int]

    def terms(self, s: Array) -> tuple[Array, Array, Any]:
        """Value (B,), slope (k, B) and curvature at ``s`` (k, B)."""

    def columns(self, index: NDArray[np.intp]) -> Searched:
        """The same for some of the samples."""


def search(
    problem: Searched, start: Array, tol: float, max_iter: int,
    step_of: Callable[[Array, Any], Array] = newton_step,
) -> tuple[Array, Array, NDArray[np.bool_], NDArray[np.bool_], int]:  # fmt: skip
    """Newton with step halving: where it ended (k, B), value there, converged, runaway, sample-steps.

    ``step_of`` makes the step from slope and curvature, whatever form the problem gives this in.
    """
    size = start.shape[1]
    k = start.shape[0]
    out_s = start.copy()
    out_ll = np.full(size, -np.inf)
    out_ok = np.zeros(size, bool)
    out_run = np.zeros(size, bool)
    where = np.arange(size)
    has_beta = bool(problem.free) and problem.free[0] == 0
    s = start.copy()
    base = start.copy()
    if has_beta:
        base[0] *= 0.02
    best = np.full(size, -np.inf)
    slack = np.zeros(size)
    halvings = np.zeros(size, int)
    steps = 0
    if k == 0:
        ll, _, _ = problem.terms(s)
        return out_s, ll, np.ones(size, bool), out_run, size
    for _ in range(max_iter):
        steps += where.size
        ll, grad, curv = problem.terms(s)
        ok = (ll >= best - slack) & (ll > -np.inf)
        all_ok = bool(ok.all())
        step = step_of(grad, curv)
        dec = (step * grad).sum(axis=0) if k > 2 else sum(step[i] * grad[i] for i in range(k))
        if problem.family.extreme_value and dec.max() > 20.0:
            far = dec > 20.0
            # on the flank of -exp(w) a Newton step lowers w by one only; this one reaches its foot
            step = np.where(far, step * (0.9 * np.log(np.where(far, dec, 1.0))), step)
        if all_ok:
            base, best = s, ll
            slack = 1e-10 * (1.0 + np.abs(best))
        else:
            slack = 1e-10 * (1.0 + np.abs(np.where(ok, ll, best)))
            base = np.where(ok, s, base)
            best = np.where(ok, ll, best)
            halvings = np.where(ok, 0, halvings + 1)
        if has_beta:
            b = base[0]
            # keep beta positive and below its ceiling; both parameters are scaled alike
            d0 = step[0]
            ratio = d0 / b
            if ratio.min() < -0.9 or d0.max() > 1e-3 * BETA_MAX or b.max() > 0.5 * BETA_MAX:
                low, high = 0.9 * b, np.maximum(BETA_MAX, b) - b
                t = np.ones_like(b)
                down, up = d0 < -low, d0 > high
                np.divide(-low, d0, out=t, where=down)
                np.divide(high, d0, out=t, where=up)
                step = step * t
            run = (b <= BETA_MIN) | (b >= BETA_MAX)
        else:
            run = np.zeros(where.size, bool)
        done = ok & (np.abs(dec) < tol)
        new = base + step
        if not all_ok:
            # a worse point: go half way back to the best one
            back = ~ok
            new[:, back] = 0.5 * (s[:, back] + base[:, back])
            stuck = halvings > 50
            done |= stuck
        finished = done | run
        if finished.any():
            idx = where[finished]
            out_s[:, idx] = np.where(done & ok, new, base)[:, finished]
            out_ll[idx] = (best + np.where(done & ok, 0.5 * dec, 0.0))[finished]
            out_ok[idx] = (done & ok)[finished]
            out_run[idx] = run[finished]
            keep = ~finished
            if not keep.any():
                return out_s, out_ll, out_ok, out_run, steps
            if keep.sum() < 0.7 * where.size:
                rest = np.flatnonzero(keep)
                problem = problem.columns(rest)
                where, best, halvings = where[rest], best[rest], halvings[rest]
                slack = slack[rest]
                base, new = base[:, rest], new[:, rest]
        s = new
    out_s[:, where] = base
    out_ll[where] = best
    return out_s, out_ll, out_ok, out_run, steps


def start_values(sample: Sample) -> Array:
    """A rough fit to begin from, (p, B): moments of the counts as they stand."""
    parts: list[Array] = []
    if sample.point is not None:
        parts.append(sample.point.y)
    if sample.between is not None:
        lo, hi = sample.between.y, sample.between.hi
        assert hi is not None
        with np.errstate(invalid="ignore"):
            mid = np.where(np.isinf(lo), hi - 0.5, np.where(np.isinf(hi), lo, 0.5 * (lo + hi)))
        parts.append(mid)
    if sample.path is not None:
        parts.append(sample.path.y)
    if sample.path_between is not None:
        parts.append(np.where(np.isfinite(sample.path_between.y), sample.path_between.y, 0.0))
    y = np.concatenate([np.broadcast_to(a, (a.shape[0], sample.size)) for a in parts])
    mean = y.mean(axis=0)
    spread = np.sqrt(((y - mean) ** 2).mean(axis=0))
    floor = 1e-3 * np.maximum(1.0, np.abs(mean))
    beta = 1.2 / np.maximum(spread, np.minimum(floor, 0.05))
    phi = np.zeros((1 + sample.covariates, sample.size))
    phi[0] = beta
    phi[1] = -beta * (mean + 0.3 * spread)
    return phi


@np.errstate(**QUIET)
def fit_batch(
    family: Family,
    sample: Sample,
    held: Held | None = None,
    start: Array | None = None,
    tol: float = 1e-9,
    max_iter: int = 80,
) -> BatchFit:
    """Maximum likelihood of each sample in the batch, free or under a linear hypothesis.

    Parameters
    ----------
    family : Family
    sample : Sample
        Batch of B samples.
    held : Held, optional
        Hypothesis to fit under.
    start : array (p, B) or (p, 1), optional
        Where to begin; default from moments.
    tol : float
        Stop when the Newton decrement (in units of log-likelihood) is below it; the last step is
        still taken, which squares the remaining error.
    max_iter : int

    Returns
    -------
    BatchFit
    """
    helds = [held] if held is not None else []
    if not family.shape_free and (held is None or held.index != 0):
        helds.append(SHAPE_ONE)
    size = sample.size
    if start is None:
        start = start_values(sample)
    start = np.broadcast_to(start, (start.shape[0], size))
    # blocks large enough to hide the interpreter, small enough for the third-level cache
    width = int(np.clip(200_000 // max(sample.rows, 1), 256, 4096))
    phi = np.empty((1 + sample.covariates, size))
    loglik = np.empty(size)
    ok = np.zeros(size, bool)
    run = np.zeros(size, bool)
    steps = 0
    parts: list[slice | NDArray[np.intp]] = [
        slice(a, min(a + width, size)) for a in range(0, size, width)
    ]
    # first all samples for a few steps, then the slow ones of all blocks together
    for limit in (min(_FIRST_PASS, max_iter), max_iter):
        for part in parts:
            whole = isinstance(part, slice) and part.stop - part.start == size
            count = part.stop - part.start if isinstance(part, slice) else part.size
            problem = Problem(
                family,
                sample if whole else sample.columns(part, count),
                helds if whole else [h.columns(part) for h in helds],
            )
            s, ll, good, runaway, n = search(problem, start[problem.free][:, part], tol, limit)
            phi[:, part] = problem.full(s)
            loglik[part], ok[part], run[part] = ll, good, runaway
            steps += n
        slow = np.flatnonzero(~ok & ~run)
        if not slow.size:
            break
        start = phi
        parts = [slow[a : a + width] for a in range(0, slow.size, width)]
    return BatchFit(phi, loglik, ok, run, steps)


def loglik_at(family: Family, sample: Sample, phi: Array) -> Array:
    """Log-likelihood (in log counts) at given parameters (p, B), (B,)."""
    if sample.size == 1 and phi.shape[1] > 1:
        sample = sample.spread_over(phi.shape[1])
    with np.errstate(**QUIET):
        ll, _, _ = Problem(family, sample, []).terms(np.asarray(phi, float))
    return np.where(np.isnan(ll), -np.inf, ll)


def information(family: Family, sample: Sample, phi: Array) -> Array:
    """Observed information of a batch of one at ``phi`` (p, 1): matrix (p, p)."""
    with np.errstate(**QUIET):
        _, _, curv = Problem(family, sample, []).terms(np.asarray(phi, float))
    p = phi.shape[0]
    info = np.empty((p, p))
    for i in range(p):
        for j in range(i + 1):
            info[i, j] = info[j, i] = -curv[i][j][0]
    return info
