"""What the life curves are drawn from: fitted curve with band, empirical steps, censored marks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.bounds import Bounder, survival_curve
from reliability.life.empirical import EmpiricalCurve, empirical_curve
from reliability.life.families import family
from reliability.life.fit import LifeFit, NoMaximum, fit_life
from reliability.life.goodness import FamilyScore, GoodnessOfFit, compare_families, goodness_of_fit
from reliability.notes import Note
from reliability.records import LifeRecords

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LifeCurves:
    """Curves of one group of units.

    Attributes
    ----------
    family : str
    shots, estimate, lower, upper : arrays (m,)
        Fitted survival and its pointwise one-sided bounds; empty where no fit exists.
    empirical : EmpiricalCurve or None
    censored : array
        Last good counts of units still good.
    scores : list of FamilyScore
    goodness : GoodnessOfFit or None
    fit : LifeFit or None
    confidence : float
    notes : tuple of Note
    """

    family: str
    shots: Array
    estimate: Array
    lower: Array
    upper: Array
    empirical: EmpiricalCurve | None
    censored: Array
    scores: list[FamilyScore]
    goodness: GoodnessOfFit | None
    fit: LifeFit | None
    confidence: float
    notes: tuple[Note, ...]

    def plot_scale(self, survival: Array) -> Array:
        """Survival on the family's probability scale, on which the fitted curve is straight."""
        return np.asarray(family(self.family).quantile(1.0 - np.asarray(survival)))


def life_curves(
    records: LifeRecords,
    family_name: str = "weibull",
    *,
    mode: str = "",
    confidence: float = 0.95,
    bound: str = "calibrated",
    points: int = 60,
    seed: int = 1,
) -> LifeCurves:
    """Fitted and empirical curves of the units in these records."""
    if mode:
        records = records.of_mode(mode)
    none = np.empty(0)
    censored = records.shots_good[records.right]
    scores = compare_families(records)
    empirical = empirical_curve(records, confidence) if records.failed.any() else None
    try:
        fit = fit_life(records, family_name)
    except NoMaximum as e:
        return LifeCurves(
            family_name, none, none, none, none, empirical, censored, scores, None, None, confidence,
            (Note(e.code, str(e)),),
        )  # fmt: skip
    seen = records.shots_good[records.shots_good > 0]
    low = min(fit.quantile(0.005), float(seen.min()) if seen.size else fit.quantile(0.01))
    high = max(fit.quantile(0.95), float(records.shots_good.max()))
    shots = np.geomspace(max(low, high * 1e-4), min(high, fit.quantile(0.999)), points)
    bounder = Bounder(records, fit, confidence, bound, seed, effort=0.15)
    estimate, lower, upper = survival_curve(bounder, shots)
    check = goodness_of_fit(records, fit, draws=499) if records.units <= 3000 else None
    notes = fit.notes
    if check is not None and (poor := check.note(family_name)):
        notes += (poor,)
    return LifeCurves(
        family_name, shots, estimate, lower, upper, empirical, censored, scores, check, fit,
        confidence, notes,
    )  # fmt: skip
