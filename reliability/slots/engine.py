"""Signed root of the module's total hazard, and its distribution at the constrained fit.

Slot j has ``l_j(h) = max over cells of R ln lambda + D - lambda T - penalty`` with
``lambda = h / g``, ``g = m ((b + N)^beta - b^beta)``, b the age of the flight unit. The total
``H = sum h_j`` is split over slots by min-plus convolution of ``2 (max l_j - l_j)``: linear in the
number of slots. Source of the idea: signed likelihood roots with simulated distribution (DiCiccio,
Martin & Stern 2001; Lee & Young 2005); the split and the measured coverage are this project's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from reliability.slots.benches import Benches
from reliability.slots.cells import Array, Cells
from reliability.slots.tally import Tally

STEPS = 40
FLOOR = 1.0 / 8.0  # of a step, where simulation needs a hazard above none
BIG = 1000  # failures beyond which a slot is not drawn again: its hazard is known to 3 %


@dataclass(frozen=True)
class Part:
    """Data of one group of a slot that has a scale of its own: it lends shape and stress only.

    Attributes
    ----------
    data : Tally
    benches : Benches
    """

    data: Tally
    benches: Benches


@dataclass(frozen=True)
class SlotModel:
    """One slot of the module, ready for the engine.

    Attributes
    ----------
    name : str
    cells : Cells
    data : Tally
        Of one data set, shots in units of the module's.
    benches : Benches or None
        None where they are never simulated (more than BIG failures; a second reading).
    lent : tuple of Part
        Other groups, see Part.
    aged : array (e,)
        ln of the age that the flight unit has, in shots at the reference stress; -inf when new.
    shift : array (e,)
        ln of the age that one shot at the operating point adds, likewise.
    units : float
        Equal units in the slot, the first failure of which ends the module.
    """

    name: str
    cells: Cells
    data: Tally
    benches: Benches | None
    lent: tuple[Part, ...] = ()
    aged: Array = field(default_factory=lambda: np.full(1, -np.inf))
    shift: Array = field(default_factory=lambda: np.zeros(1))
    units: float = 1.0

    def log_gain(self, shots: float) -> Array:
        """ln g of a mission of ``shots`` (in units), (m, e)."""
        b = np.exp(np.broadcast_to(self.aged, self.cells.k.shape[:1]))[None, :]
        run = shots * np.exp(np.broadcast_to(self.shift, self.cells.k.shape[:1]))[None, :]
        beta = self.cells.beta[:, None]
        return np.asarray(np.log(self.units * ((b + run) ** beta - b**beta)))

    def lines(self, shots: float, data: Tally, lent: Array) -> Lines:
        """Every cell's log-likelihood as a line in the slot's hazard."""
        g = self.log_gain(shots)
        r = data.failures
        height = data.events + lent - self.cells.penalty - r[:, None, None] * g
        slope = data.exposure * np.exp(-g)
        size = data.size
        return Lines(r, height.reshape(size, -1), slope.reshape(size, -1))


@dataclass(frozen=True)
class Lines:
    """``l(h) = R ln h + max_c (height_c - slope_c h)``.

    Attributes
    ----------
    failures : array (B,)
    height, slope : arrays (B, c)
    """

    failures: Array
    height: Array
    slope: Array

    def best(self) -> tuple[Array, Array, Array]:
        """Highest value (B,), its hazard (B,) and cell (B,)."""
        r = self.failures[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            own = np.where(r > 0, r * np.log(r / self.slope) - r, 0.0)
        v = self.height + own
        c = v.argmax(axis=1)
        rows = np.arange(c.size)
        return v[rows, c], self.failures / self.slope[rows, c], c

    def at_least(self, hazard: Array) -> Array:
        """Highest value at any hazard from each of these (q,) on: (B, q).

        In each cell the value rises up to R / slope and falls from there.
        """
        r = self.failures[:, None]
        log = r * np.log(hazard)[None, :]
        with np.errstate(divide="ignore", invalid="ignore"):
            peak = r / self.slope
            top = np.where(r > 0, self.height + r * np.log(peak) - r, self.height)
        if self.failures.size == 1:
            line = self.height[0] - hazard[:, None] * self.slope[0] + log[0][:, None]
            return np.asarray(np.where(hazard[:, None] < peak[0], top[0], line).max(axis=1))[
                None, :
            ]
        out = np.empty((self.failures.size, hazard.size))
        for i, h in enumerate(hazard):
            line = self.height - h * self.slope
            line += log[:, i : i + 1]
            np.copyto(line, top, where=peak > h)
            line.max(axis=1, out=out[:, i])
        return out

    def cell_at(self, hazard: float) -> int:
        """Best cell of the first data set at a hazard."""
        return int((self.height[0] - hazard * self.slope[0]).argmax())


@dataclass(frozen=True)
class Root:
    """Signed root of a batch: high where the data like a total below the one asked.

    Attributes
    ----------
    value : array (B,)
    fitted : array (B,)
        Total hazard that each likes best.
    split : array (j,)
        Shares of the total over the slots that the first data set likes best.
    cells : int array (j,)
        And each slot's best cell there.
    by_slot : array (j,)
        Best hazard of each slot, first data set.
    failures : float
        Of all slots, first data set.
    """

    value: Array
    fitted: Array
    split: Array
    cells: np.ndarray
    by_slot: Array
    failures: float


def signed_root(lines: Sequence[Lines], total: float) -> Root:
    """Root of ``sum h_j >= total`` for a batch.

    The total is cut into STEPS; a slot counts m steps when its hazard is (m - 1/2) steps or more, at
    the least loss ``2 (max l - l)`` of any such hazard. As a mission grows longer or a stress harder,
    every slot's hazard grows in every cell, so the root never rises. Where the data like more than the
    total, the root is minus the log ratio.
    """
    step = float(total) / STEPS
    edges = np.asarray(step * (np.arange(STEPS) + 0.5), np.float64)
    best = [x.best() for x in lines]
    losses = [_losses(x, b, edges) for x, b in zip(lines, best)]
    kept = losses[0]
    picks = []
    index = np.arange(STEPS + 1)[:, None] - np.arange(STEPS + 1)[None, :]  # total less own share
    for loss in losses[1:]:
        rest = np.where(index[None] >= 0, kept[:, np.maximum(index, 0)], np.inf)
        rest = rest + loss[:, None, :]
        picks.append(rest[0].argmin(axis=1))
        kept = rest.min(axis=2)
    share = np.zeros(len(lines), np.intp)
    left = STEPS
    for j in range(len(lines) - 1, 0, -1):
        share[j] = picks[j - 1][left]
        left -= share[j]
    share[0] = left
    fitted = np.sum([b[1] for b in best], axis=0)
    below = fitted <= total
    value = np.where(
        below, np.sqrt(np.maximum(kept[:, STEPS], 0.0)), -np.log(np.maximum(fitted, total) / total)
    )
    own = np.array([b[1][0] for b in best])
    split = np.maximum(np.maximum(own, step * (share - 0.5)), step * FLOOR)
    most = int(share.argmax())
    split[most] = max(total - (split.sum() - split[most]), split[most])
    cells = np.array([x.cell_at(h) for x, h in zip(lines, split)], np.intp)
    failures = float(sum(x.failures[0] for x in lines))
    return Root(value, fitted, split, cells, own, failures)


def _losses(lines: Lines, best: tuple[Array, Array, Array], edges: Array) -> Array:
    """Least loss of counting 0, 1, ... steps, (B, STEPS + 1)."""
    top = best[0]
    out = np.zeros((top.size, edges.size + 1))
    out[:, 1:] = np.maximum(2.0 * (top[:, None] - lines.at_least(edges)), 0.0)
    return out


@dataclass(frozen=True)
class Engine:
    """The module's slots, and simulation of their benches.

    Attributes
    ----------
    slots : tuple of SlotModel
    draws, seed : int
    """

    slots: tuple[SlotModel, ...]
    draws: int = 250
    seed: int = 1

    def observed(self, shots: float, total: float) -> Root:
        """Root of the data for a mission of ``shots`` (in units)."""
        return signed_root([s.lines(shots, s.data, self._lent(s)) for s in self.slots], total)

    def _lent(self, s: SlotModel) -> Array:
        out = np.zeros((1, *s.cells.shape))
        for p in s.lent:
            out = out + p.data.lend()
        return out

    def simulated(self, shots: float, total: float, at: Root) -> Array:
        """Roots (draws,) of data simulated at the constrained fit ``at``."""
        lines = []
        for j, s in enumerate(self.slots):
            data, lent = self._draw(j, s, shots, float(at.split[j]), int(at.cells[j]))
            lines.append(s.lines(shots, data, lent))
        return signed_root(lines, total).value

    def _draw(
        self, j: int, s: SlotModel, shots: float, hazard: float, cell: int
    ) -> tuple[Tally, Array]:
        b, e = np.unravel_index(cell, s.cells.shape)
        rate = hazard / float(np.exp(s.log_gain(shots)[b, e]))
        beta, k = float(s.cells.beta[b]), s.cells.k[e]
        if s.benches is None:
            one = np.ones(self.draws)
            data = Tally(
                one * s.data.failures[0], np.repeat(s.data.events, self.draws, 0),
                np.repeat(s.data.exposure, self.draws, 0),
            )  # fmt: skip
        else:
            data = s.benches.draw(
                s.cells, beta, k, rate, self.draws, np.random.default_rng([self.seed, j])
            )
        lent = np.zeros((self.draws, 1, 1))
        for i, p in enumerate(s.lent):
            own = float(p.data.failures[0] / p.data.exposure[0, b, e])
            rng = np.random.default_rng([self.seed, j, 1 + i])
            lent = lent + p.benches.draw(s.cells, beta, k, own, self.draws, rng).lend()
        return data, lent
