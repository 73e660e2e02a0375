"""What would help most along the voltage: tests of one slot, and what each would make of promise and voltage."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reliability.decisions.bank import Bank
from reliability.decisions.bench import Bench
from reliability.decisions.derating_level import Course, PromisedLevels
from reliability.decisions.found_out import Case, FoundOut, findings
from reliability.decisions.more_tests import (
    FEW_UNITS,
    GAIN,
    LEAST_CHANCE,
    MORE_UNITS,
    Wanted,
    best_first,
    likely_lengths,
    untried_lengths,
)
from reliability.notes import Note
from reliability.records import LifeRecords
from reliability.slots.promise import Lasted, ModuleModel
from reliability.words import bench_text, percent_text, shots_text, so_many_shots, volts_text

NAN = float("nan")


@dataclass(frozen=True)
class SlotTest:
    """What a test of new units without failure would change; the bench takes one after the other.

    Attributes
    ----------
    units : int
    charge_V : float
        Of the test, as the records have it.
    shots : float
        On each unit.
    days : float
        On the bench, in all, at the usual pace.
    survives_it : float
        Chance that nothing fails in it, over what the records leave open.
    promise : float
        Afterwards, at the voltage of the answer.
    highest_V : float
        Afterwards, the highest voltage of a unit at which the shots needed are promised.
    gain_a_day : float
        Shots that the promise gains, times the chance that nothing fails, a bench day.
    """

    units: int
    charge_V: float
    shots: float
    days: float
    survives_it: float
    promise: float
    highest_V: float
    gain_a_day: float

    @property
    def what(self) -> str:
        """The test in words."""
        return f"{self.units} units at {volts_text(self.charge_V)}"


@dataclass(frozen=True)
class AtLevel:
    """The answer that is to be bettered.

    Attributes
    ----------
    level : float
        Voltage of a unit.
    needed : float
        Shots.
    survival, confidence : float
        Of a unit.
    """

    level: float
    needed: float
    survival: float
    confidence: float


def slot_tests(engine: PromisedLevels, now: AtLevel) -> tuple[SlotTest, ...]:
    """Tests that lengthen the promise at a voltage if nothing fails in them, most shots gained a bench day first."""
    low = engine.tested[0]
    at = float(np.log(now.level / low))
    promised = engine.model.flown_at(at).promise(now.survival, now.confidence)
    found = []
    for test in _offers(engine, now):
        x = float(np.log(test.charge_V / low))
        after = engine.model.after_good({0: Lasted(test.units, ((test.shots, x),))})
        if not after.tells:
            continue
        then = after.flown_at(at).promise(now.survival, now.confidence)
        if then - promised > GAIN * promised:
            gain = (then - promised) * test.survives_it / test.days
            highest = engine.highest(after, now.needed, now.survival, now.confidence)
            found.append(replace(test, promise=then, highest_V=highest, gain_a_day=gain))
    return best_first(found)


def _offers(engine: PromisedLevels, now: AtLevel) -> Iterator[SlotTest]:
    """At the voltage of the answer and at both ends of the tests, as long as such units are likely to last."""
    low, high = engine.tested
    for volts in sorted({now.level, low, high}):
        x = float(np.log(volts / low))
        model = engine.model.flown_at(x)
        for n in (FEW_UNITS, MORE_UNITS):
            for length in likely_lengths(model, n) or untried_lengths(model.slots, now.needed):
                lasts = engine.model.all_last({0: Lasted(n, ((length, x),))})
                if lasts >= LEAST_CHANCE:
                    yield SlotTest(n, volts, length, Bench().days(n, length), lasts, NAN, NAN, NAN)


@dataclass(frozen=True)
class Helped:
    """What would raise the level a course allows: tests, things to find out without the bench, a note of the best test."""

    more: tuple[SlotTest, ...] = ()
    found: tuple[FoundOut, ...] = ()
    notes: tuple[Note, ...] = ()


def help_along(
    course: Course, highest: float, now: AtLevel, bank: Bank, records: LifeRecords
) -> Helped:
    """What would raise the level a course allows.

    Parameters
    ----------
    course : Course
    highest : float
        Allowed now, of a unit: nan where none is (then the promise is looked at where tests were lowest), inf
        where all looked at are.
    now : AtLevel
        Its level is not used.
    bank : Bank
        Whose voltages are told.
    records : LifeRecords
        Those asked for, with and without a voltage.

    Nothing where the stress model speaks instead of the promise engine.
    """
    if course.engine is None or np.isinf(highest):
        return Helped()
    level = highest if np.isfinite(highest) else course.engine.tested[0]
    at = replace(now, level=level)
    told = tuple(
        replace(t, highest_V=bank.charge_voltage(t.highest_V))
        for t in slot_tests(course.engine, at)
    )
    place = f"at {volts_text(bank.charge_voltage(level))}"
    return Helped(told, slot_finds(course.engine, at, records), helps_note(told, now.needed, place))


def slot_finds(
    engine: PromisedLevels, now: AtLevel, records: LifeRecords | None = None
) -> tuple[FoundOut, ...]:
    """What would lengthen the promise at a voltage without the bench; of ``records``, voltages that they lack."""

    def at(of: PromisedLevels) -> ModuleModel:
        return of.model.flown_at(float(np.log(now.level / of.tested[0])))

    model = at(engine)
    promised = model.promise(now.survival, now.confidence)
    wanted = Wanted(promised, now.survival, now.confidence)
    again = None if records is None else lambda r: at(engine.again(r))
    return findings(Case(model, wanted, promised, records, again, columns=("charge_V",)))


def helps_note(tests: Sequence[SlotTest], needed: float, place: str) -> tuple[Note, ...]:
    """The test that helps most, in words; ``place`` says where the promise holds, ``needed`` the shots needed."""
    if not tests:
        return ()
    t = tests[0]
    text = (
        f"What would help most: {t.what} for {so_many_shots(t.shots)} each ({bench_text(t.days)}; nothing fails with "
        f"probability {percent_text(t.survives_it)}) make the promise {place} {so_many_shots(t.promise)}"
    )
    if np.isfinite(t.highest_V):
        text += f", and allow {volts_text(t.highest_V)} for {shots_text(needed)}"
    return (Note("would_help", f"{text}."),)
