"""The observation scheme of a data set, and samples drawn again under it.

What is regenerated: each unit's entry count, the count at which its watch ends, and the counts
at which it is inspected. What must be assumed:

* A unit that failed would have been watched to an end drawn from the ends of the units of its
  group (same covariates) that were still good, given that the end lies beyond its failure
  (Davison & Hinkley 1997, Bootstrap Methods and their Application, algorithm 3.1, conditional
  resampling of censoring). A group with no unit left good borrows the ends of all.
* A group whose good units all end at its last failure was stopped by that failure, and is so again.
* Inspected units were inspected at every count that appears as an interval end in the data (with
  a common step, at every multiple of it between). If no unit was ever seen good at an inspection
  and failed at a later one, each unit was inspected once, at its own count.
* Units still good count as watched or inspected in the same share as the units that failed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.families import Family
from reliability.life.sample import Rows, Sample, log_centre
from reliability.records import LifeRecords

Array = NDArray[np.float64]


def kind_of(records: LifeRecords) -> str:
    """``complete``, ``failure_terminated`` (all others good at the last failure) or ``other``."""
    dead = records.failed
    if not dead.any() or (records.shots_from > 0).any() or not records.exact[dead].all():
        return "other"
    if dead.all():
        return "complete"
    ends = np.unique(records.shots_good[~dead])
    last = records.shots_good[dead].max()
    return "failure_terminated" if ends.size == 1 and ends[0] == last else "other"


def _grid(points: Array) -> Array:
    """Inspection counts: those seen, with the gaps of a common step filled."""
    g = np.unique(points[np.isfinite(points) & (points > 0)])
    if g.size < 2:
        return g
    step = min(float(np.diff(g).min()), float(g[0]))
    multiples = g / step
    if np.allclose(multiples, np.round(multiples), atol=1e-6) and multiples[-1] <= 1000:
        return step * np.arange(1, round(multiples[-1]) + 1)
    return g


@dataclass(frozen=True)
class Scheme:
    """How the units of a data set are observed, one element a unit (counts unrolled).

    Attributes
    ----------
    centre : float
        Log count that all logs are taken from.
    x : array (n, q - 1)
        Covariates.
    entry : array (n,)
        Log count at entry, -inf from new.
    end : array (n,)
        Log count at which the watch ends if known (unit still good), nan to be drawn.
    failed_at : array (n,)
        For units whose end is drawn: log count beyond which it must lie.
    ends, mass : arrays (e,), (n, e)
        Ends of units still good, and the product-limit mass of each for every unit.
    stopped : tuple of (index array, int)
        Groups stopped by their r-th failure: their units, and r.
    inspected : bool array (n,)
    grid : array (g,)
        Log inspection counts.
    single : bool
        Each inspected unit has one inspection only, at ``end``.
    """

    centre: float
    x: Array
    entry: Array
    end: Array
    failed_at: Array
    ends: Array
    mass: Array
    stopped: tuple[tuple[NDArray[np.intp], int], ...]
    inspected: NDArray[np.bool_]
    grid: Array
    single: bool

    @property
    def size(self) -> int:
        """Units in one sample."""
        return int(self.entry.size)

    def draw(self, fam: Family, phi: Array, size: int, rng: np.random.Generator) -> Sample:
        """Samples under parameters ``phi`` (p, 1) or (p, size).

        Returns
        -------
        Sample
            A batch of ``size`` samples.
        """
        n = self.size
        log_s = np.log(rng.random((n, size)))
        location = np.broadcast_to(phi[1], (size,)) + np.zeros((n, 1))
        for j in range(self.x.shape[1]):
            location = location + self.x[:, j : j + 1] * phi[2 + j]
        late = np.isfinite(self.entry)
        if late.any():
            w_entry = phi[0] * self.entry[late, None] + location[late]
            log_s[late] += fam.survive(w_entry)[0]
        y = (fam.log_sf_inverse(log_s) - location) / phi[0]
        end = self._ends(size, rng)
        for members, r in self.stopped:
            last = np.partition(y[members], r - 1, axis=0)[r - 1]
            if end.shape[1] == 1:
                end = np.repeat(end, size, axis=1)
            end[members] = last
        watched = ~self.inspected
        point = self._point(y, end, watched) if watched.any() else None
        between = self._between(y, end, size) if self.inspected.any() else None
        entry = None
        if late.any():
            entry = Rows(self.entry[late, None], self._covariates(late))
        return Sample(size, point, between, entry, 1 + self.x.shape[1], self.centre)

    def _covariates(self, mask: NDArray[np.bool_]) -> Array:
        return np.ascontiguousarray(self.x[mask].T[:, :, None])

    def _ends(self, size: int, rng: np.random.Generator) -> Array:
        """End of watch of each unit, (n, 1) where nothing is drawn, else (n, size)."""
        unknown = np.isnan(self.end)
        if not unknown.any():
            return self.end[:, None]
        mass = self.mass[unknown]
        left = np.maximum(0.0, 1.0 - mass.sum(axis=1, keepdims=True))
        values = np.concatenate((self.ends, [np.inf]))
        beyond = values[None, :] > self.failed_at[unknown, None]
        p = beyond * np.concatenate((mass, left), axis=1)
        empty = p.sum(axis=1) <= 1e-12
        p[empty] = values == np.inf
        p /= p.sum(axis=1, keepdims=True)
        if (p.max(axis=1) > 1 - 1e-12).all():
            end = self.end.copy()
            end[unknown] = values[p.argmax(axis=1)]
            return end[:, None]
        out = np.repeat(self.end[:, None], size, axis=1)
        cdf = np.cumsum(p, axis=1)
        for row, c in zip(np.flatnonzero(unknown), cdf):
            out[row] = values[np.minimum(np.searchsorted(c, rng.random(size)), values.size - 1)]
        return out

    def _point(self, y: Array, end: Array, watched: NDArray[np.bool_]) -> Rows:
        yw, ew = y[watched], end[watched]
        d = (yw <= ew).astype(float)
        return Rows(np.minimum(yw, ew), self._covariates(watched), d=d)

    def _between(self, y: Array, end: Array, size: int) -> Rows:
        mask = self.inspected
        yi = y[mask]
        ei = np.broadcast_to(end[mask], yi.shape)
        if self.single:
            lo = np.where(yi > ei, ei, -np.inf)
            hi = np.where(yi > ei, np.inf, ei)
            return Rows(lo, self._covariates(mask), hi=hi)
        edges = np.concatenate(([-np.inf], self.grid, [np.inf]))
        at = np.searchsorted(self.grid, yi, side="left")
        lo, hi = edges[at], edges[at + 1]
        # past the unit's last inspection it is known good there and no more
        past = hi > ei + 1e-12
        last = edges[np.searchsorted(self.grid, ei + 1e-12, side="right")]
        lo = np.where(past, last, lo)
        hi = np.where(past, np.inf, hi)
        lo = np.maximum(lo, self.entry[mask, None])
        return Rows(lo, self._covariates(mask), hi=hi)


def _product_limit_of_ends(y: Array, is_end: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Kaplan-Meier masses of the ends, failures counting as censored."""
    ends = np.unique(y[is_end])
    mass = np.empty(ends.size)
    left = 1.0
    for i, e in enumerate(ends):
        at_risk = (y >= e).sum()
        here = (is_end & (y == e)).sum()
        mass[i] = left * here / at_risk
        left -= mass[i]
    return ends, mass


def _groups(x: Array) -> NDArray[np.intp]:
    """Which units share their covariates."""
    if x.shape[1] == 0 or not len(x):
        return np.zeros(len(x), np.intp)
    return np.unique(x, axis=0, return_inverse=True)[1].reshape(-1)


def _masses(
    last_seen: Array, right: NDArray[np.bool_], group: NDArray[np.intp]
) -> tuple[Array, Array]:
    """Ends of all units and, for each unit, the mass its group gives them."""
    ends, overall = _product_limit_of_ends(last_seen, right)
    mass = np.tile(overall, (last_seen.size, 1))
    for g in np.unique(group):
        own = group == g
        if right[own].any() and not own.all():
            there, m = _product_limit_of_ends(last_seen[own], right[own])
            row = np.zeros(ends.size)
            row[np.searchsorted(ends, there)] = m
            mass[own] = row
    return ends, mass


def _stopped(
    r: LifeRecords, last_seen: Array, entry: Array, group: NDArray[np.intp]
) -> tuple[tuple[NDArray[np.intp], int], ...]:
    """Groups of exact failures whose good units all end at the last failure."""
    out = []
    for g in np.unique(group):
        own = np.flatnonzero(group == g)
        dead, alive = own[r.failed[own]], own[r.right[own]]
        if not dead.size or not alive.size or not r.exact[dead].all():
            continue
        if np.isfinite(entry[own]).any() or np.ptp(last_seen[alive]) > 0:
            continue
        if last_seen[alive][0] == last_seen[dead].max():
            out.append((own, int(dead.size)))
    return tuple(out)


def scheme_of(records: LifeRecords, x: Array | None = None, centre: float | None = None) -> Scheme:
    """The scheme under which these records came about.

    Parameters
    ----------
    records : LifeRecords
    x : array (n, q - 1), optional
    centre : float, optional
        As in ``sample_of``.
    """
    c = log_centre(records) if centre is None else centre
    n = len(records)
    x = np.empty((n, 0)) if x is None else x
    keep = records.failed | (records.shots_good > 0)
    repeat = np.repeat(np.flatnonzero(keep), records.count[keep].astype(int))
    r = records.select(repeat)
    with np.errstate(divide="ignore"):
        entry = np.log(r.shots_from) - c
        good = np.log(r.shots_good) - c
        failed = np.log(r.shots_failed) - c
    by_inspection = r.failed & ~r.exact
    share = by_inspection.sum() / max(int(r.failed.sum()), 1)
    inspected = by_inspection.copy()
    alive = np.flatnonzero(r.right)
    # a fixed pattern of the right share, so that the same data give the same scheme
    inspected[alive] = np.floor((np.arange(alive.size) + 1) * share) > np.floor(
        np.arange(alive.size) * share
    )
    seen_twice = by_inspection & (r.shots_good > 0)
    single = bool(by_inspection.any() and not seen_twice.any())
    grid = np.empty(0)
    if by_inspection.any() and not single:
        points = np.concatenate((r.shots_good[inspected], r.shots_failed[inspected & r.failed]))
        with np.errstate(divide="ignore"):
            grid = np.log(_grid(points)) - c
    last_seen = np.where(r.failed, failed, good)
    group = _groups(x[repeat])
    ends, mass = _masses(last_seen, r.right, group)
    stopped = _stopped(r, last_seen, entry, group) if x.shape[1] else ()
    end = np.where(r.right, good, np.nan)
    if single:
        end = np.where(by_inspection, failed, end)
    elif inspected.any():
        # a failed unit would have been inspected on to the last count on the grid
        end = np.where(by_inspection & (grid.size > 0), grid[-1] if grid.size else np.inf, end)
    return Scheme(c, x[repeat], entry, end, last_seen, ends, mass, stopped, inspected, grid, single)
