"""Wear paths with unit-to-unit variation, and the shots at which they meet a limit.

Random-coefficient model ``y = b0 + b1 g(t) + e``, (b0, b1) ~ N(beta, D) over units, e ~ N(0, s^2)
measurement error, g(t) = t^p (p = 1: linear; else fitted), by maximum likelihood (Lu & Meeker 1993,
Technometrics 35, 161-174; Laird & Ware 1982). The alternative is a Wiener process with drift, whose
time to a limit is inverse Gaussian (Whitmore 1995).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, minimize_scalar
from scipy.special import log_ndtr, ndtr, stdtrit

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
            lambda q: -_fit(readings.shots / scale, y, index, units.size, float(np.exp(q)))[0],
            bounds=(np.log(0.2), np.log(5.0)), method="bounded", options={"xatol": 1e-6},
        )  # fmt: skip
        power = float(np.exp(found.x))
    value, lam, beta, s2, xx, s = _fit(readings.shots / scale, y, index, units.size, power)
    cov = s2 * lam @ lam.T
    beta_cov = np.asarray(s2 * np.linalg.inv(xx), np.float64)
    # predictions rest on restricted likelihood: plain maximum likelihood makes the spread too small
    _, lam_r, beta_r, s2_r, xx_r, _ = _fit(
        readings.shots / scale, y, index, units.size, power, reml=True, start=lam
    )
    coef, coef_cov, share = _predict(
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


def _fit(
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


def _predict(
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


@dataclass(frozen=True)
class Limit:
    """Where a quantity counts as worn out.

    Attributes
    ----------
    value : float
        Absolute, or a factor of the unit's own start if ``relative``.
    relative : bool
    falling : bool
        Whether the quantity falls towards the limit.
    name : str
    """

    value: float
    relative: bool
    falling: bool
    name: str


DEFAULT_LIMITS = {
    "capacitance_uF": Limit(0.8, True, True, "20 % of the capacitance lost"),
    "fuel_mass_mg": Limit(0.05, True, True, "fuel spent (5 % left)"),
    "series_resistance_mOhm": Limit(2.0, True, False, "series resistance doubled"),
    "insulation_MOhm": Limit(0.1, True, True, "insulation down to a tenth"),
    "spark_V": Limit(1.5, True, False, "spark voltage half again higher"),
    "impulse_bit_uNs": Limit(0.8, True, True, "20 % of the impulse bit lost"),
    "bore_mm": Limit(1.5, True, False, "bore half again wider"),
    "ignition_delay_us": Limit(2.0, True, False, "ignition delay doubled"),
}
"""named defaults, a choice each; give --limit to use another"""


@dataclass(frozen=True)
class UnitRemaining:
    """Shots that one unit has left before its limit.

    Attributes
    ----------
    unit : str
    so_far, estimate, lower : float
        Shots so far; remaining shots as estimated, and their lower prediction bound (0 if the limit
        is passed already; inf where the path does not lead there).
    """

    unit: str
    so_far: float
    estimate: float
    lower: float


def _distance(
    fit: PathFit, coef: Array, cov: Array, limit: Limit, shots: Array
) -> tuple[Array, Array]:
    """How far the path is on the good side of the limit at ``shots`` (k,), and its variance."""
    g = fit.g(shots)
    z0 = np.full_like(g, 1.0 - limit.value if limit.relative else 1.0)
    z = np.stack((z0, g), axis=1)
    mean = z @ coef - (0.0 if limit.relative else limit.value)
    var = np.einsum("ki,ij,kj->k", z, cov, z)
    sign = 1.0 if limit.falling else -1.0
    return sign * mean, var


def _bounds(
    fit: PathFit, limit: Limit, quantile: float | None, confidence: float
) -> list[tuple[float, float]]:
    """Estimate and lower bound of each unit's remaining shots, with one cut or Student's."""
    out = []
    m = len(fit.units)
    own_df = max(float(fit.n.sum()) - 2 * m, 1.0)
    for i in range(m):
        df = 1.0 / (fit.share[i] / own_df + (1 - fit.share[i]) / max(m - 1, 1))
        cut = float(stdtrit(df, confidence)) if quantile is None else quantile
        last = float(fit.last[i])

        def margin(t: float, q: float, i: int = i) -> float:
            d, v = _distance(fit, fit.coef[i], fit.coef_cov[i], limit, np.array([t]))
            return float(d[0] - q * np.sqrt(v[0]))

        out.append((_first(margin, 0.0, last, fit.scale), _first(margin, cut, last, fit.scale)))
    return out


def remaining(
    fit: PathFit, limit: Limit, confidence: float = 0.95, *, draws: int = 80, seed: int = 1
) -> list[UnitRemaining]:
    """Remaining shots of each unit, with a calibrated lower prediction bound.

    A unit's bound is where its predicted distance from the limit is so many prediction standard errors
    above 0. How many is calibrated by parametric bootstrap: units and readings are drawn from the fit,
    fitted again, and the errors of the predicted distances at the bounds' own shots are collected over
    all units. Coverage: tests/benchmarks/wear.py.

    Parameters
    ----------
    draws : int
        Bootstrap samples; 0 takes Student's quantile instead, which is too short with few units.
    """
    first = _bounds(fit, limit, None, confidence)
    cut = None
    if draws:
        errors = _prediction_errors(
            fit, limit, [lo for _, lo in first], draws, np.random.default_rng(seed)
        )
        cut = float(np.quantile(errors, confidence, method="higher"))
        first = [
            (e, lo)
            for (e, _), (_, lo) in zip(first, _bounds(fit, limit, cut, confidence), strict=True)
        ]
    return [
        UnitRemaining(u, float(t), e, lo)
        for u, t, (e, lo) in zip(fit.units, fit.last, first, strict=True)
    ]


def _prediction_errors(
    fit: PathFit, limit: Limit, lower: list[float], draws: int, rng: np.random.Generator
) -> Array:
    """Standardised errors of predicted distances in samples drawn from the fit, all units together."""
    t, index = fit.design
    g = t**fit.power
    lam, beta, sigma = fit.restricted
    m = len(fit.units)
    root = sigma * lam
    at = np.array(
        [fit.last[i] + (lo if np.isfinite(lo) else fit.scale) for i, lo in enumerate(lower)]
    )
    out = []
    for _ in range(draws):
        b = beta + rng.standard_normal((m, 2)) @ root.T
        y = b[index, 0] + b[index, 1] * g + rng.normal(0, sigma, g.size)
        try:
            _, lam_b, beta_b, s2, xx, s = _fit(t, y, index, m, fit.power, reml=True, start=lam)
            coef, cov, _ = _predict(
                s, lam_b, beta_b, s2, np.asarray(s2 * np.linalg.inv(xx), np.float64)
            )
        except np.linalg.LinAlgError:
            continue
        for i in range(m):
            d, v = _distance(fit, coef[i], cov[i], limit, at[i : i + 1])
            true, _ = _distance(fit, b[i], cov[i], limit, at[i : i + 1])
            out.append(float((d[0] - true[0]) / np.sqrt(v[0])))
    return np.array(out)


def _first(margin: object, q: float, last: float, scale: float) -> float:
    """Shots after ``last`` at which the margin first falls to 0."""
    assert callable(margin)
    if margin(last, q) <= 0:
        return 0.0
    step = 0.05 * scale
    a, b = last, last + step
    for _ in range(400):
        if margin(b, q) <= 0:
            break
        a, b = b, b + step
        step *= 1.15
        if b > 1e7 * scale:
            return float("inf")
    for _ in range(60):
        mid = 0.5 * (a + b)
        a, b = (mid, b) if margin(mid, q) > 0 else (a, mid)
    return 0.5 * (a + b) - last


@dataclass(frozen=True)
class Outlook:
    """Chance that one unit stays on the good side of its limit.

    Attributes
    ----------
    fit : PathFit
    limit : Limit
    coef, cov : arrays (2,), (2, 2)
        The unit's predicted line; for a unit without readings the mean of all.
    inflate : float
        Factor on the prediction standard error, from the bootstrap of ``remaining``.
    measured : bool
        Whether the unit has readings of its own.
    """

    fit: PathFit
    limit: Limit
    coef: Array
    cov: Array
    inflate: float
    measured: bool

    def hazard(self, start: float, shots: Array) -> Array:
        """-ln of the chance to stay good from ``start`` to ``start + shots``, given good at ``start``."""
        t = np.concatenate(([start], start + np.asarray(shots, float)))
        d, v = _distance(self.fit, self.coef, self.cov, self.limit, t)
        log = log_ndtr(d / (self.inflate * np.sqrt(np.maximum(v, 1e-300))))
        return np.maximum(log[0] - log[1:], 0.0)


def outlook(fit: PathFit, unit: str, limit: Limit, draws: int = 60, seed: int = 1) -> Outlook:
    """The outlook of a unit by its label, or of a new unit if it has no readings."""
    first = [lo for _, lo in _bounds(fit, limit, None, 0.95)]
    errors = _prediction_errors(fit, limit, first, draws, np.random.default_rng(seed))
    inflate = max(1.0, float(np.quantile(errors, 0.95)) / 1.6448536)
    if unit in fit.units:
        i = fit.units.index(unit)
        return Outlook(fit, limit, fit.coef[i], fit.coef_cov[i], inflate, True)
    return Outlook(fit, limit, fit.beta, fit.cov + fit.beta_cov, inflate, False)


def time_to_limit(
    fit: PathFit, limit: Limit, fractions: Array, draws: int = 20000, seed: int = 1
) -> Array:
    """Shots by which these fractions of all units (new ones) have met the limit; inf if never."""
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(fit.cov + 1e-12 * np.trace(fit.cov) * np.eye(2) + 1e-300 * np.eye(2))
    b = fit.beta + rng.standard_normal((draws, 2)) @ root.T
    top = (limit.value - 1.0) * b[:, 0] if limit.relative else limit.value - b[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        g = top / b[:, 1]
    t = np.where(g > 0, fit.scale * np.abs(g) ** (1 / fit.power), np.inf)
    return np.quantile(t, fractions, method="higher")


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
