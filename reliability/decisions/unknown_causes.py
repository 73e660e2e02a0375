"""Failures whose cause is not known, in the life of one mode or one slot: shared out by a joint fit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reliability.histories import histories_of
from reliability.life.causes import fit_modes, fit_slots, unclear
from reliability.life.masked import MaskedFit
from reliability.life.masked_bounds import MaskedBounder, unknown_note
from reliability.notes import CannotAnswer, Note
from reliability.records import LifeRecords, join, possible_modes

HELD_SHAPE = 1.3
"""shape held for other slots with fewer known failures than ``TOLD``: median of the prior on shapes"""
TOLD = 3
"""known failures that tell a shape"""


@dataclass(frozen=True)
class Joint:
    """One cause among others that the failures of unknown cause may have been.

    Attributes
    ----------
    fit : MaskedFit
    cause : int
    records : LifeRecords
        The cause's own, a failure of unknown cause standing in with its share: failed with that
        weight, good with the rest.
    """

    fit: MaskedFit
    cause: int
    records: LifeRecords

    def bounder(self, confidence: float, seed: int, method: str) -> MaskedBounder:
        """Bounds on the cause's life that allow for not knowing."""
        return MaskedBounder(self.fit, self.cause, confidence, seed, method)

    @property
    def mu(self) -> float:
        """Log location."""
        phi = self.fit.phi[self.cause][:, 0]
        return float(self.fit.centre - phi[1] / phi[0])

    @property
    def sigma(self) -> float:
        """Log scale."""
        return float(1 / self.fit.phi[self.cause][0, 0])

    @property
    def failed(self) -> float:
        """Failures that are surely of the cause: those of which it is the only one that they may have been, too."""
        alone = len(self.fit.causes) == 1
        return (self.fit.failures if alone else self.fit.known)[self.cause]

    @property
    def unclear(self) -> float:
        """Failures that may have been of the cause or of another."""
        return self.fit.unknown if len(self.fit.causes) > 1 else 0.0

    def notes(self, fraction: float) -> tuple[Note, ...]:
        """What was shared out, and what not knowing costs the bound."""
        return unknown_note(self.fit, self.cause, fraction)


def joint_modes(records: LifeRecords, family: str) -> MaskedFit:
    """All modes of one slot together; modes with few known failures have their shape held.

    Raises
    ------
    CannotAnswer
        If no mode is named, or the likelihood has no maximum.
    """
    known: dict[str, float] = {}
    for mode, n in zip(records.mode[records.failed], records.count[records.failed], strict=True):
        for name in possible_modes(mode):
            known[name] = known.get(name, 0.0) + (n if mode == name else 0.0)
    try:
        return fit_modes(records, family)
    except CannotAnswer:
        held = {name: HELD_SHAPE for name, n in known.items() if n < TOLD}
        if not held:
            raise
        return fit_modes(records, family, held)


def shares_by_mode(records: LifeRecords, fit: MaskedFit) -> LifeRecords:
    """Records with each failure of unknown mode standing as one of every mode that it may have been,
    weighted by its probability (``count``)."""
    lives = histories_of(records).lives()
    masked = np.flatnonzero(unclear(lives))
    parts = [lives.select(np.setdiff1d(np.arange(len(lives)), masked))]
    for cause, w in zip(fit.causes, fit.weights, strict=True):
        own = _nameless(lives.select(masked[cause.group]))
        parts.append(
            replace(
                own,
                count=np.maximum(own.count * w, 1e-9),
                mode=np.full(len(own), cause.name, object),
            )
        )
    return join(parts)


def joint_of_mode(records: LifeRecords, mode: str, family: str) -> Joint:
    """One mode among those of its slot. Raises CannotAnswer."""
    fit = joint_modes(records, family)
    return Joint(fit, fit.index(mode), shares_by_mode(records, fit).of_mode(mode))


def joint_of_slot(records: LifeRecords, others: LifeRecords, family: str) -> Joint:
    """One slot among those that failures with several suspects may have been in.

    Parameters
    ----------
    records : LifeRecords
        Of one slot.
    others : LifeRecords
        Of other slots of the same builders.

    Raises
    ------
    CannotAnswer
    """
    slot = str(records.slot[0])
    own = {_label(records, i) for i in np.flatnonzero(records.event != "").tolist()}
    theirs = [_label(others, i) if others.event[i] else None for i in range(len(others))]
    met = np.array([label in own for label in theirs], bool)
    rest = others.select(np.isin(others.slot, np.unique(others.slot[met].astype(str))))
    context = _complete(join([records, rest]))
    if not (context.event != "").any():
        raise CannotAnswer("The other suspects have no records here.")
    shapes = {}
    for name in set(context.slot.tolist()) - {slot}:
        certain = context.failed & (context.slot == name) & (context.event == "")
        if context.count[certain].sum() < TOLD:
            shapes[str(name)] = HELD_SHAPE
    fit = fit_slots(context, family, shapes)
    cause = fit.index(slot)
    lives = histories_of(context.select(np.arange(len(records)))).lives()
    masked = np.flatnonzero(lives.event != "")
    w = fit.weights[cause]
    rest_of_it = lives.select(np.setdiff1d(np.arange(len(lives)), masked))
    dead = good = _nameless(lives.select(masked))
    dead = replace(dead, count=np.maximum(w, 1e-9), event=np.full(w.size, "", object))
    good = replace(
        good, count=np.maximum(1 - w, 1e-9), event=dead.event, shots_failed=np.full(w.size, np.inf),
        mode=dead.event,
    )  # fmt: skip
    return Joint(fit, cause, join([rest_of_it, dead, good]))


def _nameless(records: LifeRecords) -> LifeRecords:
    """The same without names of units: shares of one unit are no stretches of it."""
    return replace(records, unit=np.full(len(records), "", object))


def _label(r: LifeRecords, i: int) -> tuple[str, str, str]:
    return str(r.builder[i]), str(r.module[i]), str(r.event[i])


def _complete(r: LifeRecords) -> LifeRecords:
    """Events of which only one suspect is at hand: failed if it is of the first record's slot, which is
    on the safe side for it, else good."""
    rows: dict[tuple[str, str, str], list[int]] = {}
    for i in np.flatnonzero(r.event != "").tolist():
        rows.setdefault(_label(r, i), []).append(i)
    lone = np.zeros(len(r), bool)
    lone[[own[0] for own in rows.values() if len(own) == 1]] = True
    good = lone & (r.slot != r.slot[0])
    return replace(
        r,
        event=np.where(lone, "", r.event),
        shots_failed=np.where(good, np.inf, r.shots_failed),
        mode=np.where(good, "", r.mode),
    )
