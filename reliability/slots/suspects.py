"""Failures that one of several units had, in the model of a module: each slot takes its share of them.

The likelihood of such a failure is the product of all survivals times the sum of the suspects' hazards
(masked causes: Flehinger, Reiser & Yashchin 2002, Lifetime Data Anal. 8, 177-203). Its log is the
largest value, over shares that add up to 1, of the shares' mean of the log hazards and their entropy.
So for any shares the slots are apart again and their model is the usual one; the signed root is taken at
the best shares of a few readings: the most likely one, and steps from it to every event being one slot.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reliability.slots.exposure import Array, SlotData
from reliability.slots.grid import SHAPES, Cells, best, cells_of, exponents_of
from reliability.slots.promise import Cut, ModuleModel

STEPS = 25
"""steps of expectation and maximisation towards the most likely shares"""
BLENDS = (0.5, 1.0)
"""how far readings go from the most likely shares to one slot having had them all"""


@dataclass(frozen=True)
class Event:
    """A failure with several suspects: (slot, row of its units) of each that the model has."""

    label: str
    suspects: tuple[tuple[int, int], ...]


def events_of(slots: Sequence[SlotData]) -> tuple[Event, ...]:
    """The failures with suspects among the slots' units."""
    found: dict[str, list[tuple[int, int]]] = {}
    for i, slot in enumerate(slots):
        for row, label in slot.units.suspects.items():
            found.setdefault(label, []).append((i, row))
    return tuple(Event(label, tuple(rows)) for label, rows in found.items())


Shares = list[Array]
"""of each event, of each suspect"""


def weighted(slots: Sequence[SlotData], events: Sequence[Event], shares: Shares) -> list[SlotData]:
    """The slots with each suspect's failure counting for its share."""
    own = [np.ones(s.units.level.size) for s in slots]
    for event, w in zip(events, shares, strict=True):
        for (i, row), v in zip(event.suspects, w, strict=True):
            own[i][row] = v
    return [
        replace(s, units=replace(s.units, share=w)) if s.units.suspects else s
        for s, w in zip(slots, own, strict=True)
    ]


def _log_hazard(slot: SlotData, c: Cells, cell: int, row: int, scale: float) -> float:
    """Log hazard of a unit at its end, at a cell of the grid and its best rate."""
    e = exponents_of(slot)
    b, n = float(SHAPES[cell // e.size]), float(e[cell % e.size])
    u = slot.units
    x = slot.x[u.level[row]]
    if row in u.spent:
        first = slot.x[int(np.argmax(u.spent[row][:, 0] > 0))]
        aged = float((np.exp(n * slot.x) * u.spent[row][:, 0]).sum())
        z = (u.start[row, 0] * np.exp(n * first) + aged) / scale
    else:
        z = u.end[row, 0] * np.exp(n * x) / scale
    rate = max(float(c.failures[0]), 1e-12) / float(c.exposure[cell, 0])
    return float(np.log(rate * b) + (b - 1) * np.log(z) + n * x)


def likely_shares(slots: Sequence[SlotData], events: Sequence[Event]) -> Shares:
    """Shares at the largest likelihood, from equal ones by expectation and maximisation."""
    ends = np.concatenate([s.units.end.ravel() for s in slots])
    scale = float(np.exp(np.mean(np.log(ends))))
    shares = [np.full(len(e.suspects), 1 / len(e.suspects)) for e in events]
    for _ in range(STEPS):
        now = weighted(slots, events, shares)
        cells = {i: cells_of(s, s.units, scale) for i, s in enumerate(now) if s.units.suspects}
        at = {i: int(best(c)[1][0]) for i, c in cells.items()}
        moved = 0.0
        for k, event in enumerate(events):
            log = np.array(
                [_log_hazard(now[i], cells[i], at[i], row, scale) for i, row in event.suspects]
            )
            w = np.exp(log - log.max())
            new = w / w.sum()
            moved = max(moved, float(np.abs(new - shares[k]).max()))
            shares[k] = new
        if moved < 1e-4:
            break
    return shares


def _readings(events: Sequence[Event], likely: Shares) -> list[Shares]:
    """The most likely shares, then steps towards every event being one slot's."""
    out = [likely]
    for slot in sorted({i for e in events for i, _ in e.suspects}):
        for part in BLENDS:
            reading = []
            for event, w in zip(events, likely, strict=True):
                mine = np.array([float(i == slot) for i, _ in event.suspects])
                reading.append((1 - part) * w + part * mine / mine.sum() if mine.any() else w)
            out.append(reading)
    return out


def _entropy(shares: Shares) -> float:
    return -sum(float((w[w > 0] * np.log(w[w > 0])).sum()) for w in shares)


class SuspectedModel(ModuleModel):
    """A module's slots together, some failures having several suspects.

    Attributes
    ----------
    events : tuple of Event
    shares : list of arrays
        Of each event the probability of each suspect, as estimated.
    """

    def __init__(
        self,
        slots: Sequence[SlotData],
        drift: Callable[[float], float] | None = None,
        seed: int = 1,
    ) -> None:
        self.events = events_of(slots)
        self.shares = likely_shares(slots, self.events)
        super().__init__(weighted(slots, self.events, self.shares), drift, seed)
        readings = _readings(self.events, self.shares)
        columns = [weighted(slots, self.events, w) for w in readings]
        self.read = [
            _side_by_side([cells_of(c[i], c[i].units, self.scale) for c in columns])
            if slot.units.suspects
            else _side_by_side([self.cells[i]] * len(columns))
            for i, slot in enumerate(slots)
        ]
        heights = np.sum([best(c)[0] for c in self.read], axis=0)
        self.heights = heights + np.array([_entropy(w) for w in readings])

    def root(
        self, shots: float, hazard: float, cells: Sequence[Cells] | None = None
    ) -> tuple[Array, Array, Array]:
        """As of ``ModuleModel``; of the units seen at the shares that fit the hypothesis best."""
        if cells is not None:
            return super().root(shots, hazard, cells)
        roots, side, mixture = super().root(shots, hazard, self.read)
        top = int(self.heights.argmax())
        limited = float((self.heights - 0.5 * roots**2).max())
        size = np.sqrt(max(2.0 * (float(self.heights[top]) - limited), 0.0))
        return np.array([np.copysign(size, roots[top])]), side, mixture

    def as_if_known(self, survival: float, cut: Cut) -> float:
        """Shots that could be promised if the suspects were known in the shares estimated."""
        return ModuleModel(self.slots, self.drift, self.seed).solve(survival, cut.value)

    def reckoned(self) -> dict[str, float]:
        """Failures with suspects that are reckoned to each slot."""
        out: dict[str, float] = {}
        for event, w in zip(self.events, self.shares, strict=True):
            for (i, _), v in zip(event.suspects, w, strict=True):
                out[self.slots[i].name] = out.get(self.slots[i].name, 0.0) + float(v)
        return out


def _side_by_side(cells: Sequence[Cells]) -> Cells:
    return Cells(
        np.concatenate([c.failures for c in cells]),
        np.concatenate([c.const for c in cells], axis=1),
        np.concatenate([c.exposure for c in cells], axis=1),
    )


def module_model(
    slots: Sequence[SlotData], drift: Callable[[float], float] | None = None, seed: int = 1
) -> ModuleModel:
    """The model of a module's slots, with the failures that have several suspects shared out."""
    if any(s.units.suspects for s in slots):
        return SuspectedModel(slots, drift, seed)
    return ModuleModel(slots, drift, seed)
