"""Shots at which wear paths meet a limit: for each unit, with prediction bounds calibrated by parametric
bootstrap, and for new units.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import log_ndtr, stdtrit

from reliability.wear.paths import Array, PathFit, drawn_sums, fitted, predict_coefficients


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
    samples, b = drawn_sums(fit, draws, rng)
    lam, _, beta, s2, xx = fitted(samples, reml=True, start=fit.restricted[0], gain=1e-5)
    coef, cov, _ = predict_coefficients(samples, lam, beta, s2, xx)
    ahead = [lo if np.isfinite(lo) else fit.scale for lo in lower]
    g = fit.g(fit.last + np.array(ahead))
    z = np.stack((np.full_like(g, 1.0 - limit.value if limit.relative else 1.0), g), axis=1)
    wrong = ((coef - b) * z).sum(axis=-1) * (1.0 if limit.falling else -1.0)
    spread = np.sqrt(np.einsum("mi,bmij,mj->bm", z, cov, z))
    errors = (wrong / spread).ravel()
    return errors[np.isfinite(errors)]


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
    return float(brentq(margin, a, b, args=(q,), xtol=1e-9 * scale)) - last


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
