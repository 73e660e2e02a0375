"""Survival without a family: product-limit and self-consistent estimates, with bands.

Kaplan & Meier (1958) for exact and right-censored lives, with late entry; Turnbull (1976, J. R.
Statist. Soc. B 38, 290-295) where failures are known between two counts only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.families import normal_quantile
from reliability.records import LifeRecords

Array = NDArray[np.float64]


@dataclass(frozen=True)
class EmpiricalCurve:
    """A step curve of survival.

    Attributes
    ----------
    shots : array (m,)
        Counts at which it drops, rising. For Turnbull: the right ends of the intervals that hold
        probability.
    left : array (m,)
        Where each drop may begin (equals ``shots`` for Kaplan-Meier).
    survival, lower, upper : arrays (m,)
        Just after each drop, with pointwise one-sided limits on the log(-log) scale (nan where
        no limit is known), so that none leaves 0 to 1.
    at_risk : array (m,)
        Units at risk just before each drop (Kaplan-Meier only, else nan).
    method : str
        ``kaplan_meier`` or ``turnbull``.
    """

    shots: Array
    left: Array
    survival: Array
    lower: Array
    upper: Array
    at_risk: Array
    method: str


def _loglog_limits(s: Array, var_log: Array, confidence: float) -> tuple[Array, Array]:
    """Limits of survival from the variance of ln S, on the log(-log) scale."""
    z = float(normal_quantile(confidence))
    with np.errstate(divide="ignore", invalid="ignore"):
        theta = z * np.sqrt(var_log) / np.abs(np.log(s))
        lower, upper = s ** np.exp(theta), s ** np.exp(-theta)
    bad = ~np.isfinite(theta)
    return np.where(bad, np.nan, lower), np.where(bad, np.nan, upper)


def kaplan_meier(records: LifeRecords, confidence: float = 0.95) -> EmpiricalCurve:
    """Product-limit estimate; variance by Greenwood's formula.

    Raises
    ------
    ValueError
        If a failure is not exact; use ``empirical_curve``.
    """
    dead = records.failed
    if not records.exact[dead].all():
        raise ValueError("Kaplan-Meier needs exact failures")
    t = np.unique(records.shots_failed[dead])
    order_end = np.argsort(records.shots_good)
    ends, w_end = records.shots_good[order_end], records.count[order_end]
    order_in = np.argsort(records.shots_from)
    begun, w_in = records.shots_from[order_in], records.count[order_in]
    entered = np.concatenate(([0.0], np.cumsum(w_in)))[np.searchsorted(begun, t, side="left")]
    left = np.concatenate(([0.0], np.cumsum(w_end)))[np.searchsorted(ends, t, side="left")]
    at_risk = entered - left
    deaths = np.zeros(t.size)
    np.add.at(deaths, np.searchsorted(t, records.shots_failed[dead]), records.count[dead])
    s = np.cumprod(1.0 - deaths / at_risk)
    with np.errstate(divide="ignore"):
        var = np.cumsum(deaths / (at_risk * (at_risk - deaths)))
    lower, upper = _loglog_limits(s, var, confidence)
    return EmpiricalCurve(t, t, s, lower, upper, at_risk, "kaplan_meier")


def turnbull(
    records: LifeRecords, confidence: float = 0.95, tol: float = 1e-10, max_iter: int = 20000
) -> EmpiricalCurve:
    """Self-consistent estimate for interval-censored lives with late entry.

    The EM iteration is quickened by squared extrapolation (Varadhan & Roland 2008); limits come
    from the observed information of the interval masses (exact failures as points).
    """
    lo = records.shots_good
    hi = records.shots_failed
    w = records.count
    left, right = _innermost(lo, hi, records.exact)
    m = left.size
    # an interval (left, right] counts for a record if it lies inside its (good, failed]
    inside = (left[None, :] >= lo[:, None]) & (right[None, :] <= hi[:, None])
    point = records.exact
    inside[point] = (right[None, :] == hi[point, None]) & (left[None, :] == lo[point, None])
    begun = records.shots_from
    entered = right[None, :] > begun[:, None]
    a, e = inside.astype(float), entered.astype(float)
    p = np.full(m, 1.0 / m)

    def update(p: Array) -> Array:
        share = a * p
        share /= np.maximum(share.sum(axis=1, keepdims=True), 1e-300)
        missing = (1.0 - e) * p
        within = np.maximum((e * p).sum(axis=1, keepdims=True), 1e-300)
        out = (w[:, None] * (share + missing / within)).sum(axis=0)
        return np.asarray(out / out.sum())

    for _ in range(max_iter):
        p1 = update(p)
        p2 = update(p1)
        r, v = p1 - p, p2 - 2 * p1 + p
        norm = np.sqrt((v * v).sum())
        if norm > 0:
            step = min(-1.0, -np.sqrt((r * r).sum()) / norm)
            trial = p - 2 * step * r + step * step * v
            trial = np.maximum(trial, 0.0)
            p3 = update(trial / trial.sum()) if trial.sum() > 0 else p2
        else:
            p3 = p2
        gap = np.abs(p3 - p).max()
        if _turnbull_loglik(p3, a, e, w) >= _turnbull_loglik(p2, a, e, w):
            p = p3
        else:
            p = p2
        if gap < tol:
            break
    cum = np.cumsum(p)
    s = np.clip(1.0 - cum, 0.0, 1.0)
    # mass that can only lie beyond the last count is survival, not failure
    finite = np.isfinite(right)
    var = _turnbull_variance(p, a, e, w)
    with np.errstate(divide="ignore", invalid="ignore"):
        lower, upper = _loglog_limits(s, var / s**2, confidence)
    keep = finite & (p > 1e-8)
    nan = np.full(keep.sum(), np.nan)
    return EmpiricalCurve(
        right[keep], left[keep], s[keep], lower[keep], upper[keep], nan, "turnbull"
    )


def _turnbull_loglik(p: Array, a: Array, e: Array, w: Array) -> float:
    with np.errstate(divide="ignore"):
        return float((w * (np.log(a @ p) - np.log(e @ p))).sum())


def _turnbull_variance(p: Array, a: Array, e: Array, w: Array) -> Array:
    """Variance of the cumulative mass from the observed information, (m,)."""
    m = p.size
    live = p > 1e-8
    k = int(live.sum())
    if k < 2 or k > 400:
        return np.full(m, np.nan)
    ga = a[:, live] / (a @ p)[:, None]
    ge = e[:, live] / (e @ p)[:, None]
    info = (ga * w[:, None]).T @ ga - (ge * w[:, None]).T @ ge
    basis = np.vstack((np.eye(k - 1), -np.ones(k - 1)))
    reduced = basis.T @ info @ basis
    try:
        cov = basis @ np.linalg.inv(reduced) @ basis.T
    except np.linalg.LinAlgError:
        return np.full(m, np.nan)
    cum = np.tril(np.ones((k, k)))
    var_live = np.maximum(np.einsum("ij,jk,ik->i", cum, cov, cum), 0.0)
    at = np.cumsum(live) - 1
    return np.asarray(np.where(at >= 0, var_live[np.maximum(at, 0)], 0.0))


def _innermost(lo: Array, hi: Array, exact: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Turnbull's innermost intervals: a left end followed directly by a right end."""
    # at one count, an exact failure is the point [t, t]; interval ends are open left, closed right
    points = np.unique(hi[exact])
    lefts = np.unique(lo[~exact])
    rights = np.unique(hi[~exact])
    marks = sorted(
        [(float(v), 1.0, "L") for v in lefts]
        + [(float(v), 0.0, "R") for v in rights]
        + [(float(v), -0.5, "L") for v in points]
        + [(float(v), -0.25, "P") for v in points]
    )
    left, right = [], []
    last: tuple[float, float] | None = None
    for value, rank, kind in marks:
        if kind == "L":
            last = (value, rank)
        elif last is not None:
            left.append(last[0])
            right.append(value)
            last = None
    return np.array(left), np.array(right)


def empirical_curve(records: LifeRecords, confidence: float = 0.95) -> EmpiricalCurve:
    """Kaplan-Meier where every failure is exact, Turnbull otherwise."""
    if records.exact[records.failed].all():
        return kaplan_meier(records, confidence)
    return turnbull(records, confidence)
