"""A slot's records as units with ages by stress level, and as benches that can be simulated again."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.records import LifeRecords
from reliability.slots.benches import Benches
from reliability.slots.cells import Array, Cells
from reliability.slots.tally import Adder, Tally

Ints = NDArray[np.intp]


@dataclass(frozen=True)
class Chains:
    """Records put together by unit: ``rows[first[u]..last[u]]`` are unit u's stretches in order.

    Attributes
    ----------
    rows : int array (n,)
    first, last : int arrays (m,)
    """

    rows: Ints
    first: Ints
    last: Ints


def chains_of(records: LifeRecords) -> Chains:
    """Stretches put together: rows of one builder, module, slot and unit name that chain.

    A row goes on another where it begins at the count at which that one ended good.
    """
    order = np.lexsort((records.shots_from,))
    open_ends: dict[tuple[str, str, str, str, float], int] = {}
    units: list[list[int]] = []
    for i in order.tolist():
        key = (records.builder[i], records.module[i], records.slot[i], records.unit[i])
        begun = float(records.shots_from[i])
        at = open_ends.pop((*key, begun), None) if key[3] and begun > 0 else None
        if at is None:
            at = len(units)
            units.append([])
        units[at].append(i)
        if not np.isfinite(records.shots_failed[i]) and records.count[i] == 1:
            open_ends[(*key, float(records.shots_good[i]))] = at
    units.sort(key=min)
    sizes = np.array([len(u) for u in units], np.intp)
    last = np.cumsum(sizes) - 1
    rows = np.array([i for u in units for i in u], np.intp)
    return Chains(rows, last - sizes + 1 if sizes.size else last, last)


@dataclass(frozen=True)
class Units:
    """Units of one slot with their shots by stress level.

    Attributes
    ----------
    records : LifeRecords
    chains : Chains
    x : array (l, s)
        Coordinates of the stress levels, 0 at the reference stress.
    level : int array (n,)
        Level of each record.
    """

    records: LifeRecords
    chains: Chains
    x: Array
    level: Ints

    @classmethod
    def of(cls, records: LifeRecords, coordinates: Array) -> Units:
        """From records and the stress coordinates (n, s) of each."""
        if coordinates.shape[1] and len(records):
            _, at, level = np.unique(
                np.round(coordinates, 9), axis=0, return_index=True, return_inverse=True
            )
            x, level = coordinates[at], level.reshape(-1)
        else:
            x, level = np.zeros((1, coordinates.shape[1])), np.zeros(len(records), np.intp)
        return cls(records, chains_of(records), x, level)

    def __len__(self) -> int:
        return int(self.chains.first.size)

    def dead(self) -> NDArray[np.bool_]:
        """Which units failed; one that was taken out because it looked bad counts as failed there."""
        r = self.records
        dead = r.failed.copy()
        why = _labels(r, "removed")
        dead |= why == "suspect"
        return dead[self.chains.rows[self.chains.last]]

    def tally(self, cells: Cells, unit: float) -> Tally:
        """Statistics of the data, shots counted in ``unit``."""
        r, c = self.records, self.chains
        add = Adder(cells, self.x, 1)
        first, last = c.rows[c.first], c.rows[c.last]
        dead = self.dead()
        lo = r.shots_good[last] / unit
        hi = np.where(r.failed[last], r.shots_failed[last], r.shots_good[last]) / unit
        between = dead & (hi > lo)
        w = r.count[last]
        single = self._same_level()
        begun = r.shots_from[first] / unit
        zero = np.zeros(len(self), np.intp)
        lev = self.level[last]
        for keep, shots, sign in (
            (single & (begun > 0), begun, -1.0),
            (single & ~between & (hi > 0), hi, 1.0),
        ):
            add.expose(zero[keep], lev[keep], shots[keep], sign * w[keep])
        k = single & dead & ~between & (hi > 0)
        add.fail(zero[k], lev[k], hi[k], w[k])
        k = single & between
        add.find(zero[k], lev[k], lo[k], hi[k], w[k])
        for u in np.flatnonzero(~single):
            self._add_mixed(add, int(u), bool(dead[u]), unit)
        return add.tally()

    def _same_level(self) -> NDArray[np.bool_]:
        c = self.chains
        out = np.ones(len(self), bool)
        for u in np.flatnonzero(c.last > c.first):
            out[u] = np.unique(self.level[c.rows[c.first[u] : c.last[u] + 1]]).size == 1
        return out

    def entry_of(self, u: int) -> Array:
        """Shots by level before the watch began; they were fired at the first stretch's stress."""
        out = np.zeros(self.x.shape[0])
        i = self.chains.rows[self.chains.first[u]]
        out[self.level[i]] = self.records.shots_from[i]
        return out

    def _add_mixed(self, add: Adder, u: int, dead: bool, unit: float) -> None:
        r, c = self.records, self.chains
        rows = c.rows[c.first[u] : c.last[u] + 1]
        entry = self.entry_of(u)
        lo = entry.copy()
        np.add.at(lo, self.level[rows], r.shots_good[rows] - r.shots_from[rows])
        hi = lo.copy()
        z = rows[-1]
        if r.failed[z]:
            hi[self.level[z]] += r.shots_failed[z] - r.shots_good[z]
        one, b = np.ones(1), np.zeros(1, np.intp)
        if entry.sum() > 0:
            add.expose_mixed(b, entry[None] / unit, -one)
        if dead and hi.sum() > lo.sum():
            add.find_mixed(b, lo[None] / unit, hi[None] / unit, one)
            return
        add.expose_mixed(b, hi[None] / unit, one)
        if dead:
            add.fail_mixed(b, hi[None] / unit, self.level[[z]], one)

    def benches(self, unit: float, clocks: dict[tuple[str, str], float]) -> Benches:
        """Benches for simulation; ``clocks`` has the shots each module ran, where known."""
        return _Builder(self, unit, clocks).build()


def _labels(r: LifeRecords, name: str) -> NDArray[np.object_]:
    try:
        return np.asarray(r.column(name), object)
    except KeyError:
        return np.full(len(r), "", object)


def module_clocks(records: LifeRecords) -> dict[tuple[str, str], float]:
    """Shots that each (builder, module) ran: the longest run of any of its slots.

    Within a slot the runs of units add up where at most one unit is good; else the longest counts.
    """
    runs: dict[tuple[str, str, str], list[float]] = defaultdict(lambda: [0.0, 0.0, 0.0])
    run = np.where(records.failed, records.shots_failed, records.shots_good) - records.shots_from
    keys = zip(records.builder.tolist(), records.module.tolist(), records.slot.tolist())
    moved = _goes_on(records)
    for key, shots, dead, on in zip(keys, run.tolist(), records.failed.tolist(), moved.tolist()):
        v = runs[key]
        v[0] += shots
        v[1] = max(v[1], shots)
        v[2] += not dead and not on
    out: dict[tuple[str, str], float] = {}
    for (builder, module, _), (total, longest, good) in runs.items():
        if module:
            at = (builder, module)
            out[at] = max(out.get(at, 0.0), total if good <= 1 else longest)
    return out


def _goes_on(r: LifeRecords) -> NDArray[np.bool_]:
    """Records whose unit goes on in another record."""
    c = chains_of(r)
    out = np.ones(len(r), bool)
    out[c.rows[c.last]] = False
    return out


class _Builder:
    """Puts units together to benches."""

    def __init__(self, units: Units, unit: float, clocks: dict[tuple[str, str], float]) -> None:
        self.u, self.unit, self.clocks = units, unit, clocks
        r, c = units.records, units.chains
        last, first = c.rows[c.last], c.rows[c.first]
        self.dead = units.dead()
        self.begun = r.shots_from[first]
        self.hi = np.where(r.failed[last], r.shots_failed[last], r.shots_good[last])
        self.run = self.hi - self.begun
        self.interval = r.failed[last] & (r.shots_failed[last] > r.shots_good[last])
        self.width = np.where(self.interval, r.shots_failed[last] - r.shots_good[last], 0.0)
        self.count = r.count[last]
        self.who = [(r.builder[i], r.module[i]) for i in last]
        self.entry: list[Array] = []
        self.timeline: list[tuple[Ints, Array]] = []
        self.plan: list[float] = []
        self.beyond: list[float] = []
        self.swap: list[bool] = []
        self.step: list[float] = []
        self.known: list[float] = []

    def build(self) -> Benches:
        groups: dict[tuple[str, str], list[int]] = defaultdict(list)
        alone: list[list[int]] = []
        for u, who in enumerate(self.who):
            if who[1] and self.count[u] == 1:
                groups[who].append(u)
            else:
                alone.append([u])
        chains = []
        for g in groups.values():
            good = [u for u in g if not self.dead[u]]
            if len(good) > 1:
                alone += [[u] for u in g]
            else:
                chains.append([u for u in g if self.dead[u]] + good)
        swaps = self._swaps_usual(chains)
        step = self._steps()
        for g in chains:
            self._chain(g, swaps, step)
        for g in alone:
            for _ in range(int(self.count[g[0]])):
                self._unit(g[0], step)
        n, unit = len(self.plan), self.unit
        return Benches(
            self.u.x, np.array(self.entry).reshape(n, -1) / unit,
            tuple((a, b / unit) for a, b in self.timeline), np.array(self.plan) / unit,
            np.array(self.beyond) / unit, np.array(self.known) / unit, np.array(self.swap, bool),
            np.array(self.step) / unit, np.ones(n),
        )  # fmt: skip

    def _swaps_usual(self, chains: list[list[int]]) -> bool:
        """Whether failed units are mostly swapped, where time was left (yes where none tells)."""
        yes = sum(len(g) - 1 for g in chains)
        no = 0
        for g in chains:
            total = self.run[g].sum()
            if self.dead[g[-1]] and self.clocks.get(self.who[g[0]], 0.0) > 1.05 * total:
                no += 1
        return yes >= no

    def _steps(self) -> dict[str, float]:
        """Inspection step of each builder that inspects in the greater part of its failures."""
        out = {}
        for b in {w[0] for w in self.who}:
            own = np.array([w[0] == b for w in self.who]) & self.dead
            found = own & self.interval
            if found.sum() * 2 > own.sum():
                out[b] = float(np.median(self.width[found]))
        return out

    def _timeline(self, group: list[int]) -> tuple[Ints, Array]:
        """Levels and shots that a bench passed through, neighbours at one level joined."""
        r, c = self.u.records, self.u.chains
        levels: list[int] = []
        shots: list[float] = []
        for u in group:
            for i in c.rows[c.first[u] : c.last[u] + 1]:
                end = r.shots_failed[i] if r.failed[i] else r.shots_good[i]
                if levels and levels[-1] == self.u.level[i]:
                    shots[-1] += end - r.shots_from[i]
                else:
                    levels.append(int(self.u.level[i]))
                    shots.append(float(end - r.shots_from[i]))
        return np.array(levels, np.intp), np.array(shots)

    def _add(self, group: list[int], plan: float, swap: bool, step: dict[str, float]) -> None:
        self.entry.append(self.u.entry_of(group[0]))
        self.timeline.append(self._timeline(group))
        self.plan.append(plan)
        self.beyond.append(float(self.run[group].sum()))
        self.swap.append(swap)
        self.step.append(step.get(self.who[group[0]][0], 0.0))
        if np.isfinite(plan):
            self.known.append(plan)

    def _chain(self, g: list[int], swaps: bool, step: dict[str, float]) -> None:
        total = float(self.run[g].sum())
        clock = self.clocks.get(self.who[g[0]], 0.0)
        if not self.dead[g[-1]]:
            self._add(g, total, len(g) > 1 or swaps, step)
        elif clock > total:
            self._add(g, clock, len(g) > 1 or clock <= 1.05 * total or swaps, step)
        else:
            for u in g:
                self._unit(u, step)

    def _unit(self, u: int, step: dict[str, float]) -> None:
        self._add([u], float("nan") if self.dead[u] else float(self.run[u]), False, step)
