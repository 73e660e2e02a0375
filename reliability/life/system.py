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

from reliability.life.calibrated import failures_in, tail_cut
from reliability.life.engine import fit_batch, loglik_at
from reliability.life.families import Family, normal_quantile
from reliability.life.likelihood import Held
from reliability.life.sample import Sample, sample_of
from reliability.life.scheme import Scheme, scheme_of
from reliability.life.targets import LogLife
from reliability.life.units import lives_of
from reliability.records import LifeRecords

Array = NDArray[np.float64]

_GRID = 29
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
        records = lives_of(records)
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
        if size == 1:  # one sample: all grid points as one batch
            many = sample.spread_over(k)
            if self.assumed_shape is not None:
                b = self.assumed_shape
                ll_all = loglik_at(self.family, many, np.stack((np.full(k, b), w - b * y)))
            else:
                guess = np.broadcast_to(start, (2, k))
                ll_all = fit_batch(self.family, many, LogLife(y).held(w), guess).loglik
            gap = np.maximum(2.0 * (free[0] - ll_all), 0.0)
            return np.asarray((np.where(w >= w_hat[0], 1.0, -1.0) * np.sqrt(gap))[None, :])
        out = np.empty((size, k))
        guess = np.broadcast_to(start, (2, size))
        for i in range(k):
            if self.assumed_shape is not None:
                phi = np.stack(
                    (
                        np.full(size, self.assumed_shape),
                        w[i] - self.assumed_shape * y + np.zeros(size),
                    )
                )
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
    """Signed root of each slot along its ln hazard, for B samples.

    Attributes
    ----------
    grid : array (K,)
        ln hazard, evenly spaced.
    root : array (J, B, K)
    best : array (J, B)
        Hazard each sample likes best.
    """

    grid: Array
    root: Array
    best: Array

    def deviance(self, j: int, hazard: Array) -> Array:
        """Squared root of slot j at hazards (B, G), cubic between grid points."""
        k = self.grid.size
        with np.errstate(divide="ignore"):
            at = (np.log(hazard) - self.grid[0]) / (self.grid[1] - self.grid[0])
        at = np.clip(np.nan_to_num(at, neginf=0.0), 0.0, k - 1 - 1e-9)
        i = at.astype(int)
        t = at - i
        r = self.root[j]
        rows = np.arange(r.shape[0])[:, None]
        a, b = r[rows, np.maximum(i - 1, 0)], r[rows, i]
        c, d = r[rows, i + 1], r[rows, np.minimum(i + 2, k - 1)]
        mid = b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))
        return np.asarray(mid * mid)


def _curves(
    slots: Sequence[Slot],
    samples: Sequence[Sample],
    starts: Sequence[Array],
    log_n: float,
    middle: float,
) -> _Curves:
    grid = middle + np.linspace(*_SPAN, _GRID)
    root, best = [], []
    for slot, sample, start in zip(slots, samples, starts):
        # far out on the grid the root may be infinite; large is enough
        r = np.clip(slot.roots(sample, start, log_n - slot.sample.centre, grid), -1e8, 1e8)
        root.append(r)
        # where the root crosses 0; at the grid's foot where nothing failed
        i = np.clip((r < 0).sum(axis=1), 1, grid.size - 1)
        rows = np.arange(r.shape[0])
        r0, r1 = r[rows, i - 1], r[rows, i]
        with np.errstate(invalid="ignore", divide="ignore"):
            t = np.clip(np.where(r1 > r0, -r0 / (r1 - r0), 0.0), 0.0, 1.0)
        best.append(np.exp(grid[i - 1] + t * (grid[1] - grid[0])))
    return _Curves(grid, np.stack(root), np.stack(best))


_SHARES = 1.0 / (1.0 + np.exp(-np.linspace(-9.0, 9.0, 37)))


def _allocate(curves: _Curves, total: Array | float) -> tuple[Array, Array]:
    """Least summed deviance with hazards summing to ``total``: (B,), and the hazards (J, B).

    Each slot in turn takes what the others leave; the split between it and every other slot is
    searched over shares, and the best of all is kept. (The deviance is not convex in the hazard,
    so one multiplier for all slots would not do.)
    """
    slots = curves.best.shape[0]
    first = curves.best * np.minimum(1.0, 0.999 * total / curves.best.sum(axis=0))
    kept_dev: Array | None = None
    kept = first
    for taker in range(slots):
        haz = first.copy()
        haz[taker] += total - haz.sum(axis=0)
        for _ in range(2 if slots > 1 else 0):
            for j in range(slots):
                if j != taker:
                    haz[j], haz[taker] = _split(curves, j, taker, haz[j] + haz[taker])
        dev = sum(curves.deviance(j, haz[j][:, None])[:, 0] for j in range(slots))
        assert isinstance(dev, np.ndarray)
        if kept_dev is None:
            kept_dev, kept = dev, haz
        else:
            better = dev < kept_dev
            kept_dev = np.where(better, dev, kept_dev)
            kept = np.where(better, haz, kept)
    assert kept_dev is not None
    return kept_dev, kept


def _split(curves: _Curves, j: int, taker: int, pair: Array) -> tuple[Array, Array]:
    """Best split of ``pair`` (B,) between two slots."""
    shares = np.broadcast_to(_SHARES, (pair.size, _SHARES.size))
    for _ in range(2):
        dev = curves.deviance(j, pair[:, None] * shares) + curves.deviance(
            taker, pair[:, None] * (1.0 - shares)
        )
        i = dev.argmin(axis=1)
        rows = np.arange(pair.size)
        lo, hi = (
            shares[rows, np.maximum(i - 1, 0)],
            shares[rows, np.minimum(i + 1, shares.shape[1] - 1)],
        )
        best = shares[rows, i]
        shares = lo[:, None] + (hi - lo)[:, None] * np.linspace(0.0, 1.0, 9)
    return pair * best, pair * (1.0 - best)


def first_failure_shares(hazards: Sequence[Array]) -> list[float]:
    """Probability that each of several independent items is the first to fail.

    Parameters
    ----------
    hazards : sequence of arrays (m,)
        Cumulative hazard of each item along one rising grid of counts; the shares add up to the
        probability that any fails within it.
    """
    total = np.sum(hazards, axis=0)
    alive = np.exp(-0.5 * (total[1:] + total[:-1]))
    return [float((alive * np.diff(h)).sum()) for h in hazards]


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


@np.errstate(over="ignore")
def system_bound(
    slots: Sequence[Slot],
    shots: float,
    confidence: float = 0.95,
    method: str = "calibrated",
    seed: int = 1,
    cuts: tuple[float, float] | None = None,
    draws: int = 2000,
    side: str = "both",
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
    side : str
        ``lower``, ``upper`` or ``both``: which bound is calibrated (the other is cut at the normal
        quantile, which saves its simulation).
    """
    log_n = float(np.log(shots))
    estimate = float(sum(s.hazard(log_n)[0] for s in slots))
    z = float(normal_quantile(confidence))
    reach = _reach(slots, log_n)
    if not any(s.records.failed.any() for s in slots):
        # nothing failed anywhere: the success run of the slot that was tried least
        worst = -np.log1p(-confidence) * reach
        return SystemBound(shots, 1.0, float(np.exp(-worst)), 1.0, z, z, 0.0)
    middle = np.log(max(estimate, min(1.0, reach)))
    data = _curves(slots, [s.sample for s in slots], [s.phi for s in slots], log_n, middle)
    rng = np.random.default_rng(seed)
    out, used, error = [], [], 0.0
    for up in (True, False):  # a high hazard gives the lower survival
        cut = z if cuts is None else cuts[0 if up else 1]
        h = _solve(data, estimate, cut, up)
        if method == "calibrated" and cuts is None and side in ("both", "lower" if up else "upper"):
            for n_draws in (min(600, draws), draws):
                if not np.isfinite(h) or h <= 0:
                    break
                cut, cut_error = _simulate(
                    slots, data, log_n, middle, h, up, confidence, n_draws, rng
                )
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
    floor = float(np.exp(data.grid[0]))
    if not up and estimate <= floor:
        return 0.0
    near = float(np.log(max(estimate, floor)))
    far = float(data.grid[-1]) if up else float(data.grid[0])
    for points in (33, 17, 9):  # each round looks closer at where the root crosses the cut
        v = np.linspace(near, far, points)
        many = _Curves(
            data.grid,
            np.repeat(data.root, points, axis=1),
            np.repeat(data.best, points, axis=1),
        )
        dev, _ = _allocate(many, np.exp(v))
        root = np.maximum.accumulate(np.sqrt(dev))
        if root[-1] < cut:
            return np.inf if up else 0.0
        i = int(np.clip((root < cut).sum(), 1, points - 1))
        near, far = float(v[i - 1]), float(v[i])
        r0, r1 = root[i - 1], root[i]
    t = (cut - r0) / (r1 - r0) if r1 > r0 else 0.5
    return float(np.exp(near + t * (far - near)))


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
    _, share = _allocate(data, total)
    samples, starts = [], []
    for slot, h in zip(slots, share[:, 0]):
        phi = _held_phi(slot, log_n, max(float(h), 1e-12))
        samples.append(slot.scheme.draw(slot.family, phi, draws, rng))
        starts.append(phi)
    curves = _curves(slots, samples, starts, log_n, middle)
    dev, _ = _allocate(curves, total)
    best = curves.best.sum(axis=0)
    # signed like the observed root: positive where the sample's own estimate is on the safe side
    sign = np.where(best <= total, 1.0, -1.0) if up else np.where(best >= total, 1.0, -1.0)
    return tail_cut(sign * np.sqrt(np.maximum(dev, 0.0)), confidence, True)


def _held_phi(slot: Slot, log_n: float, hazard: float) -> Array:
    """Parameters of a slot with its hazard at the count held."""
    y = log_n - slot.sample.centre
    w = float(slot.family.log_sf_inverse(np.asarray(-hazard / slot.units)))
    if slot.assumed_shape is not None:
        return np.array([[slot.assumed_shape], [w - slot.assumed_shape * y]])
    return fit_batch(slot.family, slot.sample, LogLife(y).held(w), slot.phi).phi
