"""Whose failure was it? Causes of a slot by recorded modes, and failures that one of several had.

Where failures of a slot are recorded by mode, each mode is a hazard of its own, and a failure of another
one ends the observation of it (competing risks: Crowder 2001). A failure of unknown mode, or that one of
several units had, may have been any of its suspects' (masked causes: Flehinger, Reiser & Yashchin 2002,
Lifetime Data Anal. 8, 177-203).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reliability.slots.exposure import SlotData

LEAST_OF_MODE = 3
"""failures of one mode from which it is a hazard of its own (a choice)"""


@dataclass(frozen=True)
class Event:
    """A failure with several suspects.

    Attributes
    ----------
    label : str
        "" where only the mode is unknown.
    suspects : tuple of (cause, row)
        Rows of the units of causes.
    """

    label: str
    suspects: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Causes:
    """Hazards of a module.

    Attributes
    ----------
    parts : tuple of SlotData
        One or more of each slot; failures in ``events`` count in none.
    slot : tuple of int
        The slot of each part.
    events : tuple of Event
    """

    parts: tuple[SlotData, ...]
    slot: tuple[int, ...]
    events: tuple[Event, ...]


def causes_of(slots: Sequence[SlotData]) -> Causes:
    """The hazards of slots, and the failures of which it is not known whose they were."""
    parts: list[SlotData] = []
    owner: list[int] = []
    open_: dict[tuple[int, int] | str, list[tuple[int, int]]] = {}
    for i, slot in enumerate(slots):
        modes = _modes_apart(slot)
        known = {
            row: _may_be(slot, row, modes) for row in np.flatnonzero(slot.units.failed).tolist()
        }
        for k in range(len(modes) + 1 if modes else 1):
            failed = np.zeros(slot.units.failed.size, bool)
            for row, may in known.items():
                label = slot.units.suspects.get(row)
                if label is None and may == {k}:
                    failed[row] = True
                elif k in may:
                    open_.setdefault(label or (i, row), []).append((len(parts), row))
            parts.append(replace(slot, units=replace(slot.units, failed=failed)))
            owner.append(i)
    events = [
        Event(key if isinstance(key, str) else "", tuple(rows)) for key, rows in open_.items()
    ]
    return _without_idle(parts, owner, events)


def _modes_apart(slot: SlotData) -> list[frozenset[str]]:
    """Modes that are hazards of their own; none where all but few failures are of one."""
    counts: dict[frozenset[str], int] = {}
    for row, modes in slot.units.modes.items():
        if len(modes) == 1 and row not in slot.units.suspects:
            counts[modes] = counts.get(modes, 0) + 1
    own = sorted((m for m, n in counts.items() if n >= LEAST_OF_MODE), key=sorted)
    others = sum(n for n in counts.values() if n < LEAST_OF_MODE)
    return own if len(own) > 1 or (own and others) else []


def _may_be(slot: SlotData, row: int, own: list[frozenset[str]]) -> set[int]:
    """Causes that a failure may have been: indices of ``own``, and beyond them all other modes."""
    if not own:
        return {0}
    modes = slot.units.modes.get(row, frozenset())
    if not modes:
        return set(range(len(own) + 1))
    named = {k for k, m in enumerate(own) if m <= modes}
    rest = modes - frozenset().union(*own)
    return named | ({len(own)} if rest else set())


def _without_idle(parts: list[SlotData], owner: list[int], events: list[Event]) -> Causes:
    """Causes of slots with several that no failure is known to have been are left out, the slot's first stays."""
    single = [k for k, p in enumerate(parts) if p.failures or owner.index(owner[k]) == k]
    place = {k: i for i, k in enumerate(single)}
    kept = []
    for e in events:
        rows = tuple((place[k], row) for k, row in e.suspects if k in place)
        kept.append(Event(e.label, rows))
    return Causes(tuple(parts[k] for k in single), tuple(owner[k] for k in single), tuple(kept))


def decided(
    parts: Sequence[SlotData], events: Sequence[Event], whose: Sequence[int]
) -> list[SlotData]:
    """The parts with each event's failure given to one of its suspects (an index)."""
    failed = [p.units.failed.copy() for p in parts]
    for event, k in zip(events, whose, strict=True):
        part, row = event.suspects[k]
        failed[part][row] = True
    return [
        replace(p, units=replace(p.units, failed=f)) for p, f in zip(parts, failed, strict=True)
    ]
