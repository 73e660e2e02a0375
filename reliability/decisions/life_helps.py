"""What would help most on the life of units: more of them on test, and what that would make of the bound."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reliability.decisions.found_out import Case, FoundOut, findings
from reliability.decisions.life_answer import LifeAnswer
from reliability.decisions.more_tests import (
    FEW_UNITS,
    MORE_UNITS,
    WIDE,
    MoreTest,
    Wanted,
    more_note,
    tests_of_slots,
)
from reliability.decisions.own_model import OfSlot
from reliability.slots.promise import ModuleModel

NAN = float("nan")


@dataclass(frozen=True)
class Bounded:
    """A bound that may be wide: the share failed, the life as estimated (nan: none), the bound and its confidence."""

    fraction: float
    shots: float
    lower: float
    confidence: float

    @property
    def wide(self) -> bool:
        """Whether the bound is well below the estimate, or there is none."""
        return self.lower > 0 and not self.shots < WIDE * self.lower


def helped_by(answer: LifeAnswer, of: OfSlot) -> LifeAnswer:
    """The answer with the tests that would lengthen the first of its bounds most, where that is wide.

    The slot's own model foretells by how much; where the bound is another one it is taken to be lengthened by the same
    factor.
    """
    if not answer.quantiles or of.mixed:
        return answer
    b = _first(answer)
    if not b.wide:
        return answer
    own = of.own
    more, found = slot_help(own.model, b), slot_finds(own.model, own.whole, b)
    return replace(answer, more=more, found=found, notes=answer.notes + more_note(more))


def _first(answer: LifeAnswer) -> Bounded:
    q = answer.quantiles[0]
    return Bounded(q.fraction, q.shots, q.lower, answer.confidence)


def slot_help(model: ModuleModel, b: Bounded) -> tuple[MoreTest, ...]:
    """Tests that would lengthen a bound of one slot."""
    wanted, by = _promised(model, b)
    if not np.isfinite(by):
        return ()
    found = tests_of_slots(model, wanted, wanted.shots, (FEW_UNITS, MORE_UNITS))
    return tuple(replace(t, promise=t.promise * by, gain_a_day=t.gain_a_day * by) for t in found)


def slot_finds(model: ModuleModel, whole: ModuleModel, b: Bounded) -> tuple[FoundOut, ...]:
    """What would lengthen a bound of one slot without the bench."""
    wanted, by = _promised(model, b)
    if not np.isfinite(by):
        return ()
    found = findings(Case(model, wanted, wanted.shots, whole=whole))
    return tuple(replace(f, promise=f.promise * by, gain=f.gain * by) for f in found)


def _promised(model: ModuleModel, b: Bounded) -> tuple[Wanted, float]:
    """The promise by the model, and how often it goes into the bound: nan where there is none."""
    promised = model.promise(1 - b.fraction, b.confidence)
    wanted = Wanted(promised, 1 - b.fraction, b.confidence)
    return wanted, b.lower / promised if promised > 0 and np.isfinite(promised) else NAN
