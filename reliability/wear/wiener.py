"""The alternative to wear paths: a Wiener process with drift, whose time to a limit is inverse Gaussian
(Whitmore 1995).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, ndtr

from reliability.notes import CannotAnswer
from reliability.readings import WearReadings
from reliability.wear.paths import Array


@dataclass(frozen=True)
class WienerFit:
    """Wiener process with drift, one drift for all units.

    Attributes
    ----------
    drift, diffusion : float
        Mean change and standard deviation of the change over one unit of shots (sqrt for the latter).
    loglik : float
    increments : int
    """

    drift: float
    diffusion: float
    loglik: float
    increments: int


def fit_wiener(readings: WearReadings) -> WienerFit:
    """Maximum likelihood from the increments of each unit (closed form).

    Raises
    ------
    CannotAnswer
        Without at least 3 increments.
    """
    labels = readings.labels.astype(str)
    same = labels[1:] == labels[:-1]
    dt = np.diff(readings.shots)[same]
    dy = np.diff(readings.value)[same]
    keep = dt > 0
    dt, dy = dt[keep], dy[keep]
    if dt.size < 3:
        raise CannotAnswer("A Wiener process needs 3 steps between readings or more.")
    drift = float(dy.sum() / dt.sum())
    s2 = float(((dy - drift * dt) ** 2 / dt).mean())
    loglik = float(
        (-0.5 * (np.log(2 * np.pi * s2 * dt) + (dy - drift * dt) ** 2 / (s2 * dt))).sum()
    )
    return WienerFit(drift, float(np.sqrt(s2)), loglik, int(dt.size))


def inverse_gaussian_sf(t: Array | float, distance: float, drift: float, diffusion: float) -> Array:
    """Chance that a Wiener process with drift has not covered ``distance`` > 0 by t (Chhikara & Folks 1989)."""
    t = np.asarray(t, float)
    root = diffusion * np.sqrt(t)
    a = (distance - drift * t) / root
    b = -(distance + drift * t) / root
    # the second term is at most 1; rounding of large numbers must not lift it above
    second = np.exp(np.minimum(2 * drift * distance / diffusion**2 + log_ndtr(b), 0.0))
    return np.asarray(np.maximum(ndtr(a) - second, 0.0))
