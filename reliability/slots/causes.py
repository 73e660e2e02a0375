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
    mode : tuple of str
        The mode that each part is by itself; "" where it is all modes, or all others, of its slot.
    events : tuple of Event
    """

    parts: tuple[SlotData, ...]
    slot: tuple[int, ...]
    mode: tuple[str, ...]
    events: tuple[Event, ...]

    def of(self, which: Sequence[int]) -> Causes:
        """Some of the causes, as those of one slot, with nothing unclear among them."""
        return Causes(
            tuple(self.parts[k] for k in which), (0,) * len(which), tuple(self.mode[k] for k in which), ()
        )  # fmt: skip

    def in_slots(self, slots: Sequence[SlotData]) -> Causes:
        """The same hazards in these slots: as many, of the same units, flown or aged otherwise."""
        own = zip(self.parts, self.slot, strict=True)
        return replace(self, parts=tuple(replace(slots[i], units=p.units) for p, i in own))


def causes_of(slots: Sequence[SlotData], apart: str = "") -> Causes:
    """The hazards of slots, and the failures of which it is not known whose they were.

    ``apart`` is a mode of the first slot that is a hazard of its own however few its failures.
    """
    parts: list[SlotData] = []
    owner: list[int] = []
    names: list[str] = []
    open_: dict[tuple[int, int] | str, list[tuple[int, int]]] = {}
    for i, slot in enumerate(slots):
        modes = _modes_apart(slot, apart if i == 0 else "")
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
            names.append("|".join(sorted(modes[k])) if k < len(modes) else "")
    events = [
        Event(key if isinstance(key, str) else "", tuple(rows)) for key, rows in open_.items()
    ]
    kept = [
        k for k, p in enumerate(parts) if p.failures or owner.index(owner[k]) == k or (apart and names[k] == apart)
    ]  # fmt: skip
    return _of_kept(kept, Causes(tuple(parts), tuple(owner), tuple(names), tuple(events)))


def _modes_apart(slot: SlotData, apart: str) -> list[frozenset[str]]:
    """Modes that are hazards of their own; none where all but few failures are of one.

    With ``apart`` that mode is one in any case, the first.
    """
    counts: dict[frozenset[str], int] = {}
    for row, modes in slot.units.modes.items():
        if len(modes) == 1 and row not in slot.units.suspects:
            counts[modes] = counts.get(modes, 0) + 1
    own = sorted((m for m, n in counts.items() if n >= LEAST_OF_MODE), key=sorted)
    if apart:
        wanted = frozenset((apart,))
        return [wanted, *(m for m in own if m != wanted)]
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


def _of_kept(kept: list[int], all_: Causes) -> Causes:
    """Without causes that no failure is known to have been; a slot's first stays, and one that is asked for."""
    place = {k: i for i, k in enumerate(kept)}
    events = [
        Event(e.label, tuple((place[k], row) for k, row in e.suspects if k in place))
        for e in all_.events
    ]
    return Causes(
        tuple(all_.parts[k] for k in kept), tuple(all_.slot[k] for k in kept), tuple(all_.mode[k] for k in kept), tuple(events)
    )  # fmt: skip


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
