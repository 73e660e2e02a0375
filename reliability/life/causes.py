"""Causes that may have been it, from records: modes of one slot, slots of a module."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from reliability.histories import Histories, histories_of
from reliability.life.families import family
from reliability.life.masked import MaskedFit, fit_masked
from reliability.life.masked_likelihood import CANDIDATE, NOBODY, Cause
from reliability.notes import BadInput, CannotAnswer
from reliability.records import UNKNOWN, InvalidRecords, LifeRecords, possible_modes

Array = NDArray[np.float64]


def unclear(records: LifeRecords) -> NDArray[np.bool_]:
    """Failures of unknown mode, or of one of several, (n,)."""
    several = np.array(["|" in m or m == UNKNOWN for m in records.mode], bool)
    return np.asarray(records.failed & several)


def named_modes(records: LifeRecords) -> list[str]:
    """Every mode that records name, alone or in a set, sorted."""
    return sorted({m for mode in set(records.mode.tolist()) for m in possible_modes(mode)})


def fit_modes(
    records: LifeRecords,
    family_name: str = "weibull",
    shapes: Mapping[str, float] | None = None,
    x: Array | None = None,
) -> MaskedFit:
    """Fit every mode of one slot together, failures of unknown mode or mode set being any of them.

    A failure of unknown mode may have been any mode that some record names.

    Parameters
    ----------
    records : LifeRecords
        One element a stretch.
    family_name : str
    shapes : mapping of mode to float, optional
        Shapes to hold, for modes with too few failures of their own.
    x : array (n, q - 1), optional
        Covariates of each record, the same for every mode.

    Raises
    ------
    CannotAnswer
        If no mode is named, or the likelihood has no maximum.
    BadInput
        If records of one unit contradict each other.
    """
    causes, counts = causes_of_modes(records, x)
    return fit_masked(_held(causes, shapes or {}), counts, family(family_name))


def fit_slots(
    records: LifeRecords,
    family_name: str = "weibull",
    shapes: Mapping[str, float] | None = None,
    x: Mapping[str, Array] | None = None,
) -> MaskedFit:
    """Fit every slot that failed or was suspected together, each event being one of its suspects.

    Parameters
    ----------
    records : LifeRecords
        Of all slots, one element a stretch.
    family_name : str
    shapes : mapping of slot to float, optional
        Shapes to hold, for slots with too few failures of their own.
    x : mapping of slot to array (n, q - 1), optional
        Covariates of each of all records in a slot's own stress model.

    Raises
    ------
    CannotAnswer
        If nothing failed, or the likelihood has no maximum.
    BadInput
        If records contradict each other.
    """
    causes, counts = causes_of_slots(records, x)
    return fit_masked(_held(causes, shapes or {}), counts, family(family_name))


def _held(causes: tuple[Cause, ...], shapes: Mapping[str, float]) -> tuple[Cause, ...]:
    return tuple(
        replace(c, held_shape=shapes[c.name]) if c.name in shapes else c for c in causes
    )  # fmt: skip


def causes_of_modes(
    records: LifeRecords, x: Array | None = None
) -> tuple[tuple[Cause, ...], Array]:
    """Modes of one slot as causes, and how many units each masked failure stands for.

    Raises
    ------
    CannotAnswer
        If no record names a mode.
    """
    h = histories_of(records)
    r = replace(h.records, event=np.full(len(h.records), "", object))
    rows_x = np.empty((len(r), 0)) if x is None else x[h.order]
    modes = named_modes(r)
    if not modes:
        raise CannotAnswer("No failure has a known mode, so modes cannot be told apart.")
    mode = r.mode[h.last]
    failed = r.failed[h.last]
    possible = [possible_modes(m) for m in mode]
    masked = unclear(r)[h.last]
    number = np.cumsum(masked) - 1
    causes = []
    for name in modes:
        may = np.array([not p or name in p for p in possible], bool) & masked
        certain = failed & (mode == name)
        ended = np.zeros(len(r), bool)
        ended[h.last[failed & ~certain]] = True
        base = replace(
            r,
            shots_failed=np.where(ended, np.inf, r.shots_failed),
            mode=np.where(ended, "", r.mode),
        )
        causes.append(_cause(name, h, base, r, rows_x, may, number))
    return tuple(causes), h.records.count[h.last[masked]].astype(float)


def causes_of_slots(
    records: LifeRecords, x: Mapping[str, Array] | None = None
) -> tuple[tuple[Cause, ...], Array]:
    """Slots as causes, and a 1 for each event. Slots that neither failed nor were suspected are left out.

    Raises
    ------
    BadInput
        If records contradict each other.
    CannotAnswer
        If nothing failed.
    """
    try:
        h = Histories.of(records)
    except InvalidRecords as e:
        raise BadInput(f"records contradict each other: {e}") from None
    events = h.events()
    number = np.zeros(len(h), np.intp)
    suspect = np.zeros(len(h), bool)
    for k, rows in enumerate(events):
        number[h.unit[rows]], suspect[h.unit[rows]] = k, True
    r = replace(h.records, event=np.full(len(h.records), "", object))
    # the reading that another suspect was it: this one was good when the failure was found
    held = np.zeros(len(r), bool)
    held[h.last[suspect]] = True
    base = replace(
        r,
        shots_good=np.where(held, r.shots_failed, r.shots_good),
        shots_failed=np.where(held, np.inf, r.shots_failed),
        mode=np.where(held, "", r.mode),
    )
    causes = []
    for slot in dict.fromkeys(r.slot.tolist()):
        own = r.slot[h.first] == slot
        if not (r.failed[h.last] & own).any():
            continue
        given = None if x is None else x.get(slot)
        rows_x = np.empty((len(r), 0)) if given is None else given[h.order]
        part = h.select(own)
        keep = own[h.unit]
        causes.append(
            _cause(str(slot), part, base.select(keep), r.select(keep), rows_x[keep], suspect[own], number[own])
        )  # fmt: skip
    if not causes:
        raise CannotAnswer(
            "No unit has failed: the data bound the life from below but cannot fix it."
        )
    return tuple(causes), np.ones(len(events))


def _cause(
    name: str,
    h: Histories,
    base: LifeRecords,
    failed: LifeRecords,
    x: Array,
    candidate: NDArray[np.bool_],
    number: NDArray[np.intp],
) -> Cause:
    """One cause: candidates are marked in ``base`` and stand in ``failed`` as failed."""
    place = np.where(candidate, np.cumsum(candidate) - 1, NOBODY)[h.unit].astype(float)
    marked = replace(base, covariates={**base.covariates, CANDIDATE: place})
    rows = candidate[h.unit]
    return Cause(name, marked, failed.select(rows), x, x[rows], number[candidate])
