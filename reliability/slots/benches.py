"""Benches: how the units of a slot are tested, so that the tests can be simulated again.

A bench is one place that units fill one after the other: it runs its planned shots, a unit that
fails is swapped (or not), and the stress follows the bench's own timeline. What must be assumed:

* Units of one builder, module and slot of which at most one is good were there one after the other.
* The planned end of a bench whose last unit failed is the module's, where another slot of the module
  ran on; where nothing tells, it is drawn from the ends of other benches beyond the failure
  (Davison & Hinkley 1997, algorithm 3.1), and if there is none the unit was run until it failed.
* Inspections come at a common step of the unit's shots: the median width of the intervals seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.slots.cells import Array, Cells
from reliability.slots.tally import Adder, Tally

Ints = NDArray[np.intp]
ROUNDS = 8  # units that one bench may use up in a simulation


@dataclass(frozen=True)
class Benches:
    """Benches of one slot and group of records.

    Attributes
    ----------
    x : array (l, s)
        Coordinates of the stress levels, 0 at the reference stress.
    entry : array (n, l)
        Shots by level that the first unit had on it at the start.
    timeline : tuple of (levels, shots)
        Of each bench: levels passed in turn and the shots at each; the last one goes on.
    plan : array (n,)
        Planned shots of the bench; inf where run until the unit fails; nan where to be drawn.
    beyond : array (n,)
        For a plan to be drawn: the shots that it must exceed.
    ends : array
        Known plans to draw from.
    swap : bool array (n,)
    step : array (n,)
        Shots between inspections, 0 where watched.
    weight : array (n,)
        Equal benches that it stands for.
    """

    x: Array
    entry: Array
    timeline: tuple[tuple[Ints, Array], ...]
    plan: Array
    beyond: Array
    ends: Array
    swap: NDArray[np.bool_]
    step: Array
    weight: Array

    def __len__(self) -> int:
        return int(self.plan.size)

    def draw(self, cells: Cells, beta: float, k: Array, rate: float, size: int,
             rng: np.random.Generator) -> Tally:  # fmt: skip
        """Tallies of ``size`` simulated repeats with cumulative hazard ``rate * tau(k)^beta``."""
        return _Draw(self, cells, beta, k, rate, size, rng).run()


class _Draw:
    """One simulation of benches."""

    def __init__(self, b: Benches, cells: Cells, beta: float, k: Array, rate: float, size: int,
                 rng: np.random.Generator) -> None:  # fmt: skip
        self.b, self.beta, self.rate, self.size, self.rng = b, beta, rate, size, rng
        self.adder = Adder(cells, b.x, size)
        self.factor = np.exp(b.x @ k)  # (l,)
        self.level = np.array([t[0][0] for t in b.timeline], np.intp)
        self.mixed = np.array(
            [len(t[0]) > 1 for t in b.timeline], bool
        ) | self._entered_elsewhere()  # fmt: skip
        self.weight = b.weight

    def _entered_elsewhere(self) -> NDArray[np.bool_]:
        away = self.b.entry.copy()
        away[np.arange(len(self.b)), self.level] = 0.0
        return np.asarray((away > 0).any(axis=1))

    def run(self) -> Tally:
        b, n, size = self.b, len(self.b), self.size
        plan = np.broadcast_to(b.plan, (size, n)).copy()
        for i in np.flatnonzero(np.isnan(b.plan)):
            there = b.ends[b.ends > b.beyond[i]]
            plan[:, i] = self.rng.choice(there, size) if there.size else np.inf
        batch = np.repeat(np.arange(size), n)
        bench = np.tile(np.arange(n), size)
        clock = np.zeros(batch.size)
        left = plan.ravel()
        fresh = False
        for _ in range(ROUNDS):
            batch, bench, clock, left = self._round(batch, bench, clock, left, fresh)
            fresh = True
            if not batch.size:
                break
        return self.adder.tally()

    def _round(self, batch: Ints, bench: Ints, clock: Array, left: Array, fresh: bool):  # type: ignore[no-untyped-def]
        """One unit on each bench still going; returns the benches that go on with another."""
        wait = self.rng.exponential(size=batch.size) / self.rate
        entry = np.zeros((batch.size, self.b.x.shape[0])) if fresh else self.b.entry[bench]
        age = entry @ self.factor
        tau = (age**self.beta + wait) ** (1.0 / self.beta)
        run = self._shots_for(bench, clock, tau - age)
        start = entry.sum(axis=1)
        step = self.b.step[bench]
        seen = step > 0
        safe = np.where(seen, step, 1.0)
        lo = np.where(seen, np.maximum(np.floor((start + run) / safe) * step - start, 0.0), run)
        hi = np.where(seen, np.floor((start + run) / safe) * step + step - start, run)
        dead = hi <= left
        ends = np.where(np.isfinite(left), left, 0.0)
        last = np.maximum(np.floor((start + ends) / safe) * step - start, 0.0)
        end = np.where(dead, lo, np.where(seen, last, ends))
        self._enter(batch, bench, clock, entry, end, np.where(dead, hi, end), dead)
        on = dead & self.b.swap[bench] & (left - hi > 0) & np.isfinite(left)
        return batch[on], bench[on], clock[on] + hi[on], left[on] - hi[on]

    def _shots_for(self, bench: Ints, clock: Array, age: Array) -> Array:
        """Shots in which a bench adds ``age`` from its clock on."""
        out = age / self.factor[self.level[bench]]
        for i in np.unique(bench[self.mixed[bench]]):
            own = bench == i
            levels, shots = self.b.timeline[i]
            grid = np.concatenate(([0.0], np.cumsum(shots[:-1])))
            aged = np.concatenate(([0.0], np.cumsum(shots[:-1] * self.factor[levels[:-1]])))
            at = (
                np.interp(clock[own], grid, aged)
                + np.maximum(clock[own] - grid[-1], 0) * self.factor[levels[-1]]
            )
            want = at + age[own]
            back = (
                np.interp(want, aged, grid)
                + np.maximum(want - aged[-1], 0) / self.factor[levels[-1]]
            )
            out[own] = back - clock[own]
        return out

    def _by_level(self, bench: Ints, clock: Array, run: Array) -> Array:
        """Shots by level (p, l) of mixed benches over ``run`` shots from their clock on."""
        out = np.zeros((bench.size, self.b.x.shape[0]))
        for i in np.unique(bench):
            own = np.flatnonzero(bench == i)
            levels, shots = self.b.timeline[i]
            edges = np.concatenate(([0.0], np.cumsum(shots[:-1]), [np.inf]))
            a, z = clock[own], clock[own] + run[own]
            for j, level in enumerate(levels):
                out[own, level] += np.maximum(
                    np.minimum(z, edges[j + 1]) - np.maximum(a, edges[j]), 0.0
                )
        return out

    def _enter(self, batch: Ints, bench: Ints, clock: Array, entry: Array, lo: Array, hi: Array,
               dead: NDArray[np.bool_]) -> None:  # fmt: skip
        """Add one unit a bench: good after ``lo`` shots, failed after ``hi`` where ``dead``."""
        add, w = self.adder, self.weight[bench]
        mixed = self.mixed[bench]
        between = dead & (hi > lo)
        s = ~mixed
        rows = np.arange(batch.size)
        level = self.level[bench]
        begun = entry[rows, level]
        for keep, sign in ((s & (begun > 0), -1.0), (s & ~between, 1.0)):
            shots = begun if sign < 0 else begun + hi
            add.expose(batch[keep], level[keep], shots[keep], sign * w[keep])
        keep = s & dead & ~between
        add.fail(batch[keep], level[keep], (begun + hi)[keep], w[keep])
        keep = s & between
        add.find(batch[keep], level[keep], (begun + lo)[keep], (begun + hi)[keep], w[keep])
        if mixed.any():
            self._enter_mixed(
                *(v[mixed] for v in (batch, bench, clock, entry, lo, hi, dead, between, w))
            )

    def _enter_mixed(self, batch, bench, clock, entry, lo, hi, dead, between, w) -> None:  # type: ignore[no-untyped-def]
        add = self.adder
        old = entry.sum(axis=1) > 0
        add.expose_mixed(batch[old], entry[old], -w[old])
        to_hi = entry + self._by_level(bench, clock, hi)
        to_lo = entry + self._by_level(bench, clock, lo)
        keep = ~between
        add.expose_mixed(batch[keep], to_hi[keep], w[keep])
        keep = dead & ~between
        last = np.array(
            [
                self.b.timeline[i][0][
                    np.searchsorted(np.cumsum(self.b.timeline[i][1][:-1]), c, side="left")
                ]
                for i, c in zip(bench[keep], (clock + hi)[keep])
            ],
            np.intp,
        )
        add.fail_mixed(batch[keep], to_hi[keep], last, w[keep])
        add.find_mixed(batch[between], to_lo[between], to_hi[between], w[between])
