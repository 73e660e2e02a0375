"""Basis values as structures people state them: the lower bound, at 95 %, that 99 % (A) or 90 % (B)
outlast.

Exact from this project's own bounds; beside it the closed approximation that the composites handbook
prints for complete Weibull samples, for comparison.
"""

from __future__ import annotations

import numpy as np

from reliability.life.bounds import Bounder
from reliability.life.fit import LifeFit, fit_life
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords

CONFIDENCE = 0.95
FAILED = {"A": 0.01, "B": 0.10}


def _fraction(kind: str) -> float:
    if kind not in FAILED:
        raise BadInput(f"{kind!r} is not a basis; allowed: A (99 % outlast), B (90 %)")
    return FAILED[kind]


def basis_value(records: LifeRecords, kind: str, family: str = "weibull") -> float:
    """The A or B value by the exact (or calibrated) lower bound of this project.

    Raises
    ------
    BadInput
        For another kind.
    NoMaximum
        If the family cannot be fitted.
    """
    fraction = _fraction(kind)
    return Bounder(records, fit_life(records, family), CONFIDENCE).quantile(fraction).lower


def handbook_weibull_basis(fit: LifeFit, kind: str) -> float:
    """The A or B value by the composites handbook's closed factor.

    Parameters
    ----------
    fit : LifeFit
        Weibull, of a complete sample.
    kind : str
        ``A`` or ``B``.

    Raises
    ------
    BadInput, CannotAnswer
        For another kind; for a sample that is not complete, another family or under 10 units.

    Notes
    -----
    q exp(-V / (shape sqrt n)), q the fitted quantile, with V_A = 6.649 + exp(2.55 - 0.526 ln n + 4.76/n)
    and V_B = 3.803 + exp(1.79 - 0.516 ln n + 5.1/(n - 1)): Composite Materials Handbook 17, volume 1,
    sec. 8.3.4 (from memory; the published values of its program are met to every digit).
    """
    fraction, n = _fraction(kind), fit.n
    if fit.family.name != "weibull" or fit.failed != n or n < 10:
        raise CannotAnswer(
            "The handbook's factor is for complete Weibull samples of 10 units or more."
        )
    if kind == "A":
        v = 6.649 + np.exp(2.55 - 0.526 * np.log(n) + 4.76 / n)
    else:
        v = 3.803 + np.exp(1.79 - 0.516 * np.log(n) + 5.1 / (n - 1))
    return float(fit.quantile(fraction) * np.exp(-v / (fit.shape * np.sqrt(n))))


def normal_factor(units: int, kind: str) -> float:
    """How many standard deviations below the mean of (log) lives the A or B value lies.

    From this project's exact lognormal bound on a complete sample; it does not depend on the sample, so
    any sample serves.
    """
    logs = np.log(np.linspace(1.0, 2.0, units))
    low = np.log(basis_value(LifeRecords.of(np.exp(logs), np.exp(logs)), kind, "lognormal"))
    return float((logs.mean() - low) / logs.std(ddof=1))
