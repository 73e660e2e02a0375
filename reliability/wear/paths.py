"""Wear paths with unit-to-unit variation.

Random-coefficient model ``y = b0 + b1 g(t) + e``, (b0, b1) ~ N(beta, D) over units, e ~ N(0, s^2)
measurement error, g(t) = t^p (p = 1: linear; else fitted), by maximum likelihood (Lu & Meeker 1993,
Technometrics 35, 161-174; Laird & Ware 1982).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, minimize_scalar

from reliability.notes import CannotAnswer
from reliability.readings import WearReadings

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Sums:
    """What the likelihood needs of each unit: A = Z'Z (m, 2, 2), c = Z'y (m, 2), yy (m,), n (m,)."""

    a: Array
    c: Array
    yy: Array
    n: Array


def _sums(t: Array, y: Array, index: NDArray[np.intp], m: int) -> _Sums:
    a, c, yy, n = np.zeros((m, 2, 2)), np.zeros((m, 2)), np.zeros(m), np.zeros(m)
    for value, (i, j) in ((np.ones_like(t), (0, 0)), (t, (0, 1)), (t * t, (1, 1))):
        np.add.at(a[:, i, j], index, value)
    a[:, 1, 0] = a[:, 0, 1]
    np.add.at(c[:, 0], index, y)
    np.add.at(c[:, 1], index, t * y)
    np.add.at(yy, index, y * y)
    np.add.at(n, index, 1.0)
    return _Sums(a, c, yy, n)


def _solve(s: _Sums, lam: Array, reml: bool = False) -> tuple[float, Array, float, Array]:
    """Profiled log-likelihood at a relative factor ``lam`` (2, 2): value, beta, s^2, X'V^-1X s^2.

    ``reml``: the restricted likelihood, whose variances are not too small in few units (Patterson &
    Thompson 1971).
    """
    al = s.a @ lam
    m = np.eye(2) + lam.T @ al
    inv = np.linalg.inv(m)
    core = al @ inv @ np.swapaxes(al, 1, 2)
    xx = (s.a - core).sum(axis=0)
    lc = np.einsum("ij,mi->mj", lam, s.c)
    xy = (s.c - np.einsum("mij,mjk,mk->mi", al, inv, lc)).sum(axis=0)
    yy = float((s.yy - np.einsum("mi,mij,mj->m", lc, inv, lc)).sum())
    beta = np.linalg.solve(xx, xy)
    total = float(s.n.sum()) - (2.0 if reml else 0.0)
    s2 = max((yy - float(beta @ xy)) / total, 1e-300)
    value = -0.5 * (total * (np.log(2 * np.pi * s2) + 1.0) + float(np.linalg.slogdet(m)[1].sum()))
    if reml:
        value -= 0.5 * float(np.linalg.slogdet(xx)[1])
    return value, beta, s2, xx


@dataclass(frozen=True)
class PathFit:
    """A fitted random-coefficient model.

    Attributes
    ----------
    quantity : str
    power : float
        p of g(t) = (t / scale)^p.
    scale : float
        Shots by which t is divided.
    beta : array (2,)
        Mean intercept and slope (per scale^p).
    cov : array (2, 2)
        D, between units.
    sigma : float
        Measurement error.
    loglik : float
    beta_cov : array (2, 2)
    units : tuple of str
    coef : array (m, 2)
        Each unit's predicted intercept and slope.
    coef_cov : array (m, 2, 2)
        Their prediction covariance, the mean's uncertainty included.
    last : array (m,)
        Last shots of each unit.
    n : array (m,)
        Readings of each unit.
    share : array (m,)
        How far each unit's line rests on its own readings (1) or the other units (0).
    design : (array, index array)
        Scaled shots and unit of each reading.
    restricted : (array, array, float)
        Relative factor, mean and error by restricted likelihood, which predictions rest on.
    """

    quantity: str
    power: float
    scale: float
    beta: Array
    cov: Array
    sigma: float
    loglik: float
    beta_cov: Array
    units: tuple[str, ...]
    coef: Array
    coef_cov: Array
    last: Array
    n: Array
    share: Array
    design: tuple[Array, NDArray[np.intp]]
    restricted: tuple[Array, Array, float]

    def g(self, shots: Array | float) -> Array:
        """Transformed shots."""
        return np.asarray((np.asarray(shots, float) / self.scale) ** self.power)


def fit_paths(readings: WearReadings, power: float | None = 1.0) -> PathFit:
    """Fit the readings of one quantity.

    Parameters
    ----------
    readings : WearReadings
        Of one quantity.
    power : float or None
        p; None to fit it.

    Raises
    ------
    CannotAnswer
        With fewer than 3 units, or units with fewer than 2 readings on average.
    """
    labels = readings.labels.astype(str)
    units, index = np.unique(labels, return_inverse=True)
    if units.size < 3 or len(readings) < 2 * units.size + 1:
        raise CannotAnswer(
            "Wear paths need 3 units or more with at least 2 readings each (3 on some)."
        )
    scale = float(readings.shots.max()) or 1.0
    offset, spread = float(readings.value.mean()), float(readings.value.std()) or 1.0
    y = (readings.value - offset) / spread
    if power is None:
        found = minimize_scalar(
            lambda q: -fit_by_likelihood(readings.shots / scale, y, index, units.size, float(np.exp(q)))[0],
            bounds=(np.log(0.2), np.log(5.0)), method="bounded", options={"xatol": 1e-6},
        )  # fmt: skip
        power = float(np.exp(found.x))
    value, lam, beta, s2, xx, s = fit_by_likelihood(
        readings.shots / scale, y, index, units.size, power
    )
    cov = s2 * lam @ lam.T
    beta_cov = np.asarray(s2 * np.linalg.inv(xx), np.float64)
    # predictions rest on restricted likelihood: plain maximum likelihood makes the spread too small
    _, lam_r, beta_r, s2_r, xx_r, _ = fit_by_likelihood(
        readings.shots / scale, y, index, units.size, power, reml=True, start=lam
    )
    coef, coef_cov, share = predict_coefficients(
        s, lam_r, beta_r, s2_r, np.asarray(s2_r * np.linalg.inv(xx_r), np.float64)
    )
    last = np.zeros(units.size)
    np.maximum.at(last, index, readings.shots)
    shift = np.array([offset, 0.0])
    total = float(s.n.sum())
    return PathFit(
        str(readings.quantity[0]), power, scale, spread * beta + shift, spread**2 * cov, spread * float(np.sqrt(s2)),
        value - total * float(np.log(spread)), spread**2 * beta_cov, tuple(units.tolist()), spread * coef + shift,
        spread**2 * coef_cov, last, s.n, share, (readings.shots / scale, index),
        (lam_r, spread * beta_r + shift, spread * float(np.sqrt(s2_r))),
    )  # fmt: skip


def fit_by_likelihood(
    t: Array,
    y: Array,
    index: NDArray[np.intp],
    m: int,
    power: float,
    reml: bool = False,
    start: Array | None = None,
) -> tuple[float, Array, Array, float, Array, _Sums]:
    s = _sums(t**power, y, index, m)

    def factor(theta: Array) -> Array:
        return np.array(
            [
                [np.exp(np.clip(theta[0], -12, 12)), 0.0],
                [theta[1], np.exp(np.clip(theta[2], -12, 12))],
            ]
        )

    best = None
    starts = [(0.0, 0.0, 0.0), (2.0, 0.0, 2.0)]
    if start is not None:
        starts = [
            (
                float(np.log(max(start[0, 0], 1e-4))),
                float(start[1, 0]),
                float(np.log(max(start[1, 1], 1e-2))),
            )
        ]
    for first in starts:
        found = minimize(
            lambda q: -_solve(s, factor(q), reml)[0],
            np.array(first),
            method="BFGS",
            options={"gtol": 1e-6},
        )
        if best is None or found.fun < best.fun - 1e-9:
            best = found
    assert best is not None
    lam = factor(best.x)
    value, beta, s2, xx = _solve(s, lam, reml)
    return value, lam, beta, s2, np.asarray(xx, np.float64), s


def predict_coefficients(
    s: _Sums, lam: Array, beta: Array, s2: float, beta_cov: Array
) -> tuple[Array, Array, Array]:
    """Best linear unbiased prediction of each unit's coefficients (Henderson 1975; Robinson 1991)."""
    d = s2 * lam @ lam.T
    al = s.a @ lam
    inv = np.linalg.inv(np.eye(2) + lam.T @ al)
    zvz = (s.a - al @ inv @ np.swapaxes(al, 1, 2)) / s2
    lc = np.einsum("ij,mi->mj", lam, s.c - s.a @ beta)
    zvr = (s.c - s.a @ beta - np.einsum("mij,mjk,mk->mi", al, inv, lc)) / s2
    coef = beta + zvr @ d
    w = np.eye(2) - d @ zvz
    cov = d - d @ zvz @ d + w @ beta_cov @ np.swapaxes(w, 1, 2)
    share = np.clip(1.0 - w[:, 1, 1], 0.0, 1.0)
    return coef, cov, share
