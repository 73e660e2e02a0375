"""Wear paths with unit-to-unit variation.

Random-coefficient model ``y = b0 + b1 g(t) + e``, (b0, b1) ~ N(beta, D) over units, e ~ N(0, s^2)
measurement error, g(t) = t^p (p = 1: linear; else fitted), by maximum likelihood (Lu & Meeker 1993,
Technometrics 35, 161-174; Laird & Ware 1982).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from reliability.notes import CannotAnswer
from reliability.readings import WearReadings

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Sums:
    """What the likelihood needs of each unit of B samples of one design.

    A = Z'Z (m, 2, 2), n (m,); of each sample c = Z'y (B, m, 2) and yy (B, m).
    """

    a: Array
    c: Array
    yy: Array
    n: Array


def _sums(t: Array, y: Array, index: NDArray[np.intp], m: int) -> _Sums:
    """Sums of samples ``y`` (B, n) at scaled shots ``t`` (n,)."""
    unit = np.zeros((t.size, m))
    unit[np.arange(t.size), index] = 1.0
    a = np.empty((m, 2, 2))
    a[:, 0, 0], a[:, 1, 1] = unit.sum(axis=0), (t * t) @ unit
    a[:, 0, 1] = a[:, 1, 0] = t @ unit
    c = np.stack((y @ unit, (y * t) @ unit), axis=-1)
    return _Sums(a, c, (y * y) @ unit, a[:, 0, 0])


def _solve(s: _Sums, lam: Array, reml: bool = False) -> tuple[Array, Array, Array, Array]:
    """Profiled log-likelihood at relative factors ``lam`` (B, 2, 2): value, beta, s^2, X'V^-1X s^2.

    ``reml``: the restricted likelihood, whose variances are not too small in few units (Patterson &
    Thompson 1971).
    """
    # 2 x 2 products written out: lam is lower triangular, A and I + lam' A lam are symmetric
    l00, l10, l11 = (lam[:, i, j, None] for i, j in ((0, 0), (1, 0), (1, 1)))
    a00, a01, a11 = s.a[:, 0, 0], s.a[:, 0, 1], s.a[:, 1, 1]
    al00, al01 = a00 * l00 + a01 * l10, a01 * l11
    al10, al11 = a01 * l00 + a11 * l10, a11 * l11
    m00, m01, m11 = 1.0 + l00 * al00 + l10 * al10, l11 * al10, 1.0 + l11 * al11
    det = m00 * m11 - m01 * m01
    i00, i01, i11 = m11 / det, -m01 / det, m00 / det
    h00, h01 = al00 * i00 + al01 * i01, al00 * i01 + al01 * i11
    h10, h11 = al10 * i00 + al11 * i01, al10 * i01 + al11 * i11
    xx = np.empty_like(lam)
    xx[:, 0, 0] = (a00 - h00 * al00 - h01 * al01).sum(axis=1)
    xx[:, 0, 1] = xx[:, 1, 0] = (a01 - h00 * al10 - h01 * al11).sum(axis=1)
    xx[:, 1, 1] = (a11 - h10 * al10 - h11 * al11).sum(axis=1)
    c0, c1 = s.c[..., 0], s.c[..., 1]
    lc0, lc1 = c0 * l00 + c1 * l10, c1 * l11
    xy = np.stack(
        ((c0 - h00 * lc0 - h01 * lc1).sum(axis=1), (c1 - h10 * lc0 - h11 * lc1).sum(axis=1)), axis=1
    )
    yy = (s.yy - i00 * lc0 * lc0 - 2 * i01 * lc0 * lc1 - i11 * lc1 * lc1).sum(axis=1)
    beta = (_inverse(xx) @ xy[..., None])[..., 0]
    total = float(s.n.sum()) - (2.0 if reml else 0.0)
    s2 = np.maximum((yy - (beta * xy).sum(axis=-1)) / total, 1e-300)
    value = -0.5 * (total * (np.log(2 * np.pi * s2) + 1.0) + np.log(det).sum(axis=1))
    if reml:
        value = value - 0.5 * np.log(_determinant(xx))
    return value, beta, s2, xx


def _determinant(m: Array) -> Array:
    return np.asarray(m[..., 0, 0] * m[..., 1, 1] - m[..., 0, 1] * m[..., 1, 0])


def _inverse(m: Array) -> Array:
    out = np.empty_like(m)
    out[..., 0, 0], out[..., 1, 1] = m[..., 1, 1], m[..., 0, 0]
    out[..., 0, 1], out[..., 1, 0] = -m[..., 0, 1], -m[..., 1, 0]
    return out / _determinant(m)[..., None, None]


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
            lambda q: -float(fitted(_sums((readings.shots / scale) ** np.exp(q), y[None], index, units.size))[1][0]),
            bounds=(np.log(0.2), np.log(5.0)), method="bounded", options={"xatol": 1e-6},
        )  # fmt: skip
        power = float(np.exp(found.x))
    t = readings.shots / scale
    s = _sums(t**power, y[None], index, units.size)
    lam, value, beta, s2, xx = fitted(s)
    cov = s2[0] * lam[0] @ lam[0].T
    beta_cov = np.asarray(s2[0] * np.linalg.inv(xx[0]), np.float64)
    # predictions rest on restricted likelihood: plain maximum likelihood makes the spread too small
    lam_r, _, beta_r, s2_r, xx_r = fitted(s, reml=True, start=lam)
    coef, coef_cov, share = predict_coefficients(s, lam_r, beta_r, s2_r, xx_r)
    last = np.zeros(units.size)
    np.maximum.at(last, index, readings.shots)
    shift = np.array([offset, 0.0])
    total = float(s.n.sum())
    return PathFit(
        str(readings.quantity[0]), power, scale, spread * beta[0] + shift, spread**2 * cov, spread * float(np.sqrt(s2[0])),
        float(value[0]) - total * float(np.log(spread)), spread**2 * beta_cov, tuple(units.tolist()), spread * coef[0] + shift,
        spread**2 * coef_cov[0], last, s.n, share[0], (readings.shots / scale, index),
        (lam_r[0], spread * beta_r[0] + shift, spread * float(np.sqrt(s2_r[0]))),
    )  # fmt: skip


_STEP = 1e-4
_SHIFTS = np.array(
    [[0.0, 0.0, 0.0]]
    + [[s if k == j else 0.0 for k in range(3)] for j in range(3) for s in (1.0, -1.0)]
    + [
        [a if k == i else b if k == j else 0.0 for k in range(3)]
        for i in range(3)
        for j in range(i)
        for a, b in ((1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0))
    ]
)
_LENGTHS = np.array([1.0, 0.5, 0.25, 0.08, 0.02, 0.0])


def _factor(theta: Array) -> Array:
    """Relative factors (B, 2, 2) from free parameters (B, 3)."""
    out = np.zeros((*theta.shape[:-1], 2, 2))
    out[..., 0, 0] = np.exp(np.clip(theta[..., 0], -12, 12))
    out[..., 1, 0] = theta[..., 1]
    out[..., 1, 1] = np.exp(np.clip(theta[..., 2], -12, 12))
    return out


def _values(s: _Sums, theta: Array, reml: bool) -> Array:
    """Log-likelihood at k points of each sample: ``theta`` (B, k, 3) to (B, k)."""
    size, k = theta.shape[:2]
    many = _Sums(s.a, np.repeat(s.c, k, axis=0), np.repeat(s.yy, k, axis=0), s.n)
    return _solve(many, _factor(theta.reshape(-1, 3)), reml)[0].reshape(size, k)


def _uphill(f: Array) -> Array:
    """Newton's step (B, 3) from values at ``_SHIFTS`` (B, 19): derivatives by central differences."""
    up, down, mid = f[:, 1:7:2], f[:, 2:7:2], f[:, :1]
    grad = (up - down) / (2 * _STEP)
    hess = np.zeros((f.shape[0], 3, 3))
    hess[:, range(3), range(3)] = (up + down - 2 * mid) / _STEP**2
    at = 7
    for i in range(3):
        for j in range(i):
            a, b, c, d = (f[:, at + k] for k in range(4))
            hess[:, i, j] = hess[:, j, i] = (a - b - c + d) / (4 * _STEP**2)
            at += 4
    w, v = np.linalg.eigh(hess)
    w = -np.maximum(np.abs(w), 1e-6)  # uphill wherever it stands
    step = -np.einsum("bij,bj,bkj,bk->bi", v, 1 / w, v, grad)
    size = np.sqrt((step**2).sum(axis=1, keepdims=True))
    return np.asarray(step * np.minimum(1.0, 1.5 / np.maximum(size, 1e-300)))


def _climb(s: _Sums, theta: Array, reml: bool, gain: float) -> tuple[Array, Array]:
    """Newton's method on all samples at once, each until it gains no more; parameters and value."""
    theta = theta.copy()
    value = _values(s, theta[:, None], reml)[:, 0]
    going = np.arange(theta.shape[0])
    for _ in range(60):
        own = _Sums(s.a, s.c[going], s.yy[going], s.n)
        at = theta[going]
        step = _uphill(_values(own, at[:, None] + _STEP * _SHIFTS, reml))
        ways = np.clip(at[:, None] + _LENGTHS[:, None] * step[:, None], -30, 30)
        tried = _values(own, ways, reml)
        k = tried.argmax(axis=1)
        rows = np.arange(k.size)
        best, moved = tried[rows, k], np.abs(_LENGTHS[k][:, None] * step).max(axis=1)
        still = (moved >= 1e-7) & (best - value[going] >= gain)
        theta[going], value[going] = ways[rows, k], best
        going = going[still]
        if not going.size:
            break
    return theta, value


def fitted(
    s: _Sums, reml: bool = False, start: Array | None = None, gain: float = 1e-11
) -> tuple[Array, Array, Array, Array, Array]:
    """Fit B samples: relative factor (B, 2, 2), log-likelihood, beta (B, 2), s^2, X'V^-1X s^2.

    ``start`` is a factor (2, 2) or (B, 2, 2) near the answer; without one two starts are tried. It ends
    when no sample gains more than ``gain`` in log-likelihood.
    """
    size = s.yy.shape[0]
    if start is None:
        starts = [np.array([0.0, 0.0, 0.0]), np.array([2.0, 0.0, 2.0])]
    else:
        near = np.broadcast_to(start, (size, 2, 2))
        diagonal = np.log(np.maximum(near[:, [0, 1], [0, 1]], (1e-4, 1e-2)))
        starts = [np.stack((diagonal[:, 0], near[:, 1, 0], diagonal[:, 1]), axis=1)]
    theta, value = _climb(s, np.broadcast_to(starts[0], (size, 3)).copy(), reml, gain)
    for other in starts[1:]:
        t, v = _climb(s, np.broadcast_to(other, (size, 3)).copy(), reml, gain)
        better = v > value + 1e-9
        theta, value = np.where(better[:, None], t, theta), np.where(better, v, value)
    lam = _factor(theta)
    return lam, *_solve(s, lam, reml)


def predict_coefficients(
    s: _Sums, lam: Array, beta: Array, s2: Array, xx: Array
) -> tuple[Array, Array, Array]:
    """Best linear unbiased prediction of each unit's coefficients (Henderson 1975; Robinson 1991).

    Of B samples: coefficients (B, m, 2), their covariance (B, m, 2, 2), and how far each unit's line
    rests on its own readings (B, m).
    """
    v = s2[:, None, None]
    beta_cov = v * _inverse(xx)
    d = v * lam @ np.swapaxes(lam, 1, 2)
    al = s.a[None] @ lam[:, None]
    inv = _inverse(np.eye(2) + np.swapaxes(lam, 1, 2)[:, None] @ al)
    half = al @ inv
    zvz = (s.a[None] - half @ np.swapaxes(al, 2, 3)) / v[:, None]
    rest = s.c - (s.a[None] @ beta[:, None, :, None])[..., 0]
    lc = rest @ lam
    zvr = (rest - (half @ lc[..., None])[..., 0]) / v
    coef = beta[:, None] + zvr @ d
    w = np.eye(2) - d[:, None] @ zvz
    cov = d[:, None] - d[:, None] @ zvz @ d[:, None] + w @ beta_cov[:, None] @ np.swapaxes(w, 2, 3)
    share = np.clip(1.0 - w[..., 1, 1], 0.0, 1.0)
    return coef, cov, share


def drawn_sums(fit: PathFit, draws: int, rng: np.random.Generator) -> tuple[_Sums, Array]:
    """Samples of the fit's design from its restricted fit, and their true coefficients (B, m, 2)."""
    t, index = fit.design
    g = t**fit.power
    lam, beta, sigma = fit.restricted
    m = len(fit.units)
    b = beta + rng.standard_normal((draws, m, 2)) @ (sigma * lam).T
    y = b[:, index, 0] + b[:, index, 1] * g + rng.normal(0, sigma, (draws, g.size))
    return _sums(g, y, index, m), b
