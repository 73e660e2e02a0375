"""Partial pooling: a random effect of builders on log life.

``ln T = b0 + stress terms + u_g + sigma W`` with ``u_g ~ N(0, tau^2)`` for builder g. The u_g are
integrated out by quadrature over a fixed fine grid; tau and the rest by maximum likelihood (Lawless
2003, sec. 11.1; Meeker & Escobar 1998, sec. 22.4 on unit-to-unit variation).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import logsumexp

from reliability.life.exposure import log_life
from reliability.life.families import Family
from reliability.life.sample import doses, log_centre
from reliability.life.units import units_of
from reliability.records import LifeRecords

Array = NDArray[np.float64]

_NODES = np.linspace(-7.0, 7.0, 113)
TAU_PRIOR_SD = 0.5
"""Half-normal prior on tau for the shrunken effects, a choice: two builders in three within a factor
1.6 of the pool. With a handful of builders the likelihood alone often says tau = 0, which nobody
should believe."""
_LOG_WEIGHTS = -0.5 * _NODES**2 - logsumexp(-0.5 * _NODES**2)


@dataclass(frozen=True)
class PooledFit:
    """A life model with a random group effect.

    Attributes
    ----------
    groups : tuple of str
    tau : float
        Standard deviation of the group effects on log life.
    loglik, loglik_pooled : float
        In log counts; with and without the random effect.
    p : float
        For tau = 0: half a chi-square with one degree of freedom (Self & Liang 1987).
    phi : array (p,)
        beta, alpha and stress effects, as the engine holds them.
    centre : float
    effect, lower, upper : arrays (g,)
        Shrunken effects on log life: posterior mean and one-sided bounds at ``confidence``, tau being
        uncertain too (see ``TAU_PRIOR_SD``).
    tau_mean : float
        Root mean square of tau under its posterior: the spread to reckon with for a new group.
    raw : array (g,)
        Effects the groups' own data like best (no shrinking), nan without failures.
    confidence : float
    """

    groups: tuple[str, ...]
    tau: float
    loglik: float
    loglik_pooled: float
    p: float
    phi: Array
    centre: float
    effect: Array
    lower: Array
    upper: Array
    raw: Array
    confidence: float
    tau_mean: float

    def log_life(self, z: float, x: Array) -> float:
        """Log life of the pool at standardised log life ``z``, at covariates (q - 1,) as the fit has them: 0 the middle."""
        location = self.phi[1] + float(x @ self.phi[2:])
        return float((z - location) / self.phi[0] + self.centre)


class _Data:
    """Units as arrays for the marginal likelihood; their stretches put together."""

    def __init__(self, records: LifeRecords, x: Array, labels: NDArray[np.object_]) -> None:
        units = units_of(records, x)
        own = labels[units.histories.order][units.histories.last]
        self.groups, self.index = np.unique(own.astype(str), return_inverse=True)
        r = units.records
        c = log_centre(r)
        self.centre = c
        with np.errstate(divide="ignore"):
            self.good = np.log(r.shots_good) - c
            self.failed = np.log(r.shots_failed) - c
            self.start = np.log(r.shots_from) - c
        self.exact, self.right = r.exact, r.right & (r.shots_good > 0)
        self.between = r.failed & ~r.exact
        self.late = r.shots_from > 0
        self.weight = r.count
        self.x, self.x_first = units.x, units.x_first
        self.path = np.flatnonzero(units.varying)
        if self.path.size:
            ends, self.path_x = units.stretches(self.path)
            self.dose = doses(ends, r.shots_good[self.path, None], c)
            self.dose_hi = doses(ends, r.shots_failed[self.path, None], c)

    def _ends(self, phi: Array) -> tuple[Array, Array, Array]:
        """Standardised log life at the last good and at the failed count, and ln d ln e / d ln t."""
        location = phi[1] + self.x @ phi[2:]
        low, high = phi[0] * self.good + location, phi[0] * self.failed + location
        jacobian = np.zeros(low.size)
        if self.path.size:
            at, column = self.path, phi[:, None]
            low[at] = log_life(self.path_x, self.dose, column)[:, 0]
            high[at] = log_life(self.path_x, self.dose_hi, column)[:, 0]
            jacobian[at] = self.good[at] + (location[at] - low[at]) / phi[0]
        return low, high, jacobian

    def by_record(self, fam: Family, phi: Array, shift: Array) -> Array:
        """Log-likelihood of each unit with its log life shifted by each of ``shift`` (k,), (n, k)."""
        beta = phi[0]
        move = -beta * shift[None, :]
        out = np.zeros((self.good.size, shift.size))
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            low, high, jacobian = (v[:, None] for v in self._ends(phi))
            e, r, b = self.exact, self.right, self.between
            if e.any():
                a = low[e] + move
                out[e] = fam.point(a, np.ones_like(a))[0] + np.log(beta) + jacobian[e]
            if r.any():
                out[r] = fam.survive(low[r] + move)[0]
            if b.any():
                out[b] = fam.between(low[b] + move, high[b] + move)[0]
            if self.late.any():
                entry = beta * self.start + phi[1] + self.x_first @ phi[2:]
                out[self.late] -= fam.survive(entry[self.late, None] + move)[0]
        return np.maximum(np.nan_to_num(out * self.weight[:, None], nan=-1e8, neginf=-1e8), -1e8)

    def by_group(self, fam: Family, phi: Array, shift: Array) -> Array:
        """The same summed over each group, (g, k)."""
        if fam.extreme_value and not self.between.any():
            return self._by_group_of_sums(phi, shift)
        rows = self.by_record(fam, phi, shift)
        out = np.zeros((self.groups.size, shift.size))
        np.add.at(out, self.index, rows)
        return out

    def _by_group_of_sums(self, phi: Array, shift: Array) -> Array:
        """Weibull without intervals: a shift multiplies each unit's hazard, so a group's sums serve all shifts."""
        beta, failed = phi[0], self.exact
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            low, _, jacobian = self._ends(phi)
            hazard = np.where(failed | self.right, np.exp(low), 0.0)
            if self.late.any():
                entry = beta * self.start + phi[1] + self.x_first @ phi[2:]
                hazard[self.late] -= np.exp(entry[self.late])
            fixed = np.where(failed, low + np.log(beta) + jacobian, 0.0)

            def total(of: Array) -> Array:
                sums = np.bincount(self.index, self.weight * of, self.groups.size).astype(float)
                return sums[:, None]

            move = -beta * shift[None, :]
            out = total(fixed) + move * total(failed.astype(float)) - np.exp(move) * total(hazard)
        return np.maximum(np.nan_to_num(out, nan=-1e8, neginf=-1e8), -1e8)


def marginal_loglik(fam: Family, data: _Data, phi: Array, tau: float) -> float:
    """Log-likelihood with the group effects integrated out."""
    rows = data.by_group(fam, phi, tau * _NODES)
    return float(logsumexp(rows + _LOG_WEIGHTS, axis=1).sum())


def fit_pooled(
    records: LifeRecords,
    fam: Family,
    labels: NDArray[np.object_],
    x: Array,
    phi: Array,
    confidence: float = 0.95,
) -> PooledFit:
    """Fit the random-effect model.

    Parameters
    ----------
    records : LifeRecords
    fam : Family
    labels : array (n,)
        Group of each record.
    x : array (n, q - 1)
        Stress columns, centred and scaled (q = 1: none).
    phi : array (q + 1, 1)
        Fit without the random effect, to start from.
    confidence : float
        One-sided, of the effects' bounds.
    """
    data = _Data(records, x, labels)
    start = np.concatenate(([np.log(phi[0, 0])], phi[1:, 0], [np.log(0.3)]))
    if not fam.shape_free:
        start[0] = 0.0

    def unpack(theta: Array) -> tuple[Array, float]:
        beta = np.exp(np.clip(theta[0], -8, 8)) if fam.shape_free else 1.0
        return np.concatenate(([beta], theta[1:-1])), float(np.exp(np.clip(theta[-1], -9, 3)))

    def minus(theta: Array) -> float:
        return -marginal_loglik(fam, data, *unpack(theta))

    best = None
    for log_tau in (np.log(0.05), np.log(0.4), np.log(1.2)):
        start[-1] = log_tau
        found = minimize(minus, start, method="BFGS", options={"gtol": 1e-6, "maxiter": 400})
        if best is None or found.fun < best.fun:
            best = found
    assert best is not None
    params, tau = unpack(best.x)
    pooled = float(data.by_group(fam, phi[:, 0], np.zeros(1)).sum())
    loglik = max(-float(best.fun), pooled)
    if -best.fun <= pooled + 1e-7:
        params, tau = phi[:, 0], 0.0
    from scipy.special import gammaincc

    gain = max(0.0, 2 * (loglik - pooled))
    p = 0.5 * float(gammaincc(0.5, gain / 2)) if gain > 0 else 1.0
    effect, lower, upper, tau_mean = _shrunken(fam, data, params, confidence)
    raw = _raw(fam, data, params)
    return PooledFit(
        tuple(data.groups.tolist()), tau, loglik, pooled, p, params, data.centre, effect, lower, upper, raw, confidence,
        tau_mean,
    )  # fmt: skip


def _shrunken(
    fam: Family, data: _Data, phi: Array, confidence: float
) -> tuple[Array, Array, Array, float]:
    """Posterior mean and bounds of each group's effect, averaged over tau; root mean square of tau."""
    taus = np.linspace(0.02, 1.8, 60)
    u = np.linspace(-5, 5, 1001)
    rows = data.by_group(fam, phi, u)
    mix = np.zeros_like(rows)
    log_tau = np.empty(taus.size)
    shares = []
    for i, tau in enumerate(taus):
        log = rows - 0.5 * (u / tau) ** 2 - np.log(tau)
        log_tau[i] = logsumexp(log, axis=1).sum() - 0.5 * (tau / TAU_PRIOR_SD) ** 2
        shares.append(np.exp(log - logsumexp(log, axis=1, keepdims=True)))
    weight = np.exp(log_tau - logsumexp(log_tau))
    for w, share in zip(weight, shares):
        mix += w * share
    cum = np.cumsum(mix, axis=1)
    lower = np.array([np.interp(1 - confidence, c, u) for c in cum])
    upper = np.array([np.interp(confidence, c, u) for c in cum])
    return (mix * u).sum(axis=1), lower, upper, float(np.sqrt((weight * taus**2).sum()))


def _raw(fam: Family, data: _Data, phi: Array) -> Array:
    """Effect at which each group's own likelihood is largest, shape and stress held."""
    u = np.linspace(-4, 4, 1601)
    rows = data.by_group(fam, phi, u)
    at = rows.argmax(axis=1)
    inside = (at > 0) & (at < u.size - 1)
    return np.where(inside, u[at], np.nan)
