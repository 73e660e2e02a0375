"""Derating where the records fit no stress model of their own: at one voltage, or with few failures.

The promise engine speaks alone, as it does for a module flown at another voltage: its exponent has a prior,
narrowed by whatever the records say, and its spread is inside the bound.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reliability.decisions.answer_notes import (
    apart_notes,
    burned_in_notes,
    early_notes,
    few_notes,
)
from reliability.decisions.derating_answer import CoefficientBound, DeratingAnswer
from reliability.decisions.derating_level import VOLTAGE, PromisedLevels
from reliability.decisions.derating_notes import bank_notes, failed_suspects_note, parts_note
from reliability.decisions.derating_points import best_total, points_of
from reliability.decisions.impulse import Impulse
from reliability.decisions.parts import seen_of
from reliability.decisions.slot_tests import AtLevel, help_along
from reliability.life.stress import OneLevel, usable
from reliability.notes import CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.slots.grid import EXPONENT_MEAN, EXPONENT_SD
from reliability.words import whole

if TYPE_CHECKING:
    from reliability.decisions.derating import Derate

NAN = float("nan")


def promise_answers(records: LifeRecords, q: Derate) -> bool:
    """Whether the promise engine speaks to the question: Weibull life along the charge voltage, which is recorded."""
    volts = records.covariates.get("charge_V")
    plain = q.family == "weibull" and q.bound == "calibrated" and not q.new_builder
    along_voltage = not q.stress or set(q.stress) == {"charge_V:power"}
    wanted = q.shots is not None and not q.use and not q.second_opinion
    return (
        plain and along_voltage and wanted and volts is not None and bool(np.isfinite(volts).any())
    )


def derate_promised(
    records: LifeRecords, q: Derate, impulse: Impulse | None, why: CannotAnswer
) -> DeratingAnswer:
    """The allowed voltage by the promise engine alone, at one tested voltage or several.

    Parameters
    ----------
    records : LifeRecords
        Those without a charge voltage are left out, and said.
    q : Derate
        With ``shots``.
    impulse : Impulse or None
    why : CannotAnswer
        Why there is no stress model; it is said.

    Raises
    ------
    CannotAnswer
        Where no record gives its charge voltage.
    """
    assert q.shots is not None
    shots = q.shots
    known, left_out = usable(records, [VOLTAGE])
    engine = PromisedLevels(known, q.seed, q.no_early_failures)
    model = engine.model
    points = points_of(q, known, "charge_V", engine.tested, impulse)
    survival = points.bank.record_survival(q.survival)
    course = engine.course(survival, q.confidence)
    highest = course.highest(shots)
    curve = points.curve(course, highest, shots, lambda v: engine.life(v, 1.0 - survival))
    allowed, told = points.solved(course, shots)
    exponent = CoefficientBound("charge_V", "power", *engine.exponent(q.confidence))
    notes = (
        *left_out,
        _prior_note(why, exponent),
        *few_notes([(model.slots[0].name, float(known.failures))]),
        *early_notes(model, survival),
        *burned_in_notes(model),
        *apart_notes(course.apart, course.apart),
        *told,
        *bank_notes(points.bank, q.survival),
        *failed_suspects_note(known),
        *parts_note(known, ()),
    )
    now = AtLevel(NAN, shots, survival, q.confidence)
    helps = help_along(course, highest, now, points.bank, records)
    shape = model.shape(0)
    return DeratingAnswer(
        q.family, whole(known.units), whole(known.failures), shape, 1.0 / shape, NAN, (exponent,), allowed, curve,
        shots, q.survival, q.confidence, q.bound, {}, "charge_V", engine.tested, best_total(curve),
        points.spark(allowed.level, q.inductance_nh, q.resistance_mohm), seen=seen_of(known, "charge_V"), more=helps.more,
        no_early_failures=q.no_early_failures, found=helps.found, notes=notes + helps.notes,
    )  # fmt: skip


def _prior_note(why: CannotAnswer, exponent: CoefficientBound) -> Note:
    """Why there is no stress model, and where the exponent comes from."""
    reason = f"All tests ran at {why.level:g} V." if isinstance(why, OneLevel) else str(why)
    return Note(
        "prior_stress",
        f"{reason} How life depends on the voltage comes from a prior of the exponent ({EXPONENT_MEAN:g}, sd "
        f"{EXPONENT_SD:g}: a choice, as of ceramic and pulse film capacitors), which the records make "
        f"{exponent.estimate:.1f} ({exponent.lower:.1f} to {exponent.upper:.1f}); its spread is in the bound. "
        "Failures at two voltages would tell.",
    )
