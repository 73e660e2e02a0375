"""Cumulative incidence of each failure mode (Aalen & Johansen 1978).

With competing modes, one minus the Kaplan-Meier curve of a mode overstates how often that mode ends
a unit; the cumulative incidence does not. Ours rather than lifelines': that shifts tied failures by
random amounts (measured: up to 0.27 off with counts); without ties both agree to 1e-15.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.families import normal_quantile
from reliability.records import LifeRecords

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Incidence:
    """Probability to have failed by each mode, as step curves.

    Attributes
    ----------
    shots : array (m,)
    survival : array (m,)
        Not yet failed by any mode.
    by_mode : dict of mode to array (m,)
    lower, upper : dict of mode to array (m,)
        Pointwise one-sided limits, log(-log) scale.
    assumed_exact : bool
        True if failures known only between two counts were placed at the later count.
    """

    shots: Array
    survival: Array
    by_mode: dict[str, Array]
    lower: dict[str, Array]
    upper: dict[str, Array]
    assumed_exact: bool


def cumulative_incidence(records: LifeRecords, confidence: float = 0.95) -> Incidence:
    """Aalen-Johansen estimate with late entry and counts.

    Variance as in Aalen's (1978) formula for the multinomial counting process. Failures between
    inspections count at the inspection that found them.
    """
    dead = records.failed
    last = np.where(dead, records.shots_failed, records.shots_good)
    t = np.unique(last[dead])
    modes = sorted(set(records.mode[dead]))
    m = t.size
    at_risk = np.array([records.count[(last >= v) & (records.shots_from < v)].sum() for v in t])
    deaths = np.zeros((len(modes), m))
    for k, mode in enumerate(modes):
        here = dead & (records.mode == mode)
        np.add.at(deaths[k], np.searchsorted(t, last[here]), records.count[here])
    total = deaths.sum(axis=0)
    after = np.cumprod(1.0 - total / at_risk)
    before = np.concatenate(([1.0], after[:-1]))
    cif = np.cumsum(before * deaths / at_risk, axis=1)
    z = float(normal_quantile(confidence))
    lower, upper = {}, {}
    for k, mode in enumerate(modes):
        var = _variance(cif[k], before, at_risk, total, deaths[k])
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            f = cif[k]
            se = np.sqrt(var) / np.abs(f * np.log(f))
            lo, hi = f ** np.exp(z * se), f ** np.exp(-z * se)
        lower[mode] = np.where(np.isfinite(se), lo, np.nan)
        upper[mode] = np.where(np.isfinite(se), hi, np.nan)
    return Incidence(
        t,
        after,
        dict(zip(modes, cif)),
        lower,
        upper,
        bool((dead & ~records.exact).any()),
    )


def _variance(f: Array, before: Array, risk: Array, total: Array, own: Array) -> Array:
    """Delta-method variance of the cumulative incidence at each of its own counts, (m,)."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        a = np.where(risk > total, total / (risk * (risk - total)), 0.0)
    b = before**2 * own * (risk - own) / risk**3
    c = before * own / risk**2
    # sum over u <= t of (F(t)-F(u))^2 a + b - 2 (F(t)-F(u)) c, expanded to run in one pass
    ca, caf, caff = np.cumsum(a), np.cumsum(a * f), np.cumsum(a * f * f)
    cb, cc, ccf = np.cumsum(b), np.cumsum(c), np.cumsum(c * f)
    out = f * f * ca - 2 * f * caf + caff + cb - 2 * (f * cc - ccf)
    return np.asarray(np.maximum(out, 0.0))
