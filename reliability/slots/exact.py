"""Bounds that need no simulation: exact conditional ones, and the chi-square ones of exponential lives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from reliability.life.families import family
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.quadrature import Plane, plane
from reliability.life.scheme import kind_of
from reliability.life.targets import LogLife, LogQuantile
from reliability.slots.carried import FAILURES
from reliability.slots.model import Module


@dataclass(frozen=True)
class Conditional:
    """Exact conditional distribution of one slot's life (complete or failure-terminated test).

    Fisher (1934); Lawless (2003), Statistical Models and Methods for Lifetime Data, sec. 5.1.
    """

    plane: Plane
    centre: float
    scale: float
    guess: float

    def shots(self, survival: float, confidence: float) -> float:
        """Lower bound on the count that ``survival`` outlast."""
        z = float(np.log(-np.log(survival)))
        v = self.plane.quantile(LogQuantile(z), 1.0 - confidence, self.guess, self.scale)
        return float(np.exp(v + self.centre))

    def survival(self, shots: float, confidence: float) -> float:
        """Lower bound on survival at a count."""
        at = LogLife(float(np.log(shots)) - self.centre)
        w = self.plane.quantile(at, confidence, 0.0, 3.0)
        return float(np.exp(-np.exp(w)))


def conditional_of(module: Module) -> Conditional | None:
    """The exact distribution where it exists: one new slot, 3 failures or more of one group at one
    stress, complete or failure-terminated, shape free. None elsewhere.
    """
    if len(module.slots) != 1:
        return None
    s = module.slots[0]
    r = s.carried.own
    free = s.model.cells.beta.size > 1 and s.model.units == 1.0 and s.drift is None
    plain = not s.carried.stresses and not s.model.lent and not s.aboard.stretches
    if not (free and plain) or r.failures < FAILURES or s.carried.left_out:
        return None
    if kind_of(r) == "other":
        return None
    try:
        fit = fit_life(r, "weibull")
    except NoMaximum:
        return None
    found = plane(family("weibull"), fit.sample, fit.phi)
    return Conditional(
        found, fit.sample.centre, 1.0 / float(fit.phi[0, 0]), float(-fit.phi[1, 0] / fit.phi[0, 0])
    )


@dataclass(frozen=True)
class Poisson:
    """Exponential slots: failures of all of them as one Poisson count.

    With exposures ``T_j`` (shots over units a module) the module's hazard is ``sum n_j / T_j`` for
    expected failures ``n_j``, at most ``sum n_j / min T_j``; the count of all failures bounds
    ``sum n_j``. Exact where exposures are equal (Epstein & Sobel 1953; NIST/SEMATECH e-Handbook
    8.4.5.1), else on the safe side.

    Attributes
    ----------
    failures, exposure : float
    """

    failures: float
    exposure: float

    def rate(self, confidence: float) -> float:
        """Upper bound on the module's hazard a unit of shots: chi2(C; 2r + 2) / 2T."""
        return float(chi2.ppf(confidence, 2 * self.failures + 2) / (2 * self.exposure))


def poisson_of(module: Module) -> Poisson | None:
    """Where every slot has shape 1 and no stress model; None elsewhere."""
    exposures, failures = [], 0.0
    for s in module.slots:
        m = s.model
        if m.cells.beta.size > 1 or m.cells.beta[0] != 1.0 or m.cells.k.shape[0] > 1:
            return None
        exposures.append(float(m.data.exposure[0, 0, 0]) / m.units)
        failures += float(m.data.failures[0])
    return Poisson(failures, min(exposures))
