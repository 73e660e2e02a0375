"""Same life? Log-rank tests of groups, plain and weighted.

Mantel (1966) and Peto & Peto (1972); weights S(t-)^rho of Harrington & Fleming (1982, Biometrika 69,
553-566): rho = 0 is the log-rank test, rho = 1 looks at early failures. Ours rather than lifelines':
that has no late entry, and its weights S(t-) leave counts out (measured: chi-square off by 0.3 on 30
records with counts 1 to 3); elsewhere both agree to 1e-14.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc

from reliability.records import LifeRecords


@dataclass(frozen=True)
class LogRank:
    """Result of a log-rank test.

    Attributes
    ----------
    groups : tuple of str
    observed, expected : tuple of float
        Failures seen, and expected if all groups lived alike (weighted by the weights).
    chi_square : float
    degrees : int
    p : float
    assumed_exact : bool
        True if failures known between two counts were placed at the later one.
    """

    groups: tuple[str, ...]
    observed: tuple[float, ...]
    expected: tuple[float, ...]
    chi_square: float
    degrees: int
    p: float
    assumed_exact: bool


def log_rank(records: LifeRecords, labels: NDArray[np.object_], rho: float = 0.0) -> LogRank:
    """Test whether groups share one life distribution, with late entry and counts.

    Raises
    ------
    ValueError
        With fewer than two groups or no failure.
    """
    groups = sorted(set(labels.tolist()))
    if len(groups) < 2 or not records.failed.any():
        raise ValueError("a log-rank test needs two groups and a failure")
    last = np.where(records.failed, records.shots_failed, records.shots_good)
    times = np.unique(last[records.failed])
    k = len(groups)
    member = np.array([labels == g for g in groups])
    w = records.count
    observed, expected = np.zeros(k), np.zeros(k)
    cov = np.zeros((k, k))
    survival = 1.0
    for t in times:
        at_risk = (last >= t) & (records.shots_from < t)
        dead = records.failed & (last == t)
        n_g = (member * (w * at_risk)).sum(axis=1)
        d_g = (member * (w * dead)).sum(axis=1)
        n, d = n_g.sum(), d_g.sum()
        weight = survival**rho
        share = n_g / n
        observed += weight * d_g
        expected += weight * d * share
        if n > 1:
            factor = weight**2 * d * (n - d) / (n - 1)
            cov += factor * (np.diag(share) - np.outer(share, share))
        survival *= 1.0 - d / n
    diff = (observed - expected)[:-1]
    chi = float(diff @ np.linalg.pinv(cov[:-1, :-1]) @ diff)
    degrees = k - 1
    return LogRank(
        tuple(groups), tuple(observed.tolist()), tuple(expected.tolist()), chi, degrees,
        float(gammaincc(degrees / 2, chi / 2)), bool((records.failed & ~records.exact).any()),
    )  # fmt: skip
