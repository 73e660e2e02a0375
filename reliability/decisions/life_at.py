"""Life of one slot's units at an operating point that its tests were not all run at: by the slot's model."""

from __future__ import annotations

from collections.abc import Mapping

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
from reliability.decisions.life_doubts import first_failure, first_failure_note
from reliability.decisions.life_helps import helped_by
from reliability.decisions.operating import point_of_one
from reliability.decisions.own_model import Asking, OfSlot, OwnModel
from reliability.decisions.parts import Curve, SurvivalBound, seen_of, steps_of
from reliability.decisions.question import Level, numbers
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.slots.carried import UNSEEN, Usable, usable
from reliability.slots.exposure import UNNAMED, voltages_differ
from reliability.slots.promise import ModuleModel
from reliability.words import counted, level_number, shots_text, so_many_shots, volts_text, whole

NAN = float("nan")
POINTS = 40


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


def carried_by(records: LifeRecords, point: Mapping[str, Level]) -> Usable:
    """The slot's records that carry the point. Raises NotCarried."""
    return usable(str(records.slot[0]) or UNNAMED, records, point)


def moved_life(of: OfSlot, point: dict[str, Level], q: Asking) -> LifeAnswer:
    """Life at a voltage that is not simply that of the tests: estimate, bounds and what would help by the slot's model.

    Failures of unknown mode where a mode is asked for, and with suspects in other slots, are summed over
    what they may have been (``slots/suspects``).

    Parameters
    ----------
    of : OfSlot
    point : dict
        What of the operating point the slot's records carry.
    q : Asking
    """
    if of.mixed:
        raise CannotAnswer(UNSEEN)
    own, found = of.own, of.used
    refuse_burned_in(own.whole)
    model = own.model
    c = q.confidence
    quantiles = tuple(
        QuantileBound(p, model.life(p), model.promise(1 - p, c), model.outside(1 - p, c))
        for p in q.fraction
    )
    survival = tuple(
        SurvivalBound(s, model.survival(s), model.lower(s, c), model.upper(s, c)) for s in q.at
    )
    shape, scale = model.shape(0), model.life(1 - np.exp(-1.0))
    seen = own.moved()
    known, unclear = own.failures()
    notes = [
        *carried_notes(found.carried),
        *left_out_notes([found]),
        *([_moved_note(found.use_V, model)] if np.isfinite(found.use_V) else []),
        *_run_in_notes(found.use_V, model),
        *_unclear_notes(own, q),
        *burned_in_notes(own.whole),
    ]
    notes += few_notes([(model.slots[0].name, model.slots[0].failures)])
    notes += early_notes(model, 1 - q.fraction[0]) + group_notes(model)
    first = None if model.slots[0].x.any() else first_failure(of.asked, c)
    notes += first_failure_note(first, c)
    answer = LifeAnswer(
        "weibull", whole(of.asked.units), whole(known), shape, scale, float(np.log(scale)), 1 / shape, NAN, c,
        "exact" if model.exact else "drawn", quantiles, survival, steps_of(seen, c), curve_of(model, seen, c), seen_of(seen), mode=q.mode,
        at=point, carried=found.carried, early=tuple(model.early_seen()), unclear=whole(unclear),
        first_failure=first, no_early_failures=q.burned_in, notes=tuple(notes),
    )  # fmt: skip
    return helped_by(answer, of)


def _unclear_notes(own: OwnModel, q: Asking) -> list[Note]:
    """What was shared out, and what not knowing costs the first of the bounds."""
    _, unclear = own.failures()
    if not unclear:
        return []
    p, name = q.fraction[0], q.mode or own.model.slots[0].name
    to_it = sum(own.shares().values())
    known = own.of(own.whole.as_if_known()).promise(1 - p, q.confidence)
    text = (
        f"{unclear} failure{'s' if unclear > 1 else ''} of unknown cause, as estimated {to_it:.1f} of them to {name}. "
        + what_unclear_costs(own.model.promise(1 - p, q.confidence), known)
    )
    return [Note("unknown_cause", text)]


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
    volts = ", ".join(level_number(v) for v in use_V * np.exp(slot.x[shots > 0]))
    text = (
        f"{counted(len(spent), 'unit')} ran at another voltage ({volts} V) before the last one: those {so_many_shots(shots.sum())} count as "
        f"{shots_text(float(shots @ np.exp(e * slot.x)))} at {volts_text(use_V)}, by the law of voltage (exponent {e:.1f} as estimated)."
    )
    return [Note("run_in", text)]


def _moved_note(use_V: float, model: ModuleModel) -> Note:
    text = (
        f"The data are shown at the shots that they stand for at {volts_text(use_V)} (exponent {model.exponent(0):.1f} as estimated; "
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
