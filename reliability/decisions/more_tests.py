"""What would help most: tests of a module, or of one of its slots, and what each would make of the promise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reliability.decisions.bench import SECONDS_A_DAY
from reliability.notes import Note
from reliability.slots.promise import Lasted, ModuleModel
from reliability.words import percent_text, shots_text

LEAST_CHANCE = 0.2
"""tests that are survived less surely than this are not offered (a choice)"""
STEPS = (0.1, 0.5)
"""chance to fail within the tests that are offered (choices)"""
MORE_UNITS = 5
"""units of one slot that are offered as a test"""
GAIN = 1e-3
"""least share by which a test that is offered lengthens the promise: below is the solution's own error"""


@dataclass(frozen=True)
class MoreTest:
    """What a test without failure would change; bench days at the rate, units one after the other.

    Attributes
    ----------
    what : str
    shots : float
        On each unit.
    days : float
        On the bench, in all.
    survives_it : float
        Chance, as estimated, that nothing fails in it.
    survival, lower : float
        Of the mission, afterwards.
    promise : float
        Afterwards.
    gain_a_day : float
        Shots that the promise gains, times the chance that nothing fails, a bench day.
    """

    what: str
    shots: float
    days: float
    survives_it: float
    survival: float
    lower: float
    promise: float
    gain_a_day: float


@dataclass(frozen=True)
class Wanted:
    """What is promised: a mission, the survival and confidence of the promise, and the bench's pace."""

    shots: float
    survival: float
    confidence: float
    rate_hz: float


def more_tests(
    model: ModuleModel, wanted: Wanted, promised: float, burn_in: bool
) -> tuple[MoreTest, ...]:
    """Tests that lengthen a promise if nothing fails in them, most shots gained a bench day first.

    Parameters
    ----------
    model : ModuleModel
    wanted : Wanted
    promised : float
        Now.
    burn_in : bool
        Whether what is promised is there to be tested itself.

    What a test would tell is looked at in the draws that the promise rests on: each counts by how likely
    it makes a test without failure.
    """
    new = model.new()
    every = range(len(model.slots))
    worst = int(np.argmax(model.held_down_by(promised, wanted.confidence)))
    slot = f"{MORE_UNITS} more of {model.slots[worst].name.replace('_', ' ')}"
    offers = []
    for length in _lengths(model, wanted.shots) if burn_in else ():
        offers.append(
            ("more burn-in", (length, length), model.survival(length), model.aged(length))
        )
    for length in _lengths(new, wanted.shots):
        whole = model.after_good(dict.fromkeys(every, Lasted(1, ((length, 0.0),))))
        offers.append(("a sister module", (length, length), new.survival(length), whole))
        lasts = float(np.exp(-MORE_UNITS * new.hazard(worst, length) / model.slots[worst].copies))
        then = model.after_good({worst: Lasted(MORE_UNITS, ((length, 0.0),))})
        offers.append((slot, (length, MORE_UNITS * length), lasts, then))
    tests = (_test(what, shots, lasts, (then, wanted)) for what, shots, lasts, then in offers)
    kept = []
    for t in tests:
        gain = t.promise - promised
        if t.survives_it >= LEAST_CHANCE and gain > GAIN * promised:
            kept.append(replace(t, gain_a_day=gain * t.survives_it / t.days))
    return tuple(sorted(kept, key=lambda t: -t.gain_a_day))


def more_note(tests: Sequence[MoreTest]) -> tuple[Note, ...]:
    """The test that helps most, in words."""
    if not tests:
        return ()
    t = tests[0]
    text = (
        f"What would help most: {t.what} for {shots_text(t.shots)} shots ({t.days:.2g} bench days; nothing fails with "
        f"probability {percent_text(t.survives_it)}) would make the bound {shots_text(t.promise)} shots."
    )
    return (Note("would_help", text),)


def _lengths(model: ModuleModel, shots: float) -> list[float]:
    """Lengths of test at this life; of the mission where nothing failed."""
    found = [model.life(share) for share in STEPS]
    return [s for s in found if np.isfinite(s) and s > 0] or [shots / 2, shots]


def _test(
    what: str, shots: tuple[float, float], lasts: float, after: tuple[ModuleModel, Wanted]
) -> MoreTest:
    """One test; ``shots`` each and in all."""
    then, w = after
    days = shots[1] / w.rate_hz / SECONDS_A_DAY
    return MoreTest(
        what, shots[0], days, lasts, then.survival(w.shots), then.lower(w.shots, w.confidence),
        then.promise(w.survival, w.confidence), 0.0,
    )  # fmt: skip
