"""Prediction: when will the next unit fail, or the first of k, or so many of k?

A confidence bound on a quantile speaks of the population; a prediction bound speaks of units still to
be made, and covers their own scatter too. Complete and failure-terminated tests: the predictive
distribution averages the model over the pivots' distribution, which is exact (Lawless 2003, sec.
5.1.3). Other schemes: the plug-in predictive distribution is calibrated by simulation (Lawless &
Fredette 2005, Biometrika 92, 529-542).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

from reliability.histories import lives_of
from reliability.life.bounds import CALIBRATION_LIMIT
from reliability.life.engine import fit_batch
from reliability.life.fit import LifeFit
from reliability.life.quadrature import plane
from reliability.life.scheme import EXACT_KINDS, kind_of, scheme_of
from reliability.notes import BadInput
from reliability.records import LifeRecords

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Prediction:
    """A prediction for future units.

    Attributes
    ----------
    units : int
        k units to come.
    keep : int
        How many of them must still be good.
    shots : float
        Count that at least ``keep`` of the ``units`` reach with probability ``confidence``.
    probability : float or None
        Probability that they reach ``at``.
    at : float or None
    confidence : float
    method : str
        ``exact``, ``simulated`` or ``plug-in``.
    """

    units: int
    keep: int
    shots: float
    probability: float | None
    at: float | None
    confidence: float
    method: str

    @property
    def question(self) -> str:
        """Which question the number answers."""
        if self.units == 1:
            return "the shots that the next unit reaches"
        if self.keep == self.units:
            return f"the shots that all of {self.units} next units reach (the first failure)"
        return f"the shots that at least {self.keep} of {self.units} next units reach"


def enough_fail(p: Array, units: int, keep: int) -> Array:
    """Probability that fewer than ``keep`` of ``units`` are left when each has failed with ``p``.

    That is, at least units - keep + 1 failures: an incomplete beta (NIST/SEMATECH e-Handbook 8.3.1).
    """
    return np.asarray(betainc(units - keep + 1, keep, p))


def predict(
    records: LifeRecords,
    fit: LifeFit,
    *,
    units: int = 1,
    keep: int | None = None,
    confidence: float = 0.95,
    at: float | None = None,
    seed: int = 1,
    draws: int = 8000,
) -> Prediction:
    """Shots that future units reach with the given probability.

    Parameters
    ----------
    records, fit
        The data and their fit.
    units, keep : int
        At least ``keep`` of ``units`` must reach it (default: all).
    confidence : float
        Probability, over data and future units together.
    at : float, optional
        Count whose probability is wanted as well.

    Raises
    ------
    BadInput
    """
    keep = units if keep is None else keep
    if not (1 <= keep <= units and int(units) == units):
        raise BadInput(
            "units and how many of them to keep must be whole numbers, 1 <= keep <= units"
        )
    fam = fit.family
    records = lives_of(records)
    scale = np.array([fit.phi[0, 0], fit.phi[1, 0]])
    if kind_of(records) in EXACT_KINDS and fam.shape_free:
        pl = plane(fam, fit.sample, fit.phi)
        method = "exact"

        def failed(y: float) -> float:
            return pl.expect(lambda b, a: enough_fail(1 - fam.survival(b * y + a), units, keep))
    elif records.units > CALIBRATION_LIMIT:
        method = "plug-in"

        def failed(y: float) -> float:
            return float(
                enough_fail(1 - fam.survival(np.array(scale[0] * y + scale[1])), units, keep)
            )
    else:
        method = "simulated"
        spread = _plug_in_levels(records, fit, units, keep, draws, seed)

        def failed(y: float) -> float:
            u = float(enough_fail(1 - fam.survival(np.array(scale[0] * y + scale[1])), units, keep))
            return float(np.interp(u, spread, np.linspace(0, 1, spread.size)))

    lo, hi = -60.0, 40.0
    for _ in range(70):
        mid = 0.5 * (lo + hi)
        lo, hi = (mid, hi) if failed(mid) < 1 - confidence else (lo, mid)
    probability = None
    if at is not None:
        probability = 1.0 if at <= 0 else 1.0 - failed(float(np.log(at) - fit.sample.centre))
    shots = float(np.exp(0.5 * (lo + hi) + fit.sample.centre))
    return Prediction(units, keep, shots, probability, at, confidence, method)


def _plug_in_levels(
    records: LifeRecords, fit: LifeFit, units: int, keep: int, draws: int, seed: int
) -> Array:
    """Sorted levels at which the plug-in predictive distribution puts the future event, (draws,)."""
    rng = np.random.default_rng([seed, 21])
    scheme = scheme_of(records, centre=fit.sample.centre)
    draws = int(np.clip(2_000_000 // max(scheme.size, 1), 500, draws))
    sample = scheme.draw(fit.family, fit.phi, draws, rng)
    again = fit_batch(fit.family, sample, start=fit.phi)
    # the future event under the fitted model: the order statistic that ends 'keep of units'
    u = np.sort(rng.random((units, draws)), axis=0)[units - keep]
    y = (fit.family.quantile(u) - fit.phi[1, 0]) / fit.phi[0, 0]
    p = 1 - fit.family.survival(again.phi[0] * y + again.phi[1])
    return np.sort(np.nan_to_num(enough_fail(p, units, keep), nan=0.0))
