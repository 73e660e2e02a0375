"""The tests of a slot drawn again as they were planned: entries, ends, swaps, voltages, inspections."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.slots.exposure import Array, Position, SlotData, Units

Flags = NDArray[np.bool_]

SWAPS = 5
"""units on one position at most"""


@dataclass(frozen=True)
class Law:
    """Cumulative hazard rate * (z / scale)^shape, z the exposure: (V / V_use)^exponent a shot."""

    shape: float
    exponent: float
    rate: float
    scale: float

    def life(self, begun: Array, rng: np.random.Generator) -> Array:
        """Exposure (in scales) at failure of units that were good at ``begun``."""
        spent = rng.exponential(size=begun.shape) / self.rate
        return np.asarray((begun**self.shape + spent) ** (1 / self.shape))


def draw(slot: SlotData, law: Law, size: int, rng: np.random.Generator) -> Units:
    """Samples of the slot's units if they lived by a law."""
    plain = [p for p in slot.positions if len(set(p.levels)) == 1]
    changed = [p for p in slot.positions if len(set(p.levels)) > 1]
    start, end, failed, level = _steady(plain, slot, law, size, rng)
    spent: dict[int, Array] = {}
    for p in changed:
        for s, e, f, own, last in _stepped(p, slot, law, size, rng):
            for v in range(slot.x.size):  # units end at several voltages: a row for each of them
                here = last == v
                if here.any():
                    spent[len(start)] = np.where(here, own, 0.0)
                    start.append(np.where(here, s, 0.0))
                    end.append(np.where(here, e, 0.0))
                    failed.append(f & here)
                    level.append(v)
    return Units(np.array(start), np.array(end), np.array(failed), np.array(level, np.intp), spent)


def found(life: Array, entry: Array, limit: Array, look: Array) -> tuple[Array, Flags]:
    """Counts in the working likelihood, and whether it failed, of lives seen at inspections or watched."""
    failed = life <= limit
    with np.errstate(divide="ignore", invalid="ignore"):
        seen = np.ceil((life - entry) / look)
        hi = np.minimum(entry + seen * look, np.maximum(limit, life))
        lo = entry + (seen - 1) * look
        middle = np.where(lo > 0, np.sqrt(np.maximum(lo, 0) * hi), 0.5 * hi)
    at = np.where(look > 0, middle, life)
    return np.where(failed, at, limit), failed


def _steady(
    positions: list[Position], slot: SlotData, law: Law, size: int, rng: np.random.Generator
) -> tuple[list[Array], list[Array], list[Array], list[int]]:
    """Positions of one voltage, all at once."""
    if not positions:
        return [], [], [], []
    begin = np.array([p.entry for p in positions])
    left = np.repeat(np.array([sum(p.lengths) for p in positions])[:, None], size, 1)
    where = np.array([p.levels[0] for p in positions])
    look = np.array([p.look for p in positions])[:, None]
    age = np.exp(law.exponent * slot.x[where])[:, None] / law.scale
    start = np.repeat(begin[:, None], size, 1)
    alive = np.ones(left.shape, bool)
    shortest = 0.02 * left.max()
    out: tuple[list[Array], list[Array], list[Array], list[int]] = ([], [], [], [])
    for _ in range(SWAPS):
        life, limit = law.life(start * age, rng) / age, start + left
        at, dead = found(life, start, limit, look)
        dead = dead & alive
        out[0].extend(np.where(alive, start, 0.0))
        out[1].extend(np.where(alive, at, 0.0))
        out[2].extend(dead)
        out[3].extend(where.tolist())
        left = np.where(dead, limit - life, 0.0)
        alive = dead & (left > shortest)
        start = np.zeros_like(start)
        if not alive.any():
            break
    return out


def _stepped(
    p: Position, slot: SlotData, law: Law, size: int, rng: np.random.Generator
) -> list[tuple[Array, Array, Array, Array, Array]]:
    """One position whose voltage is changed on the way, as planned: start, end, failed, shots at each
    voltage (levels, B) and the voltage at the end, for each unit that follows another."""
    edges = np.concatenate(([0.0], np.cumsum(p.lengths)))
    x = slot.x[list(p.levels)]
    clock = np.concatenate(
        ([0.0], np.cumsum(np.array(p.lengths) * np.exp(law.exponent * x) / law.scale))
    )
    now = np.zeros(size)
    begun = np.full(size, p.entry)
    alive = np.ones(size, bool)
    out = []
    for _ in range(SWAPS):
        z0 = begun * np.exp(law.exponent * x[0]) / law.scale
        z = law.life(z0, rng)
        ends = np.interp(np.interp(now, edges, clock) + z - z0, clock, edges, right=np.inf)
        stop = np.minimum(ends, edges[-1])
        own = np.zeros((slot.x.size, size))
        for k, level in enumerate(p.levels):
            inside = np.minimum(stop, edges[k + 1]) - np.maximum(now, edges[k])
            own[level] += np.where(alive, np.maximum(inside, 0.0), 0.0)
        last = np.array(p.levels)[np.clip(np.searchsorted(edges, stop) - 1, 0, len(p.levels) - 1)]
        dead = alive & (ends <= edges[-1])
        start = np.where(alive, begun, 0.0)
        out.append((start, start + own.sum(axis=0), dead, own, np.where(alive, last, -1)))
        alive = dead & (edges[-1] - stop > 0.02 * edges[-1])
        now, begun = np.where(alive, stop, now), np.zeros(size)
        if not alive.any():
            break
    return out
