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
* Units withdrawn because another failed (``removed`` = failure) are withdrawn again at the failure
  of the same rank, drawn by lot among those still good (progressive type II censoring).
* Units whose stress changes on the way live through their planned stretches (see ``plans``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.families import Family
from reliability.life.plans import Plans, plans_of
from reliability.life.sample import Paths, Rows, Sample, log_centre
from reliability.life.units import units_of
from reliability.records import LifeRecords

Array = NDArray[np.float64]


EXACT_KINDS = ("complete", "failure_terminated", "progressive")
"""tests whose pivots have the normalised likelihood as their distribution, given the ancillaries"""


def kind_of(records: LifeRecords, group: NDArray[np.intp] | None = None) -> str:
    """What stopped the watch of the units.

    Parameters
    ----------
    records : LifeRecords
        One record a unit.
    group : int array (n,), optional
        Units that were stopped by failures of their own group (default: all one group).

    Returns
    -------
    str
        ``complete``; ``failure_terminated``: all others good at the last failure; ``progressive``:
        besides, or instead, units withdrawn at failures (Viveros & Balakrishnan 1994, Technometrics
        36, 84-91); else ``other``.
    """
    dead = records.failed
    if not dead.any() or (records.shots_from > 0).any() or not records.exact[dead].all():
        return "other"
    if dead.all():
        return "complete"
    kinds = set()
    group = np.zeros(len(records), np.intp) if group is None else group
    for g in np.unique(group):
        own = group == g
        kinds.add(_kind_of_group(records.select(own)))
    if "other" in kinds:
        return "other"
    return "progressive" if "progressive" in kinds else "failure_terminated"


def _kind_of_group(records: LifeRecords) -> str:
    dead = records.failed
    if not dead.any():
        return "other"
    if dead.all():
        return "complete"
    last = records.shots_good[dead].max()
    good, why = records.shots_good[~dead], records.removed[~dead]
    if (good == last).all():
        return "failure_terminated"
    withdrawn = (why == "failure") & np.isin(good, records.shots_good[dead])
    return "progressive" if (withdrawn | (good == last)).all() else "other"


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
    ends, mass : arrays (e,), (kinds, e)
        Ends of units still good, and the product-limit mass of each, by kind of unit.
    kind : int array (n,)
        Kind of each unit: a row of ``mass``.
    stopped : tuple of (index array, int)
        Groups stopped by their r-th failure: their units, and r.
    inspected : bool array (n,)
    grid : array (g,)
        Log inspection counts.
    single : bool
        Each inspected unit has one inspection only, at ``end``.
    x_entry : array (n, q - 1)
        Covariates at entry.
    withdrawn : tuple of (index array, int array)
        Groups with units withdrawn at failures: their units, and how many leave at each failure.
    plans : Plans or None
        Planned stretches, where the stress of some unit changes on the way.
    """

    centre: float
    x: Array
    entry: Array
    end: Array
    failed_at: Array
    ends: Array
    mass: Array
    kind: NDArray[np.intp]
    stopped: tuple[tuple[NDArray[np.intp], int], ...]
    inspected: NDArray[np.bool_]
    grid: Array
    single: bool
    x_entry: Array
    withdrawn: tuple[tuple[NDArray[np.intp], NDArray[np.intp]], ...] = ()
    plans: Plans | None = None

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
        location = self._location(self.x, phi, size)
        late = np.isfinite(self.entry)
        if late.any():
            w_entry = phi[0] * self.entry[late, None] + self._location(
                self.x_entry[late], phi, size
            )
            log_s[late] += fam.survive(w_entry)[0]
        w = fam.log_sf_inverse(log_s)
        y = (w - location) / phi[0]
        path = np.zeros(n, bool)
        if self.plans is not None:
            path = self.plans.varying
            y[path] = self.plans.reach(path, w[path] / phi[0], phi)
        end = self._ends(size, rng)
        if self.stopped or self.withdrawn:
            end = np.repeat(end, size, axis=1) if end.shape[1] == 1 else end
        for members, r in self.stopped:
            end[members] = np.partition(y[members], r - 1, axis=0)[r - 1]
        for members, leave in self.withdrawn:
            end[members] = _withdrawals(y[members], leave, rng)
        watched = ~self.inspected
        entry = Rows(self.entry[late, None], _columns(self.x_entry[late])) if late.any() else None
        return Sample(
            size,
            self._point(y, end, watched & ~path) if (watched & ~path).any() else None,
            self._between(y, end, self.inspected & ~path) if (self.inspected & ~path).any() else None,
            entry,
            1 + self.x.shape[1],
            self.centre,
            self._path(y, end, watched & path) if (watched & path).any() else None,
            self._path_between(y, end, self.inspected & path) if (self.inspected & path).any() else None,
        )  # fmt: skip

    @staticmethod
    def _location(x: Array, phi: Array, size: int) -> Array:
        location = np.broadcast_to(phi[1], (size,)) + np.zeros((len(x), 1))
        for j in range(x.shape[1]):
            location = location + x[:, j : j + 1] * phi[2 + j]
        return location

    def _ends(self, size: int, rng: np.random.Generator) -> Array:
        """End of watch of each unit, (n, 1) where nothing is drawn, else (n, size)."""
        unknown = np.isnan(self.end)
        if not unknown.any():
            return self.end[:, None]
        values = np.concatenate((self.ends, [np.inf]))
        left = np.maximum(0.0, 1.0 - self.mass.sum(axis=1, keepdims=True))
        mass = np.concatenate((self.mass, left), axis=1)
        sums = np.cumsum(mass, axis=1)
        top = np.maximum.accumulate(mass[:, ::-1], axis=1)[:, ::-1]
        # each unit's end is drawn from what is left of its kind beyond where it failed
        kind = self.kind[unknown]
        first = np.searchsorted(self.ends, self.failed_at[unknown], side="right")
        gone = np.where(first > 0, sums[kind, first - 1], 0.0)
        rest = sums[kind, -1] - gone
        none = rest <= 1e-12
        if (none | (top[kind, first] > (1 - 1e-12) * rest)).all():
            shares = np.full((kind.size, 1), 0.5)
        else:
            shares = rng.random((kind.size, size))
        place = np.empty(shares.shape, np.intp)
        for k in np.unique(kind):
            own = kind == k
            place[own] = np.searchsorted(sums[k], gone[own, None] + shares[own] * rest[own, None])
        place = np.clip(place, first[:, None], values.size - 1)
        place[none] = values.size - 1
        out = np.repeat(self.end[:, None], shares.shape[1], axis=1)
        out[unknown] = values[place]
        return out

    def _point(self, y: Array, end: Array, mask: NDArray[np.bool_]) -> Rows:
        yw, ew = y[mask], end[mask]
        return Rows(np.minimum(yw, ew), _columns(self.x[mask]), d=(yw <= ew).astype(float))

    def _path(self, y: Array, end: Array, mask: NDArray[np.bool_]) -> Paths:
        assert self.plans is not None
        yw, ew = y[mask], end[mask]
        return self.plans.paths(mask, np.minimum(yw, ew), d=(yw <= ew).astype(float))

    def _between(self, y: Array, end: Array, mask: NDArray[np.bool_]) -> Rows:
        lo, hi = self._found(y, end, mask)
        return Rows(lo, _columns(self.x[mask]), hi=hi)

    def _path_between(self, y: Array, end: Array, mask: NDArray[np.bool_]) -> Paths:
        assert self.plans is not None
        lo, hi = self._found(y, end, mask)
        return self.plans.paths(mask, lo, hi=hi)

    def _found(self, y: Array, end: Array, mask: NDArray[np.bool_]) -> tuple[Array, Array]:
        """Log counts between which inspections find each unit failed (inf: found good)."""
        yi = y[mask]
        ei = np.broadcast_to(end[mask], yi.shape)
        if self.single:
            return np.where(yi > ei, ei, -np.inf), np.where(yi > ei, np.inf, ei)
        edges = np.concatenate(([-np.inf], self.grid, [np.inf]))
        at = np.searchsorted(self.grid, yi, side="left")
        lo, hi = edges[at], edges[at + 1]
        # past the unit's last inspection it is known good there and no more
        past = hi > ei + 1e-12
        last = edges[np.searchsorted(self.grid, ei + 1e-12, side="right")]
        lo = np.where(past, last, lo)
        hi = np.where(past, np.inf, hi)
        return np.maximum(lo, self.entry[mask, None]), hi


def _columns(x: Array) -> Array:
    return np.ascontiguousarray(x.T[:, :, None])


def _withdrawals(y: Array, leave: NDArray[np.intp], rng: np.random.Generator) -> Array:
    """Ends of watch where ``leave[i]`` of the units still good leave at the i-th failure, (n, B)."""
    n, size = y.shape
    end = np.full((n, size), np.inf)
    on_test = np.ones((n, size), bool)
    lot = rng.random((n, size))
    for count in leave:
        t = np.where(on_test, y, np.inf)
        first = t.argmin(axis=0)
        now = np.take_along_axis(t, first[None], axis=0)[0]
        np.put_along_axis(on_test, first[None], False, axis=0)
        if count:
            order = np.argsort(np.where(on_test, lot, np.inf), axis=0)[:count]
            np.put_along_axis(end, order, np.broadcast_to(now, order.shape), axis=0)
            np.put_along_axis(on_test, order, False, axis=0)
    return end


def _product_limit_of_ends(y: Array, is_end: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Kaplan-Meier masses of the ends, failures counting as censored."""
    ends, here = np.unique(y[is_end], return_counts=True)
    at_risk = y.size - np.searchsorted(np.sort(y), ends)
    mass = np.empty(ends.size)
    left = 1.0
    for i, share in enumerate((here / at_risk).tolist()):
        mass[i] = left * share
        left -= mass[i]
    return ends, mass


def _groups(x: Array) -> NDArray[np.intp]:
    """Which units share their covariates."""
    if x.shape[1] == 0 or not len(x):
        return np.zeros(len(x), np.intp)
    return np.unique(x, axis=0, return_inverse=True)[1].reshape(-1)


def _masses(
    last_seen: Array, right: NDArray[np.bool_], group: NDArray[np.intp]
) -> tuple[Array, Array, NDArray[np.intp]]:
    """Ends of all units, the mass that each kind gives them, and each unit's kind: its group, or all."""
    ends, overall = _product_limit_of_ends(last_seen, right)
    mass, kind = [overall], np.zeros(last_seen.size, np.intp)
    for g in np.unique(group):
        own = group == g
        if right[own].any() and not own.all():
            there, m = _product_limit_of_ends(last_seen[own], right[own])
            row = np.zeros(ends.size)
            row[np.searchsorted(ends, there)] = m
            kind[own] = len(mass)
            mass.append(row)
    return ends, np.array(mass), kind


def _failure_stopped(
    r: LifeRecords, group: NDArray[np.intp], one_group: bool
) -> tuple[
    tuple[tuple[NDArray[np.intp], int], ...],
    tuple[tuple[NDArray[np.intp], NDArray[np.intp]], ...],
]:
    """Groups stopped by their last failure, and groups with units withdrawn at failures."""
    stopped, withdrawn = [], []
    for g in np.unique(group):
        own = np.flatnonzero(group == g)
        part = r.select(own)
        kind = kind_of(part)
        if kind == "failure_terminated" and not one_group:
            stopped.append((own, int(part.failed.sum())))
        elif kind == "progressive":
            times = np.sort(part.shots_good[part.failed])
            at = np.searchsorted(times, part.shots_good[part.right], side="right") - 1
            withdrawn.append((own, np.bincount(at, minlength=times.size)))
    return tuple(stopped), tuple(withdrawn)


def scheme_of(records: LifeRecords, x: Array | None = None, centre: float | None = None) -> Scheme:
    """The scheme under which these records came about.

    Parameters
    ----------
    records : LifeRecords
        One element a stretch.
    x : array (n, q - 1), optional
    centre : float, optional
        As in ``sample_of``.

    Raises
    ------
    BadInput
        If records of one unit contradict each other.
    """
    units = units_of(records, x)
    c = log_centre(units.records) if centre is None else centre
    lives = units.records
    keep = lives.failed | (lives.shots_good > 0)
    repeat = np.repeat(np.flatnonzero(keep), lives.count[keep].astype(int))
    r = lives.select(repeat)
    with np.errstate(divide="ignore"):
        entry = np.log(r.shots_from) - c
        good = np.log(r.shots_good) - c
        failed = np.log(r.shots_failed) - c
    inspected, single, grid = _inspections(r, c)
    last_seen = np.where(r.failed, failed, good)
    plans = plans_of(units, repeat, c) if units.varying.any() else None
    group = _groups(units.x[repeat]) if plans is None else plans.group
    ends, mass, kind = _masses(last_seen, r.right, group)
    stopped, withdrawn = _failure_stopped(r, group, units.x.shape[1] == 0)
    end = np.where(r.right, good, np.nan)
    for members, _ in withdrawn:
        end[members] = np.inf
    by_inspection = r.failed & ~r.exact
    if single:
        end = np.where(by_inspection, failed, end)
    elif inspected.any():
        # a failed unit would have been inspected on to the last count on the grid
        end = np.where(by_inspection & (grid.size > 0), grid[-1] if grid.size else np.inf, end)
    return Scheme(
        c, units.x[repeat], entry, end, last_seen, ends, mass, kind, stopped, inspected, grid, single,
        units.x_first[repeat], withdrawn, plans,
    )  # fmt: skip


def _inspections(r: LifeRecords, c: float) -> tuple[NDArray[np.bool_], bool, Array]:
    """Which units are inspected, whether each once only, and the log inspection counts."""
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
    return inspected, single, grid
