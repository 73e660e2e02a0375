"""A module as a series of slots: its survival is the product over slots, with its own bound.

The bound is on the summed cumulative hazard ``H(N) = sum_j m_j H_j(N)`` (m_j equal units in slot j,
the first failure ends the module). Its signed root takes, at each total, the allocation over slots
that the data like best; the distribution of that root is simulated under the constrained fit, as
for a single slot (see ``calibrated``). A slot without failures has one unknown, its scale, at an
assumed shape: its best hazard is 0 and only its cheapest share enters the bound, so that slots
which never failed do not add up to a loss that nobody saw.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.calibrated import _tail, failures_in
from reliability.life.engine import Held, fit_batch, loglik_at
from reliability.life.families import Family, normal_quantile
from reliability.life.sample import Sample, sample_of
from reliability.life.scheme import Scheme, scheme_of
from reliability.life.targets import LogLife
from reliability.records import LifeRecords

Array = NDArray[np.float64]

_COARSE = 29
_FINE = 281
_SPAN = (-8.0, 6.0)  # ln hazard of a slot relative to the module's, where it can matter


@dataclass(frozen=True)
class Slot:
    """One slot of the module.

    Attributes
    ----------
    name : str
    records : LifeRecords
    family : Family
    phi : array (2, 1)
        Fitted parameters on logs less ``sample.centre`` (for an assumed shape: a starting value).
    assumed_shape : float or None
        Shape held fixed where the data cannot give one.
    units : float
        Equal units in the slot, m_j.
    """

    name: str
    records: LifeRecords
    family: Family
    phi: Array
    sample: Sample
    scheme: Scheme
    assumed_shape: float | None
    units: float = 1.0

    @classmethod
    def of(
        cls,
        name: str,
        records: LifeRecords,
        family: Family,
        phi: Array | None,
        assumed_shape: float | None,
        units: float = 1.0,
    ) -> Slot:
        """Build from records; ``phi`` None where the shape is assumed."""
        sample = sample_of(records)
        if phi is None:
            assert assumed_shape is not None
            phi = np.array([[assumed_shape], [0.0]])
            if records.failed.any():
                phi = fit_batch(family, sample, Held(0, assumed_shape), phi).phi
            else:
                phi[1] = -60.0
        return cls(name, records, family, phi, sample, scheme_of(records, centre=sample.centre),
                   assumed_shape, units)  # fmt: skip

    def log_life(self, log_shots: float) -> LogLife:
        """Target at a count."""
        return LogLife(log_shots - self.sample.centre)

    def hazard(self, log_shots: Array | float) -> Array:
        """Cumulative hazard of the whole slot at counts."""
        w = self.phi[0, 0] * (np.asarray(log_shots) - self.sample.centre) + self.phi[1, 0]
        return -self.units * self.family.survive(np.atleast_1d(w))[0]

    def roots(self, sample: Sample, start: Array, y: float, log_hazard: Array) -> Array:
        """Signed roots of a batch with the slot's hazard held at each grid point.

        Parameters
        ----------
        sample : Sample
            B samples.
        start : array (2, 1) or (2, B)
        y : float
            Log count less the centre.
        log_hazard : array (k,)
            ln of the slot's cumulative hazard.

        Returns
        -------
        array (B, k)
            Rising in the hazard; 0 at the best one.
        """
        w = self.family.log_sf_inverse(-np.exp(log_hazard) / self.units)
        size, k = sample.size, log_hazard.size
        dead = failures_in(sample) > 0
        free = np.zeros(size)
        w_hat = np.full(size, -np.inf)
        held = None if self.assumed_shape is None else Held(0, self.assumed_shape)
        if dead.any():
            index = np.flatnonzero(dead)
            part = sample if dead.all() else sample.columns(index, index.size)
            first = np.broadcast_to(start, (2, size))[:, index]
            best = fit_batch(self.family, part, held, first)
            free[index] = best.loglik
            w_hat[index] = best.phi[0] * y + best.phi[1]
        out = np.empty((size, k))
        guess = np.broadcast_to(start, (2, size))
        for i in range(k):
            if self.assumed_shape is not None:
                phi = np.stack((np.full(size, self.assumed_shape), w[i] - self.assumed_shape * y + np.zeros(size)))
                ll = loglik_at(self.family, sample, phi)
            else:
                under = fit_batch(self.family, sample, LogLife(y).held(np.full(size, w[i])), guess)
                ll, guess = under.loglik, under.phi
            gap = np.maximum(2.0 * (free - ll), 0.0)
            gap = np.where(np.isfinite(gap), gap, 1e6)
            out[:, i] = np.where(w[i] >= w_hat, 1.0, -1.0) * np.sqrt(gap)
        return out


@dataclass(frozen=True)
class _Curves:
    """Deviance of each slot on a fine grid of its hazard, for B samples.

    hazard (J, F); deviance (J, B, F); slope (J, B, F), made to rise along the grid.
    """

    hazard: Array
    deviance: Array
    slope: Array


def _curves(slots: Sequence[Slot], samples: Sequence[Sample], starts: Sequence[Array], log_n: float,
            middle: float) -> _Curves:  # fmt: skip
    coarse = middle + np.linspace(*_SPAN, _COARSE)
    fine = middle + np.linspace(*_SPAN, _FINE)
    hazard = np.exp(fine)
    at = np.clip((fine - coarse[0]) / (coarse[1] - coarse[0]), 0, _COARSE - 1 - 1e-9)
    i = at.astype(int)
    t = at - i
    deviance, slope = [], []
    for slot, sample, start in zip(slots, samples, starts):
        r = slot.roots(sample, start, log_n - slot.sample.centre, coarse)
        i0, i2, i3 = np.maximum(i - 1, 0), i + 1, np.minimum(i + 2, _COARSE - 1)
        a, b, c, d = r[:, i0], r[:, i], r[:, i2], r[:, i3]
        fine_r = b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))
        dev = fine_r**2 * np.sign(fine_r)
        signed = np.abs(dev)
        g = np.gradient(signed, axis=1) / np.gradient(hazard)
        # below the best hazard the slope is negative, above it positive; both must rise
        slope.append(np.maximum.accumulate(g, axis=1))
        deviance.append(signed)
    return _Curves(np.broadcast_to(hazard, (len(slots), _FINE)), np.stack(deviance), np.stack(slope))


def _allocate(curves: _Curves, total: Array | float, upward: bool) -> tuple[Array, Array]:
    """Least summed deviance with hazards summing to ``total``: (B,), and the hazards (J, B)."""
    j, size, f = curves.deviance.shape
    total = np.broadcast_to(np.asarray(total, float), (size,))
    lo = np.full(size, curves.slope.min())
    hi = np.full(size, curves.slope.max())

    def at(multiplier: Array) -> tuple[Array, Array]:
        """Hazards and deviances where every slot's slope meets the multiplier."""
        haz = np.empty((j, size))
        dev = np.empty((j, size))
        rows = np.arange(size)
        for k in range(j):
            pos = (curves.slope[k] < multiplier[:, None]).sum(axis=1)
            i = np.clip(pos - 1, 0, f - 2)
            s0, s1 = curves.slope[k][rows, i], curves.slope[k][rows, i + 1]
            with np.errstate(invalid="ignore", divide="ignore"):
                t = np.where(s1 > s0, (multiplier - s0) / (s1 - s0), 1.0)
            t = np.clip(np.where(pos == 0, 0.0, t), 0.0, 1.0)
            h = curves.hazard[k]
            haz[k] = h[i] * (1 - t) + h[i + 1] * t
            dev[k] = curves.deviance[k][rows, i] * (1 - t) + curves.deviance[k][rows, i + 1] * t
        return haz, dev

    for _ in range(60):
        mid = 0.5 * (lo + hi)
        haz, _ = at(mid)
        over = haz.sum(axis=0) > total
        hi = np.where(over, mid, hi)
        lo = np.where(over, lo, mid)
    haz, dev = at(lo)
    high, dev_high = at(hi)
    # where the slope is flat (a slot without failures) the rest goes in between
    rest = total - haz.sum(axis=0)
    room = high.sum(axis=0) - haz.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.clip(np.where(room > 0, rest / room, 0.0), 0.0, 1.0)
    return (dev + t * (dev_high - dev)).sum(axis=0), haz + t * (high - haz)


@dataclass(frozen=True)
class SystemBound:
    """Module survival at a count.

    Attributes
    ----------
    shots, estimate, lower, upper : float
    cut_lower, cut_upper : float
        Signed roots used; normal quantiles where not calibrated.
    mc_error : float
        Monte-Carlo standard error of ln of the hazard bound behind ``lower``.
    """

    shots: float
    estimate: float
    lower: float
    upper: float
    cut_lower: float
    cut_upper: float
    mc_error: float


def system_bound(
    slots: Sequence[Slot],
    shots: float,
    confidence: float = 0.95,
    method: str = "calibrated",
    seed: int = 1,
    cuts: tuple[float, float] | None = None,
    draws: int = 2000,
) -> SystemBound:
    """Survival of the whole module at a count, with one-sided bounds.

    Parameters
    ----------
    slots : sequence of Slot
    shots : float
    confidence : float
    method : str
        ``calibrated`` or ``likelihood``.
    seed : int
    cuts : (float, float), optional
        Signed roots to cut at, if already calibrated (at a nearby count).
    draws : int
        Samples at the last of the two candidates.
    """
    log_n = float(np.log(shots))
    estimate = float(sum(s.hazard(log_n)[0] for s in slots))
    middle = np.log(max(estimate, min(1.0, _reach(slots, log_n))))
    data = _curves(slots, [s.sample for s in slots], [s.phi for s in slots], log_n, middle)
    z = float(normal_quantile(confidence))
    if not any(s.records.failed.any() for s in slots):
        # nothing failed anywhere: the success run of the slot that was tried least
        worst = -np.log1p(-confidence) * _reach(slots, log_n)
        return SystemBound(shots, 1.0, float(np.exp(-worst)), 1.0, z, z, 0.0)
    rng = np.random.default_rng(seed)
    out, used, error = [], [], 0.0
    for up in (True, False):  # a high hazard gives the lower survival
        cut = z if cuts is None else cuts[0 if up else 1]
        h = _solve(data, estimate, cut, up)
        if method == "calibrated" and cuts is None:
            for n_draws in (min(600, draws), draws):
                if not np.isfinite(h) or h <= 0:
                    break
                cut, cut_error = _simulate(slots, data, log_n, middle, h, up, confidence, n_draws, rng)
                cut = max(cut, 1e-3)
                h_new = _solve(data, estimate, cut, up)
                if up and np.isfinite(h_new):
                    shifted = _solve(data, estimate, cut + cut_error, up)
                    error = abs(np.log(shifted / h_new))
                h = h_new
        out.append(h)
        used.append(cut)
    return SystemBound(
        shots, float(np.exp(-estimate)), float(np.exp(-out[0])), float(np.exp(-out[1])),
        used[0], used[1], float(error),
    )  # fmt: skip


def _reach(slots: Sequence[Slot], log_n: float) -> float:
    """Hazard that one failure more would mean in the slot known least: a scale for the grid."""
    worst = 1e-6
    for s in slots:
        if not s.records.failed.any():
            b = s.assumed_shape or 1.0
            with np.errstate(divide="ignore"):
                run = np.exp(b * (np.log(s.records.shots_good) - log_n))
                begun = np.exp(b * (np.log(s.records.shots_from) - log_n))
            worst = max(worst, s.units / max(float((s.records.count * (run - begun)).sum()), 1e-6))
    return worst


def _solve(data: _Curves, estimate: float, cut: float, up: bool) -> float:
    """Total hazard at which the root of the least deviance equals ``cut``."""
    lo = np.log(max(estimate, data.hazard[0, 0]))
    hi = np.log(data.hazard[0, -1]) if up else np.log(data.hazard[0, 0])
    if not up and estimate <= data.hazard[0, 0]:
        return 0.0

    def excess(v: float) -> float:
        dev, _ = _allocate(data, np.exp(v), up)
        return float(np.sqrt(dev[0])) - cut

    if excess(hi) < 0:
        return np.inf if up else 0.0
    for _ in range(50):
        mid = 0.5 * (lo + hi)
        if excess(mid) < 0:
            lo = mid
        else:
            hi = mid
    return float(np.exp(0.5 * (lo + hi)))


def _simulate(
    slots: Sequence[Slot],
    data: _Curves,
    log_n: float,
    middle: float,
    total: float,
    up: bool,
    confidence: float,
    draws: int,
    rng: np.random.Generator,
) -> tuple[float, float]:
    """Cut of the signed root with the module's hazard held at ``total``."""
    _, share = _allocate(data, total, up)
    samples, starts = [], []
    for slot, h in zip(slots, share[:, 0]):
        phi = _held_phi(slot, log_n, max(float(h), 1e-12))
        samples.append(slot.scheme.draw(slot.family, phi, draws, rng))
        starts.append(phi)
    curves = _curves(slots, samples, starts, log_n, middle)
    dev, _ = _allocate(curves, total, up)
    best = np.array(
        [curves.hazard[k][curves.deviance[k].argmin(axis=1)] for k in range(len(slots))]
    ).sum(axis=0)
    # signed like the observed root: positive where the sample's own estimate is on the safe side
    sign = np.where(best <= total, 1.0, -1.0) if up else np.where(best >= total, 1.0, -1.0)
    return _tail(sign * np.sqrt(np.maximum(dev, 0.0)), confidence, True)


def _held_phi(slot: Slot, log_n: float, hazard: float) -> Array:
    """Parameters of a slot with its hazard at the count held."""
    y = log_n - slot.sample.centre
    w = float(slot.family.log_sf_inverse(np.asarray(-hazard / slot.units)))
    if slot.assumed_shape is not None:
        return np.array([[slot.assumed_shape], [w - slot.assumed_shape * y]])
    return fit_batch(slot.family, slot.sample, LogLife(y).held(w), slot.phi).phi
