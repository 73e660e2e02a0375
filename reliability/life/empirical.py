"""Survival without a family: product-limit and self-consistent estimates, with bands.

Kaplan & Meier (1958) for exact and right-censored lives, with late entry, by lifelines; Turnbull
(1976, J. R. Statist. Soc. B 38, 290-295) where failures are known between two counts only.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reliability.histories import lives_of
from reliability.life.families import normal_quantile
from reliability.life.self_consistent import innermost, mass_variance, masses
from reliability.notes import CannotAnswer
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
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        theta = z * np.sqrt(var_log) / np.abs(np.log(s))
        lower, upper = s ** np.exp(theta), s ** np.exp(-theta)
    bad = ~np.isfinite(theta)
    return np.where(bad, np.nan, lower), np.where(bad, np.nan, upper)


def _all_gone(records: LifeRecords) -> float:
    """The count at which every unit then on test failed, inf if there is none; failures exact."""
    last = np.where(records.failed, records.shots_failed, records.shots_good)
    t, place = np.unique(last[records.failed], return_inverse=True)
    dead = np.bincount(place, records.count[records.failed], t.size)

    def before(values: Array, side: Literal["left", "right"]) -> Array:
        order = np.argsort(values)
        total = np.concatenate(([0.0], np.cumsum(records.count[order])))
        return total[np.searchsorted(values[order], t, side)]

    at_risk = before(records.shots_from, "left") - before(last, "left")
    gone = t[at_risk - dead < 1e-12 * records.count.sum()]
    return float(gone[0]) if gone.size else np.inf


def kaplan_meier(records: LifeRecords, confidence: float = 0.95) -> EmpiricalCurve:
    """Product-limit estimate with late entry and counts; variance by Greenwood's formula.

    Raises
    ------
    ValueError
        If a failure is not exact; use ``empirical_curve``.
    CannotAnswer
        If at some count nobody is on test any more, though others enter later.
    """
    from lifelines import KaplanMeierFitter  # slow to load: only when asked
    from lifelines.exceptions import StatError

    dead = records.failed
    if not records.exact[dead].all():
        raise ValueError("Kaplan-Meier needs exact failures")
    # once all on test have failed the curve is at 0, whoever enters later
    records = records.select(records.shots_from < _all_gone(records))
    dead = records.failed
    # its alpha is two-sided; ours is the confidence of each limit by itself
    with warnings.catch_warnings():
        # a failure of unknown cause counts with its share: such weights are no sampling weights
        warnings.filterwarnings("ignore", "It looks like your weights are not integers")
        try:
            fit = KaplanMeierFitter(alpha=2.0 * (1.0 - confidence)).fit(
                records.shots_good, dead, entry=records.shots_from, weights=records.count
            )
        except StatError:
            raise CannotAnswer(
                "At some count no unit was on test, and others entered later: a curve without a family cannot be carried "
                "across such a gap."
            ) from None
    table = fit.event_table
    drop = table["observed"].to_numpy() > 0
    # who enters at a count is in its table, but not yet at risk at that count
    at_risk = (table["at_risk"] - table["entrance"]).to_numpy(dtype=float)[drop]
    s = fit.survival_function_.iloc[:, 0].to_numpy(dtype=float)[drop]
    limits = fit.confidence_interval_.to_numpy(dtype=float)[drop]
    # all units gone: no variance, so no limit
    limits[s <= 0.0] = np.nan
    t = table.index.to_numpy(dtype=float)[drop]
    return EmpiricalCurve(t, t, s, limits[:, 0], limits[:, 1], at_risk, "kaplan_meier")


def turnbull(records: LifeRecords, confidence: float = 0.95) -> EmpiricalCurve:
    """Self-consistent estimate for interval-censored lives with late entry and counts.

    A failure between two counts lies in (good, failed], a unit still good in (good, infinity): one
    that is stopped good at a count has not failed at that count. Limits come from the observed
    information of the interval masses (exact failures as points).

    Raises
    ------
    CannotAnswer
        If the estimate does not settle.
    """
    cells, seen = innermost(records)
    p = masses(seen, cells.left.size)
    s = np.clip(1.0 - np.cumsum(p), 0.0, 1.0)
    var = mass_variance(seen, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        lower, upper = _loglog_limits(s, var / s**2, confidence)
    # mass that can only lie beyond the last count is survival, not failure
    keep = np.isfinite(cells.right) & (p > 1e-8)
    nan = np.full(keep.sum(), np.nan)
    return EmpiricalCurve(
        cells.right[keep], cells.left[keep], s[keep], lower[keep], upper[keep], nan, "turnbull"
    )


def empirical_curve(records: LifeRecords, confidence: float = 0.95) -> EmpiricalCurve:
    """Kaplan-Meier where every failure is exact, Turnbull otherwise; a unit once, whatever its stretches.

    Raises
    ------
    BadInput
        If records of one unit contradict each other.
    CannotAnswer
        If the estimate does not settle.
    """
    records = lives_of(records) if records.continued.any() else records
    if records.exact[records.failed].all():
        return kaplan_meier(records, confidence)
    return turnbull(records, confidence)
