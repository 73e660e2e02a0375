"""Life of one slot's units at an operating point that its tests were not all run at: by the slot's model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reliability.decisions.answer_notes import (
    burned_in_notes,
    carried_notes,
    early_notes,
    few_notes,
    group_notes,
    left_out_notes,
    refuse_burned_in,
    what_unclear_costs,
)
from reliability.decisions.life_answer import LifeAnswer, QuantileBound
from reliability.decisions.life_helps import helped_by
from reliability.decisions.operating import point_of_one, slot_point
from reliability.decisions.parts import Curve, SurvivalBound, moved_units, seen_of, steps_of
from reliability.decisions.question import Level, numbers
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.slots.carried import Usable, usable
from reliability.slots.exposure import Asked, SlotData, slot_data, voltages_differ
from reliability.slots.promise import ModuleModel
from reliability.words import counted, shots_text, whole

NAN = float("nan")
POINTS = 40
LEAST_SHARE = 1e-6
"""share of a failure below which it is none in a picture"""


@dataclass(frozen=True)
class Asking:
    """What is asked of the slot: shares failed, counts, confidence, mode in words, seed; the mode to keep apart,
    where it is not known of some failures whether they were of it; whether early failures are declared out."""

    fraction: tuple[float, ...]
    at: tuple[float, ...]
    confidence: float
    mode: str
    seed: int
    apart: str = ""
    burned_in: bool = False


def point_of(
    records: LifeRecords, said: Mapping[str, Level], as_tested: bool, by_slot: bool = False
) -> dict[str, Level]:
    """The operating point that is asked for; empty where records have one, or are mixed as tested.

    What is not said is taken as the commonest, where voltage or part differ; and ``by_slot`` says that the slot's
    own model answers in any case.

    Raises
    ------
    BadInput
        If a point is asked for of several slots.
    CannotAnswer
        For a part that was not tested in the slot.
    """
    slots = sorted(set(records.slot.tolist()))
    if said and len(slots) > 1:
        raise BadInput(f"use goes with one slot; choose one of {', '.join(slots)}")
    if as_tested or len(slots) != 1:
        return {}
    volts = records.covariates.get("charge_V", np.full(len(records), NAN))
    slots_own = by_slot and np.isfinite(volts).any()
    parts = set(records.part.tolist()) - {""}
    if not (said or voltages_differ(volts) or slots_own or len(parts) > 1):
        return {}
    return point_of_one(records, said)


def beside(
    records: LifeRecords, others: LifeRecords, point: Mapping[str, Level]
) -> tuple[list[SlotData], tuple[Note, ...]]:
    """Other slots in which failures of a slot have suspects, at the operating point.

    A note says which failures have no other suspect at hand: they count as the slot's, the safe side.
    """
    own = [k for k in zip(records.builder, records.module, records.event, strict=True) if k[2]]
    theirs = zip(others.builder, others.module, others.event, strict=True)
    met = np.array([key in set(own) for key in theirs], bool)
    found: list[SlotData] = []
    why: list[str] = []
    for name in sorted(set(others.slot[met].tolist())):
        slot = others.select(others.slot == name)
        try:
            used = usable(name, slot, slot_point(slot, point))
        except CannotAnswer as e:
            why.append(str(e))
            continue
        found.append(slot_data(name, used.records, Asked(used.use_V)))
    there = {label for s in found for label in s.units.suspects.values()}
    lone = sum(own.count(k) == 1 and "/".join(k) not in there for k in own)
    if not lone:
        return found, ()
    text = (
        f"{lone} failure{'s' if lone > 1 else ''} with suspects count{'' if lone > 1 else 's'} as failed by this slot, which is "
        f"the safe side: the other suspects have no records here that can be used. {' '.join(why)}"
    )
    return found, (Note("unknown_counted", text.strip()),)


def carried_by(records: LifeRecords, point: Mapping[str, Level]) -> Usable:
    """The slot's records that carry the point. Raises NotCarried."""
    return usable(str(records.slot[0]), records, point)


def moved_life(
    records: LifeRecords,
    found: Usable,
    point: dict[str, Level],
    q: Asking,
    beside: Sequence[SlotData] = (),
) -> LifeAnswer:
    """Life at a voltage that is not simply that of the tests: estimate, bounds and what would help by the slot's model.

    Failures of unknown mode where a mode is asked for, and with suspects in other slots, are summed over
    what they may have been (``slots/suspects``).

    Parameters
    ----------
    records : LifeRecords
        Of the slot.
    found : Usable
        What of the point the slot's records carry.
    beside : sequence of SlotData
        Other slots in which failures have suspects.
    """
    data = slot_data(str(records.slot[0]), records, Asked(found.use_V))
    if not data.units.end.size:
        raise CannotAnswer(
            "No unit was seen working beyond its start; add records of longer tests."
        )
    whole_, model = models_of(data, beside, q.seed, q.apart, q.burned_in)
    refuse_burned_in(whole_)
    c = q.confidence
    quantiles = tuple(
        QuantileBound(p, model.life(p), model.promise(1 - p, c), model.outside(1 - p, c))
        for p in q.fraction
    )
    survival = tuple(
        SurvivalBound(s, model.survival(s), model.lower(s, c), model.upper(s, c)) for s in q.at
    )
    shape, scale = model.shape(0), model.life(1 - np.exp(-1.0))
    seen = moved(whole_, model, q.apart)
    known, unclear = failures_of(whole_, model, q.apart)
    notes = [
        *carried_notes(found.carried),
        *left_out_notes([found]),
        *([_moved_note(found.use_V, model)] if np.isfinite(found.use_V) else []),
        *_run_in_notes(found.use_V, model),
        *_unclear_notes(whole_, model, q),
        *burned_in_notes(whole_),
    ]
    notes += few_notes([(data.name, model.slots[0].failures)])
    notes += early_notes(model, 1 - q.fraction[0]) + group_notes(model)
    answer = LifeAnswer(
        "weibull", whole(records.units), whole(known), shape, scale, float(np.log(scale)), 1 / shape, NAN, c,
        "exact" if model.exact else "drawn", quantiles, survival, steps_of(seen, c), curve_of(model, seen, c), seen_of(seen), mode=q.mode,
        at=point, carried=found.carried, early=tuple(model.early_seen()), unclear=whole(unclear),
        no_early_failures=q.burned_in, notes=tuple(notes),
    )  # fmt: skip
    return helped_by(answer, model, whole_)


def models_of(
    data: SlotData, beside: Sequence[SlotData], seed: int, apart: str = "", burned_in: bool = False
) -> tuple[ModuleModel, ModuleModel]:
    """The model of a slot with the others that its failures may have been of, and of what is asked alone."""
    whole_ = ModuleModel([data, *beside], seed=seed, apart=apart, burned_in=burned_in)
    return whole_, _part(whole_, apart)


def _part(model: ModuleModel, mode: str) -> ModuleModel:
    """What of a module is asked: a mode of its first slot, or that slot."""
    if mode:
        return model.of_mode(mode)
    return model.only(0) if len(model.slots) > 1 else model


def failures_of(whole_: ModuleModel, model: ModuleModel, mode: str = "") -> tuple[float, int]:
    """Failures that were surely of what is asked, and those that may have been."""
    sure, unclear = whole_.sure_and_unclear(_causes(whole_, mode))
    return sure + float(sum(p.failures for p in model.causes.parts)), unclear


def _shares(model: ModuleModel, mode: str) -> dict[int, float]:
    """By row, how much of each unclear failure falls to what is asked."""
    out: dict[int, float] = {}
    for k in _causes(model, mode):
        for row, share in model.shares_of(k).items():
            out[row] = out.get(row, 0.0) + share
    return out


def _causes(model: ModuleModel, mode: str) -> list[int]:
    """Causes that are asked for: a mode of the first slot, or all of that slot."""
    own = enumerate(zip(model.causes.slot, model.causes.mode, strict=True))
    return [k for k, (slot, name) in own if slot == 0 and (not mode or name == mode)]


def _unclear_notes(whole_: ModuleModel, part: ModuleModel, q: Asking) -> list[Note]:
    """What was shared out, and what not knowing costs the first of the bounds."""
    _, unclear = whole_.sure_and_unclear(_causes(whole_, q.apart))
    if not unclear:
        return []
    p, name = q.fraction[0], q.mode or whole_.slots[0].name
    to_it = sum(_shares(whole_, q.apart).values())
    known = _part(whole_.as_if_known(), q.apart).promise(1 - p, q.confidence)
    text = (
        f"{unclear} failure{'s' if unclear > 1 else ''} of unknown cause, as estimated {to_it:.1f} of them to {name}. "
        + what_unclear_costs(part.promise(1 - p, q.confidence), known)
    )
    return [Note("unknown_cause", text)]


def moved(whole_: ModuleModel, model: ModuleModel, mode: str = "") -> LifeRecords:
    """The units at the counts that theirs stand for at the voltage of use, by the estimated exponent.

    A failure that may have been another's stands as failed with its share, and good with the rest.
    """
    shares = _shares(whole_, mode)
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


def _run_in_notes(use_V: float, model: ModuleModel) -> list[Note]:
    """Units that ran at other voltages before the one they ended at, such as for a run-in: what those shots count as."""
    slot = model.slots[0]
    spent = [
        np.where(np.arange(slot.x.size) == slot.units.level[row], 0.0, own)
        for row, own in slot.units.spent.items()
    ]
    if not spent:
        return []
    shots = np.sum(spent, axis=0)
    e = model.exponent(0) if slot.law else 0.0
    volts = ", ".join(f"{v:,.0f}" for v in use_V * np.exp(slot.x[shots > 0]))
    text = (
        f"{counted(len(spent), 'unit')} ran at another voltage ({volts} V) before the last one: those {shots_text(shots.sum())} shots count as "
        f"{shots_text(float(shots @ np.exp(e * slot.x)))} at {use_V:,.0f} V, by the law of voltage (exponent {e:.1f} as estimated)."
    )
    return [Note("run_in", text)]


def _moved_note(use_V: float, model: ModuleModel) -> Note:
    text = (
        f"The data are shown at the shots that they stand for at {use_V:,.0f} V (exponent {model.exponent(0):.1f} as estimated; "
        "failures found at an inspection in the middle of their interval)."
    )
    return Note("moved", text)


def curve_of(model: ModuleModel, seen: LifeRecords, confidence: float) -> Curve:
    """Survival with its bounds, from the first deaths to the last."""
    longest = float(seen.shots_good.max())
    high = model.life(0.95)
    high = max(high, longest) if np.isfinite(high) else longest
    low = model.life(0.005)
    shots = np.geomspace(max(low if np.isfinite(low) else 0.0, high * 1e-3), high, POINTS)
    rows = [
        (model.survival(s), model.lower(s, confidence), model.upper(s, confidence)) for s in shots
    ]
    return Curve(numbers(shots), *(numbers(v) for v in zip(*rows, strict=True)))
