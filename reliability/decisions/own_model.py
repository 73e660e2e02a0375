"""The slot's own model of what is asked of a slot: built once an answer, and the same as a module's lane."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from reliability.decisions.operating import commonest, slot_point
from reliability.decisions.parts import moved_units
from reliability.decisions.question import Level
from reliability.life.causes import unclear
from reliability.life.existence import check_existence
from reliability.life.fit import NoMaximum, fit_life
from reliability.notes import CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.slots.carried import Usable, usable
from reliability.slots.exposure import UNNAMED, Asked, SlotData, slot_data
from reliability.slots.promise import ModuleModel

LEAST_SHARE = 1e-6
"""share of a failure below which it is none in a picture"""


@dataclass(frozen=True)
class Asking:
    """What is asked of the slot: shares failed, counts, confidence, mode, seed; whether early failures are declared out."""

    fraction: tuple[float, ...]
    at: tuple[float, ...]
    confidence: float
    mode: str
    seed: int
    burned_in: bool = False


class OwnModel:
    """A slot, or a mode of it, beside other slots in which its failures have suspects.

    Parameters
    ----------
    slot : SlotData
    beside : sequence of SlotData
    seed : int
    mode : str
        Asked for by itself, where it is not known of some failures whether they were of it.
    burned_in : bool

    Attributes
    ----------
    whole : ModuleModel
        All these slots.
    """

    def __init__(
        self, slot: SlotData, beside: Sequence[SlotData] = (), seed: int = 1, mode: str = "", burned_in: bool = False
    ) -> None:  # fmt: skip
        slots = [slot, *beside]
        if not mode:
            slots.sort(key=lambda s: s.name)
        self.mode, self.place = mode, next(i for i, s in enumerate(slots) if s is slot)
        self.whole = ModuleModel(slots, seed=seed, apart=mode, burned_in=burned_in)

    @cached_property
    def model(self) -> ModuleModel:
        """Of what is asked alone."""
        return self.of(self.whole)

    def of(self, whole: ModuleModel) -> ModuleModel:
        """The same of another reading of these slots."""
        return whole.of_mode(self.mode) if self.mode else whole.only(self.place)

    @property
    def causes(self) -> list[int]:
        """Causes that are asked for: a mode of the slot, or all of the slot."""
        own = enumerate(zip(self.whole.causes.slot, self.whole.causes.mode, strict=True))
        return [k for k, (slot, name) in own if slot == self.place and self.mode in ("", name)]

    def shares(self) -> dict[int, float]:
        """By row, how much of each unclear failure falls to what is asked."""
        out: dict[int, float] = {}
        for k in self.causes:
            for row, share in self.whole.shares_of(k).items():
                out[row] = out.get(row, 0.0) + share
        return out

    def failures(self) -> tuple[float, int]:
        """Failures that were surely of what is asked, and those that may have been."""
        sure, unclear = self.whole.sure_and_unclear(self.causes)
        return sure + float(sum(p.failures for p in self.model.causes.parts)), unclear

    def moved(self) -> LifeRecords:
        """The units at the counts that theirs stand for at the voltage of use, by the estimated exponent.

        A failure that may have been another's stands as failed with its share, and good with the rest.
        """
        shares, model = self.shares(), self.model
        plain = moved_units(model.slots[0], model.exponent(0))
        begun, end = plain.shots_from, plain.shots_good
        known = np.any([p.units.failed for p in model.causes.parts], axis=0)
        dead = np.where(known, 1.0, [shares.get(i, 0.0) for i in range(end.size)])
        failed, good = (np.flatnonzero(w > LEAST_SHARE) for w in (dead, 1 - dead))
        rows = np.concatenate((failed, good))
        found = LifeRecords.of(
            end[rows], np.where(np.arange(rows.size) < failed.size, end[rows], np.inf), shots_from=begun[rows]
        )  # fmt: skip
        return replace(found, count=np.concatenate((dead[failed], 1 - dead[good])))


class OfSlot:
    """A slot's records while an answer is worked out, and their own model once it is wanted.

    Parameters
    ----------
    used : Usable
        What the answer rests on.
    others : LifeRecords, optional
        Of other slots, where failures have suspects there.
    point : mapping
        The operating point.
    q : Asking
    """

    def __init__(
        self, used: Usable, others: LifeRecords | None, point: Mapping[str, Level], q: Asking
    ) -> None:
        self.used, self.others, self.point, self.q = used, others, point, q
        self.records = used.records

    @cached_property
    def shared(self) -> bool:
        """Whether failures are shared out between causes: of unknown mode where one is asked for, or with suspects."""
        suspects = (self.records.event != "") & self.records.failed
        return bool(suspects.any() or (self.q.mode and unclear(self.records).any()))

    @cached_property
    def known(self) -> LifeRecords:
        """Those of the mode asked for, where it is known of all failures which they were of; else all."""
        if not self.q.mode or unclear(self.records).any():
            return self.records
        return self.records.of_mode(self.q.mode)

    @property
    def asked(self) -> LifeRecords:
        """The same, and all too where failures have suspects."""
        return self.records if self.shared else self.known

    @cached_property
    def untold(self) -> Note | None:
        """Why the known records cannot fix a family with a free shape by themselves; None where they can."""
        return untold(self.known)

    @property
    def mixed(self) -> bool:
        """Whether there is no model: of several slots, or where no unit was seen working."""
        seen = (self.records.shots_good > self.records.shots_from).any()
        return len(set(self.records.slot.tolist())) != 1 or not seen

    @cached_property
    def _beside(self) -> tuple[list[SlotData], tuple[Note, ...]]:
        if not self.shared:
            return [], ()
        none = self.records.select(np.zeros(len(self.records), bool))
        return beside(self.records, none if self.others is None else self.others, self.point)

    @property
    def notes(self) -> tuple[Note, ...]:
        """Which failures count as the slot's, since no other suspect is at hand."""
        return self._beside[1]

    @cached_property
    def own(self) -> OwnModel:
        """The model; of one slot only."""
        data = slot_data(str(self.records.slot[0]) or UNNAMED, self.asked, Asked(self.used.use_V))
        mode = self.q.mode if self.shared else ""
        return OwnModel(data, self._beside[0], self.q.seed, mode, self.q.burned_in)


def untold(records: LifeRecords) -> Note | None:
    """Why no family with a free shape can be fitted to records; None where one can."""
    found = check_existence(records)
    if not found.exists:
        return Note(found.code, found.reason)
    try:
        fit_life(records)
    except NoMaximum as e:
        return Note(e.code, str(e))
    return None


def beside(
    records: LifeRecords, others: LifeRecords, point: Mapping[str, Level]
) -> tuple[list[SlotData], tuple[Note, ...]]:
    """Other slots in which failures of a slot have suspects, at the operating point; what it does not say is their commonest.

    A note says which failures have no other suspect at hand: they count as the slot's, the safe side.
    """
    own = Counter(
        k for k in zip(records.builder, records.module, records.event, strict=True) if k[2]
    )
    theirs = zip(others.builder, others.module, others.event, strict=True)
    met = np.array([key in own for key in theirs], bool)
    found: list[SlotData] = []
    why: list[str] = []
    for name in sorted(set(others.slot[met].tolist())):
        slot = others.select(others.slot == name)
        try:
            used = usable(name, slot, slot_point(slot, {**commonest(slot), **point}))
        except CannotAnswer as e:
            why.append(str(e))
            continue
        found.append(slot_data(name, used.records, Asked(used.use_V)))
    there = {label for s in found for label in s.units.suspects.values()}
    lone = sum(n == 1 and "/".join(k) not in there for k, n in own.items())
    if not lone:
        return found, ()
    text = (
        f"{lone} failure{'s' if lone > 1 else ''} with suspects count{'' if lone > 1 else 's'} as failed by this slot, which is "
        f"the safe side: the other suspects have no records here that can be used. {' '.join(why)}"
    )
    return found, (Note("unknown_counted", text.strip()),)
