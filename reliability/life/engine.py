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

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reliability.life.families import Family
from reliability.life.sample import Rows, Sample

Array = NDArray[np.float64]
Regressors = list["Array | None"]  # None stands for a column of ones

BETA_MAX = 1e7
BETA_MIN = 1e-7
_FIRST_PASS = 9
_QUIET: Any = {"over": "ignore", "invalid": "ignore", "divide": "ignore", "under": "ignore"}


@dataclass(frozen=True)
class Held:
    """A linear hypothesis: ``phi[index] = const + sum(coef[j] * phi[j] for the other j)``.

    ``const`` and each coefficient are numbers or arrays (B,).
    """

    index: int
    const: Array | float
    coef: dict[int, Array | float] = field(default_factory=dict)

    def columns(self, index: slice | NDArray[np.intp]) -> Held:
        """The hypothesis for some of the samples."""

        def pick(a: Array | float) -> Array | float:
            return a[index] if isinstance(a, np.ndarray) and a.ndim else a

        return Held(self.index, pick(self.const), {j: pick(c) for j, c in self.coef.items()})

    def value(self, phi: Array) -> Array:
        """The held component given the others, (B,)."""
        out = np.zeros(phi.shape[1]) + self.const
        for j, c in self.coef.items():
            out = out + c * phi[j]
        return out


SHAPE_ONE = Held(0, 1.0)
"""sigma = 1: the exponential among the Weibulls."""


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


def _eliminate(
    regs: Regressors, offset: Array | float, held: Held, names: list[int]
) -> tuple[Regressors, Array | float, list[int]]:
    """Rewrite ``offset + sum(phi_j v_j)`` with one component replaced by its hypothesis."""
    at = names.index(held.index)
    gone = regs[at]
    one = 1.0 if gone is None else gone
    offset = offset + held.const * one
    out: Regressors = []
    for j, reg in zip(names, regs, strict=True):
        if j == held.index:
            continue
        c = held.coef.get(j)
        if c is None:
            out.append(reg)
        else:
            out.append(np.atleast_2d((1.0 if reg is None else reg) + c * one))
    return out, offset, [j for j in names if j != held.index]


class _Block:
    """Rows of one kind, rewritten for the free parameters."""

    def __init__(self, rows: Rows, helds: list[Held]) -> None:
        self.rows = rows
        self.regs, self.offset = self._regress(rows.y, helds)
        if rows.hi is not None:
            self.regs_hi, self.offset_hi = self._regress(rows.hi, helds)
        self.linear: list[Array] | None = None  # sums that do not change between steps

    def _regress(self, y: Array, helds: list[Held]) -> tuple[Regressors, Array | float]:
        infinite = ~np.isfinite(y)
        base = np.where(infinite, 0.0, y) if infinite.any() else y
        regs: Regressors = [base, None, *self.rows.x]
        offset: Array | float = 0.0
        names = list(range(len(regs)))
        for held in helds:
            regs, offset, names = _eliminate(regs, offset, held, names)
        if infinite.any():
            offset = np.where(infinite, y, offset)
            # an infinite end has no slope; its terms vanish
            regs = [np.where(infinite, 0.0, 1.0 if r is None else r) for r in regs]
        return regs, offset


def _linear(regs: Regressors, offset: Array | float, s: Array) -> Array:
    w: Array | None = None
    for k, reg in enumerate(regs):
        if reg is None:
            continue
        term = reg * s[k]
        if w is None or w.shape != term.shape:
            w = term if w is None else w + term
        else:
            w += term
    for k, reg in enumerate(regs):
        if reg is None:
            w = s[k][None, :].copy() if w is None else np.add(w, s[k], out=w)
    if w is None:
        return np.atleast_2d(np.array(offset, float))
    if isinstance(offset, np.ndarray) or offset != 0.0:
        w = w + offset
    return w


def _dot(a: Array, b: Array | None, size: int) -> Array:
    """Sum over rows of a * b, (B,)."""
    if b is None:
        return a.sum(axis=0)
    if a.shape == b.shape:
        return np.einsum("ij,ij->j", a, b)
    if b.shape[1] == 1 and a.shape[1] == size:
        return np.asarray(b[:, 0] @ a)
    return np.asarray((a * b).sum(axis=0))


def _times(a: Array, b: Array | None) -> Array:
    return a if b is None else a * b


def _block_terms(
    family: Family, block: _Block, s: Array, kind: str
) -> tuple[Array, list[Array], list[list[Array]]]:
    """Log-likelihood, gradient and curvature of one block, each (B,)."""
    size = s.shape[1]
    rows = block.rows
    wt = rows.weight
    k = len(block.regs)
    w = _linear(block.regs, block.offset, s)
    if w.shape[1] == 1 and size > 1:
        w = np.broadcast_to(w, (w.shape[0], size)).copy()
    if w.shape[0] == 1 and rows.y.shape[0] > 1:
        w = np.broadcast_to(w, (rows.y.shape[0], size)).copy()
    if kind == "between":
        wh = _linear(block.regs_hi, block.offset_hi, s)
        w, wh = np.broadcast_arrays(w, wh)
        log, g0, g1, h00, h01, h11 = family.between(w, wh)
        if wt is not None:
            log, g0, g1, h00, h01, h11 = (t * wt for t in (log, g0, g1, h00, h01, h11))
        lo, hi = block.regs, block.regs_hi
        grad = [_dot(g0, lo[i], size) + _dot(g1, hi[i], size) for i in range(k)]
        curv = [
            [
                _dot(_times(h00, lo[i]) + _times(h01, hi[i]), lo[j], size)
                + _dot(_times(h01, lo[i]) + _times(h11, hi[i]), hi[j], size)
                for j in range(i + 1)
            ]
            for i in range(k)
        ]
        return log.sum(axis=0), grad, curv
    if kind == "point":
        assert rows.d is not None
        if family.extreme_value:
            return _extreme_value_point(block, w, size)
        log, g, h = family.point(w, rows.d)
    else:
        log, g, h = (-t for t in family.survive(w))
    if wt is not None:
        log, g, h = log * wt, g * wt, h * wt
    grad = [_dot(g, block.regs[i], size) for i in range(k)]
    curv = []
    for i in range(k):
        hz = _times(h, block.regs[i])
        curv.append([_dot(hz, block.regs[j], size) for j in range(i + 1)])
    return log.sum(axis=0), grad, curv


def _extreme_value_point(
    block: _Block, w: Array, size: int
) -> tuple[Array, list[Array], list[list[Array]]]:
    """Point rows of the smallest extreme value family with one exponential a row.

    Its log term is ``d w - exp(w)``: the part linear in the parameters is summed once.
    """
    rows, regs = block.rows, block.regs
    k = len(regs)
    if block.linear is None:
        assert rows.d is not None
        d = rows.d if rows.weight is None else rows.d * rows.weight
        terms: Regressors = [*regs, np.asarray(block.offset) + np.zeros((rows.y.shape[0], 1))]
        block.linear = [
            np.asarray((d * (1.0 if r is None else r)).sum(axis=0)) + np.zeros(size) for r in terms
        ]
    e = np.exp(w, out=w)
    if rows.weight is not None:
        e *= rows.weight
    total = e.sum(axis=0)
    log = block.linear[k] - total
    grad, curv = [], []
    buffer = np.empty_like(e)
    for i, reg in enumerate(regs):
        ez = e if reg is None else np.multiply(e, reg, out=buffer)
        row = []
        for j in range(i + 1):
            row.append(-total if reg is None and regs[j] is None else -_dot(ez, regs[j], size))
        curv.append(row)
    ones = next((i for i, r in enumerate(regs) if r is None), None)
    for i, reg in enumerate(regs):
        if ones is None:
            down = _dot(e, reg, size)
        else:
            down = -(curv[ones][i] if i <= ones else curv[i][ones])
        grad.append(block.linear[i] - down)
    # the value is the sum of d * w, linear in s, which the caller adds
    return log, grad, curv


def _solve(grad: Array, curv: list[list[Array]]) -> Array:
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


class _Problem:
    """One chunk of samples with its hypotheses, ready to be evaluated."""

    def __init__(self, family: Family, sample: Sample, helds: list[Held]) -> None:
        self.family = family
        self.sample = sample
        self.helds = helds
        self.p = 1 + sample.covariates
        self.free = [j for j in range(self.p) if j not in {h.index for h in helds}]
        self.blocks = [
            (kind, _Block(rows, helds))
            for kind, rows in (
                ("point", sample.point),
                ("between", sample.between),
                ("entry", sample.entry),
            )
            if rows is not None
        ]
        self.deaths: Array | float = 0.0
        if sample.point is not None and sample.point.d is not None:
            d = sample.point.d
            self.deaths = (d if sample.point.weight is None else d * sample.point.weight).sum(0)

    def beta(self, s: Array) -> tuple[Array | float, int | None]:
        """beta and its place among the free parameters (None when held)."""
        if self.free and self.free[0] == 0:
            return s[0], 0
        held = next(h for h in self.helds if h.index == 0)
        return held.const, None

    def terms(self, s: Array) -> tuple[Array, Array, list[list[Array]]]:
        size = s.shape[1]
        k = len(self.free)
        grad = np.zeros((k, size))
        ll: Array | None = None
        curv: list[list[Array]] = []
        for kind, block in self.blocks:
            log, g, h = _block_terms(self.family, block, s, kind)
            ll = log if ll is None else ll + log
            if block.linear is not None:
                for i in range(k):
                    ll += s[i] * block.linear[i]
            for i in range(k):
                grad[i] += g[i]
            curv = h if not curv else [[a + b for a, b in zip(*rows)] for rows in zip(curv, h)]
        assert ll is not None
        beta, at = self.beta(s)
        ll += self.deaths * np.log(beta)
        if at is not None:
            ratio = self.deaths / beta
            grad[at] += ratio
            curv[at][at] = curv[at][at] - ratio / beta
        return ll, grad, curv

    def full(self, s: Array) -> Array:
        """All of phi (p, B) from the free parameters."""
        phi = np.zeros((self.p, s.shape[1]))
        for k, j in enumerate(self.free):
            phi[j] = s[k]
        for held in reversed(self.helds):
            phi[held.index] = held.value(phi)
        return phi


def _search(
    problem: _Problem, start: Array, tol: float, max_iter: int
) -> tuple[Array, Array, NDArray[np.bool_], NDArray[np.bool_], int]:
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
        step = _solve(grad, curv)
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
                problem = _Problem(
                    problem.family,
                    problem.sample.columns(rest, rest.size),
                    [h.columns(rest) for h in problem.helds],
                )
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
    y = np.concatenate([np.broadcast_to(a, (a.shape[0], sample.size)) for a in parts])
    mean = y.mean(axis=0)
    spread = np.sqrt(((y - mean) ** 2).mean(axis=0))
    floor = 1e-3 * np.maximum(1.0, np.abs(mean))
    beta = 1.2 / np.maximum(spread, np.minimum(floor, 0.05))
    phi = np.zeros((1 + sample.covariates, sample.size))
    phi[0] = beta
    phi[1] = -beta * (mean + 0.3 * spread)
    return phi


@np.errstate(**_QUIET)
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
    # blocks small enough for the second-level cache, large enough to hide the interpreter
    width = int(np.clip(48000 // max(sample.rows, 1), 256, 4096))
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
            problem = _Problem(
                family,
                sample if whole else sample.columns(part, count),
                helds if whole else [h.columns(part) for h in helds],
            )
            s, ll, good, runaway, n = _search(problem, start[problem.free][:, part], tol, limit)
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
    with np.errstate(**_QUIET):
        ll, _, _ = _Problem(family, sample, []).terms(np.asarray(phi, float))
    return np.where(np.isnan(ll), -np.inf, ll)


def information(family: Family, sample: Sample, phi: Array) -> Array:
    """Observed information of a batch of one at ``phi`` (p, 1): matrix (p, p)."""
    with np.errstate(**_QUIET):
        _, _, curv = _Problem(family, sample, []).terms(np.asarray(phi, float))
    p = phi.shape[0]
    info = np.empty((p, p))
    for i in range(p):
        for j in range(i + 1):
            info[i, j] = info[j, i] = -curv[i][j][0]
    return info
