"""Two groups: the ratio of their lives, with bounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reliability.life.stress import Term, fit_stress
from reliability.life.stress_bounds import StressBounder
from reliability.notes import BadInput
from reliability.records import LifeRecords


@dataclass(frozen=True)
class LifeRatio:
    """Life of one group over that of another, at equal shape.

    Attributes
    ----------
    column, first, second : str
        The ratio is of ``first`` to ``second``.
    estimate, lower, upper : float
    mc_error : float
    """

    column: str
    first: str
    second: str
    estimate: float
    lower: float
    upper: float
    mc_error: float


def life_ratio(
    records: LifeRecords,
    column: str,
    first: str,
    second: str,
    *,
    adjust: tuple[Term, ...] = (),
    family_name: str = "weibull",
    confidence: float = 0.95,
    method: str = "calibrated",
    seed: int = 1,
) -> LifeRatio:
    """Ratio of lives of two groups with a common shape (Lawless 2003, sec. 5.2), other stresses adjusted.

    Raises
    ------
    BadInput
        If a group is missing.
    CannotAnswer
        If the data have no fit.
    """
    labels = records.column(column)
    keep = np.isin(labels.astype(str), [first, second])
    own = records.select(keep)
    present = set(own.column(column).astype(str).tolist())
    if present != {first, second}:
        raise BadInput(f"{column} has no records of {', '.join({first, second} - present)}")
    fit = fit_stress(own, (*adjust, Term(column, "categorical")), family_name)
    j = next(k for k, c in enumerate(fit.design) if c.level)
    b = StressBounder(fit, confidence, method, seed).coefficient(j)
    e, lo, hi = np.exp([b.estimate, b.lower, b.upper])
    if fit.design[j].level != first:
        e, lo, hi = 1 / e, 1 / hi, 1 / lo
    return LifeRatio(column, first, second, float(e), float(lo), float(hi), b.mc_error)
