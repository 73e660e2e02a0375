"""What would help most on the life of units: more of them on test, and what that would make of the bound."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

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
    more = slot_help(of.own.model, b) if b.wide else ()
    return replace(answer, more=more, notes=answer.notes + more_note(more))


def _first(answer: LifeAnswer) -> Bounded:
    q = answer.quantiles[0]
    return Bounded(q.fraction, q.shots, q.lower, answer.confidence)


def slot_help(model: ModuleModel, b: Bounded) -> tuple[MoreTest, ...]:
    """Tests that would lengthen a bound of one slot."""
    promised = model.promise(1 - b.fraction, b.confidence)
    wanted = Wanted(promised, 1 - b.fraction, b.confidence)
    found = tests_of_slots(model, wanted, promised, (FEW_UNITS, MORE_UNITS))
    by = b.lower / promised if promised > 0 and np.isfinite(promised) else NAN
    return tuple(
        replace(t, promise=t.promise * by, gain_a_day=t.gain_a_day * by)
        for t in found
        if np.isfinite(by)
    )
