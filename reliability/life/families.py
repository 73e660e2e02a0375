"""Log-location-scale families: log densities and their derivatives, on whole arrays.

All functions take the standardised log life ``w = (ln t - mu) / sigma``. A family supplies
three kinds of term, each with its first and second derivative in ``w``:

* ``point``: a unit watched until it failed (``d = 1``, log density) or until the test left it
  good (``d = 0``, log survival);
* ``between``: a unit that failed somewhere between two counts (``log[F(hi) - F(lo)]``);
* ``survive``: log survival alone, for delayed entry.

Sources: Lawless (2003), Statistical Models and Methods for Lifetime Data, ch. 5;
Meeker & Escobar (1998), Statistical Methods for Reliability Data, ch. 4 and 7.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit, log_ndtr, ndtri

Array = NDArray[np.float64]
Terms = tuple[Array, Array, Array]
"""log term, first derivative, second derivative"""
BetweenTerms = tuple[Array, Array, Array, Array, Array, Array]
"""log term; derivative in lo, in hi; second derivatives lo-lo, lo-hi, hi-hi"""

_LOG_SQRT_2PI = 0.5 * np.log(2.0 * np.pi)
_FURTHEST = 709.0
"""as far out as exp is a number; all or nothing of any family is left long before, to the last digit"""


@dataclass(frozen=True)
class Family:
    """One log-location-scale family.

    Attributes
    ----------
    name : str
        ``weibull``, ``lognormal``, ``loglogistic`` or ``exponential``.
    shape_free : bool
        False for the exponential, whose sigma is 1.
    point, between, survive : callables
        Terms and derivatives, see the module's first lines.
    quantile : callable
        Standard quantile: ``w`` at which the fraction ``p`` has failed.
    log_sf_inverse : callable
        ``w`` at which the log survival equals the argument (used to draw lives).
    """

    name: str
    shape_free: bool
    point: Callable[[Array, Array], Terms]
    between: Callable[[Array, Array], BetweenTerms]
    survive: Callable[[Array], Terms]
    quantile: Callable[[Array], Array]
    log_sf_inverse: Callable[[Array], Array]

    @property
    def extreme_value(self) -> bool:
        """Whether ln t has the smallest extreme value distribution (Weibull, exponential)."""
        return self.point is _sev_point

    def survival(self, w: Array) -> Array:
        """Survival at standardised log life ``w``."""
        within = np.clip(np.asarray(w, float), -_FURTHEST, _FURTHEST)
        return np.exp(self.survive(within)[0])

    def __reduce__(self) -> tuple[Callable[[str], Family], tuple[str]]:
        """Travels by name, so that answers can be cached and sent to other processes."""
        return family, (self.name,)


# --- Weibull: smallest extreme value in ln t ---------------------------------------------


def _sev_point(w: Array, d: Array) -> Terms:
    e = np.exp(w)
    return d * w - e, d - e, -e


def _sev_survive(w: Array) -> Terms:
    e = -np.exp(np.minimum(w, _FURTHEST))
    return e, e, e


def _sev_between(lo: Array, hi: Array) -> BetweenTerms:
    elo = np.exp(lo)
    ehi = np.exp(hi)
    gap = ehi - elo
    share = -np.expm1(-gap)  # P(fail before hi | good at lo)
    log = -elo + np.log(share)
    # f(hi)/P and f(lo)/P with P = exp(-elo) * share
    ghi = np.where(np.isinf(hi), 0.0, ehi * np.exp(-gap) / share)
    ehi = np.where(np.isinf(hi), 0.0, ehi)
    glo = elo / share
    return (
        log,
        -glo,
        ghi,
        -glo * (1.0 - elo) - glo * glo,
        glo * ghi,
        ghi * (1.0 - ehi) - ghi * ghi,
    )


def _sev_quantile(p: Array) -> Array:
    return np.log(-np.log1p(-np.asarray(p, float)))


def _sev_log_sf_inverse(ls: Array) -> Array:
    return np.log(-np.asarray(ls, float))


# --- lognormal: normal in ln t -----------------------------------------------------------


def _normal_point(w: Array, d: Array) -> Terms:
    dead = d > 0
    log = -0.5 * w * w - _LOG_SQRT_2PI
    first = -w
    second = np.full_like(w, -1.0)
    if not dead.all():
        alive = np.broadcast_to(~dead, w.shape)
        wa = w[alive]
        ls = log_ndtr(-wa)
        h = np.exp(-0.5 * wa * wa - _LOG_SQRT_2PI - ls)
        log[alive] = ls
        first[alive] = -h
        second[alive] = -h * (h - wa)
    return log, first, second


def _normal_survive(w: Array) -> Terms:
    ls = log_ndtr(-w)
    h = np.exp(-0.5 * w * w - _LOG_SQRT_2PI - ls)
    return ls, -h, -h * (h - w)


def _normal_between(lo: Array, hi: Array) -> BetweenTerms:
    # work in the tail that holds the interval, where differences keep their digits
    flip = (lo + hi) > 0
    a = np.where(flip, -hi, lo)
    b = np.where(flip, -lo, hi)
    lb = log_ndtr(b)
    log = lb + np.log(-np.expm1(log_ndtr(a) - lb))
    glo = np.exp(-0.5 * lo * lo - _LOG_SQRT_2PI - log)
    ghi = np.exp(-0.5 * hi * hi - _LOG_SQRT_2PI - log)
    at_lo = np.where(np.isfinite(lo), lo, 0.0)
    at_hi = np.where(np.isfinite(hi), hi, 0.0)
    return (log, -glo, ghi, glo * at_lo - glo * glo, glo * ghi, -ghi * at_hi - ghi * ghi)


# --- log-logistic: logistic in ln t ------------------------------------------------------


def _logistic_point(w: Array, d: Array) -> Terms:
    p = expit(w)
    return d * w + (1.0 + d) * log_expit(-w), d - (1.0 + d) * p, -(1.0 + d) * p * (1.0 - p)


def _logistic_survive(w: Array) -> Terms:
    p = expit(w)
    return log_expit(-w), -p, -p * (1.0 - p)


def _logistic_between(lo: Array, hi: Array) -> BetweenTerms:
    # F(hi) - F(lo) = F(hi) S(lo) (1 - exp(lo - hi))
    share = -np.expm1(lo - hi)
    log = log_expit(hi) + log_expit(-lo) + np.log(share)
    pl, ph = expit(lo), expit(hi)
    cross = np.exp(lo - hi) / (share * share)
    ratio = np.exp(lo - hi) / share
    return (
        log,
        -pl - ratio,
        1.0 - ph + ratio,
        -pl * (1.0 - pl) - cross,
        cross,
        -ph * (1.0 - ph) - cross,
    )


def _logit(p: Array) -> Array:
    p = np.asarray(p, float)
    return np.log(p) - np.log1p(-p)


def _logistic_log_sf_inverse(ls: Array) -> Array:
    ls = np.asarray(ls, float)
    return np.log(-np.expm1(ls)) - ls


def _normal_log_sf_inverse(ls: Array) -> Array:
    from scipy.special import ndtri_exp

    return -ndtri_exp(np.asarray(ls, float))


WEIBULL = Family(
    "weibull", True, _sev_point, _sev_between, _sev_survive, _sev_quantile, _sev_log_sf_inverse
)
EXPONENTIAL = Family(
    "exponential", False, _sev_point, _sev_between, _sev_survive, _sev_quantile, _sev_log_sf_inverse
)
LOGNORMAL = Family(
    "lognormal",
    True,
    _normal_point,
    _normal_between,
    _normal_survive,
    lambda p: ndtri(np.asarray(p, float)),
    _normal_log_sf_inverse,
)
LOGLOGISTIC = Family(
    "loglogistic",
    True,
    _logistic_point,
    _logistic_between,
    _logistic_survive,
    _logit,
    _logistic_log_sf_inverse,
)

FAMILIES: dict[str, Family] = {f.name: f for f in (WEIBULL, LOGNORMAL, LOGLOGISTIC, EXPONENTIAL)}


def family(name: str) -> Family:
    """The family of that name.

    Raises
    ------
    ValueError
        For an unknown name; the message lists the known ones.
    """
    try:
        return FAMILIES[name]
    except KeyError:
        raise ValueError(f"unknown family {name!r}; allowed: {', '.join(FAMILIES)}") from None


def normal_quantile(p: Array | float) -> Array:
    """Standard normal quantile."""
    return ndtri(p)
