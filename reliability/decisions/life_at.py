"""Life of one slot's units at an operating point that its tests were not all run at: by the slot's model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from reliability.decisions.answer_notes import (
    carried_notes,
    early_notes,
    few_notes,
    group_notes,
    left_out_notes,
)
from reliability.decisions.life_answer import LifeAnswer, QuantileBound
from reliability.decisions.operating import commonest, slot_point
from reliability.decisions.parts import Curve, SurvivalBound, moved_units, seen_of, steps_of
from reliability.decisions.question import Level, numbers
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.slots.carried import Usable, usable
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.promise import ModuleModel
from reliability.words import whole

NAN = float("nan")
POINTS = 40
SAME = 0.01
"""voltages that differ by less than this share are one"""


@dataclass(frozen=True)
class Asking:
    """What is asked of the slot: shares failed, counts, confidence, mode in words, seed."""

    fraction: tuple[float, ...]
    at: tuple[float, ...]
    confidence: float
    mode: str
    seed: int


def point_of(records: LifeRecords, said: Mapping[str, Level], as_tested: bool) -> dict[str, Level]:
    """The operating point that is asked for; empty where records have one, or are mixed as tested.

    What is not said is taken as the commonest, where voltage or part differ.

    Raises
    ------
    BadInput
        If a point is asked for of several slots.
    """
    slots = sorted(set(records.slot.tolist()))
    if said and len(slots) > 1:
        raise BadInput(f"use goes with one slot; choose one of {', '.join(slots)}")
    if as_tested or len(slots) != 1:
        return {}
    volts = records.covariates.get("charge_V", np.full(len(records), NAN))
    known = volts[np.isfinite(volts)]
    differ = known.size and known.max() > known.min() * (1 + SAME)
    if not (said or differ or len(set(records.part.tolist()) - {""}) > 1):
        return {}
    return slot_point(records, {**commonest(records), **said})


def carried_by(records: LifeRecords, point: Mapping[str, Level]) -> Usable:
    """The slot's records that carry the point. Raises NotCarried."""
    return usable(str(records.slot[0]), records, point)


def moved_life(
    records: LifeRecords, found: Usable, point: dict[str, Level], q: Asking
) -> LifeAnswer:
    """Life at a voltage that is not simply that of the tests: estimate and bounds by the slot's model.

    Parameters
    ----------
    records : LifeRecords
        Of the slot (and, where a mode is asked for, failures of others as censored).
    found : Usable
        What of the point the slot's records carry.
    """
    data = slot_data(str(records.slot[0]), records, Asked(found.use_V))
    if not data.units.end.size:
        raise CannotAnswer(
            "No unit was seen working beyond its start; add records of longer tests."
        )
    model = ModuleModel([data], seed=q.seed)
    c = q.confidence
    quantiles = tuple(
        QuantileBound(p, model.life(p), model.promise(1 - p, c), model.outside(1 - p, c))
        for p in q.fraction
    )
    survival = tuple(
        SurvivalBound(s, model.survival(s), model.lower(s, c), model.upper(s, c)) for s in q.at
    )
    shape, scale = model.shape(0), model.life(1 - np.exp(-1.0))
    seen = moved_units(data, model.exponent(0))
    notes = [
        *carried_notes(found.carried),
        *left_out_notes([found]),
        _moved_note(found.use_V, model),
    ]
    notes += few_notes([(data.name, data.failures)]) + early_notes(model, 1 - q.fraction[0])
    notes += group_notes(model)
    return LifeAnswer(
        "weibull", whole(records.units), whole(records.failures), shape, scale, float(np.log(scale)), 1 / shape, NAN, c,
        "exact" if model.exact else "drawn", quantiles, survival, steps_of(seen, c), _curve(model, seen, c), seen_of(seen), mode=q.mode,
        at=point, carried=found.carried, early=tuple(model.early_seen()), notes=tuple(notes),
    )  # fmt: skip


def _moved_note(use_V: float, model: ModuleModel) -> Note:
    text = (
        f"The data are shown at the shots that they stand for at {use_V:,.0f} V (exponent {model.exponent(0):.1f} as estimated; "
        "failures found at an inspection in the middle of their interval)."
    )
    return Note("moved", text)


def _curve(model: ModuleModel, seen: LifeRecords, confidence: float) -> Curve:
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
