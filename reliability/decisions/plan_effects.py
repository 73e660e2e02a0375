"""What a test plan would make of the promise and of the allowed voltage, if none of its units fails."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reliability.decisions.derating_level import PromisedLevels
from reliability.decisions.unit_life import UnitLife
from reliability.slots.promise import Lasted, ModuleModel

NAN = float("nan")


@dataclass(frozen=True)
class PlanEffect:
    """Shots that the slot alone is promised for, and the highest voltage at which the shots to be shown are.

    nan where that cannot be told: without records, without a voltage (the latter with burn-in too), or where the plan
    is so long that no draw of what the records leave open makes it likely.
    """

    promise: float = NAN
    highest_V: float = NAN


UNTOLD = PlanEffect()


@dataclass(frozen=True)
class Tested:
    """Units of a plan: (volts, shots) in turn on each, with ``begun`` shots on it before."""

    units: int
    steps: tuple[tuple[float, float], ...]
    begun: float

    def lasted(self, use_V: float) -> Lasted:
        """The same at logs of voltages over one; all at that one where it is nan."""
        known = np.isfinite(use_V)
        steps = tuple((s, float(np.log(v / use_V)) if known else 0.0) for v, s in self.steps)
        return Lasted(self.units, steps, self.begun)


@dataclass(frozen=True)
class ToShow:
    """Shots, survival and confidence that a plan is to show."""

    shots: float
    survival: float
    confidence: float


class Effects:
    """Effects of plans on what one slot's records promise, all from the same draws.

    The voltage is that of ``derate``: from its own draws, in which life is taken to depend on the voltage.

    Parameters
    ----------
    life : UnitLife
    wanted : ToShow
    seed : int
    """

    def __init__(self, life: UnitLife, wanted: ToShow, seed: int) -> None:
        self.life, self.wanted = life, wanted
        self.model = ModuleModel([life.data], seed=seed)
        known = np.isfinite(life.used.use_V)
        self.along = PromisedLevels(life.used.records, seed) if known else None

    @cached_property
    def now(self) -> PlanEffect:
        """Before any test."""
        return PlanEffect(self._promise(self.model), self._highest(()))

    def after(self, plan: Tested) -> PlanEffect:
        """With the units of a plan good to their ends."""
        then = self.model.after_good({0: plan.lasted(self.life.used.use_V)})
        return PlanEffect(self._promise(then), self._highest((plan,))) if then.tells else UNTOLD

    def _promise(self, model: ModuleModel) -> float:
        return model.promise(self.wanted.survival, self.wanted.confidence)

    def _highest(self, plans: Sequence[Tested]) -> float:
        w, along = self.wanted, self.along
        if along is None or any(p.begun for p in plans):
            return NAN
        model = along.model
        for plan in plans:
            model = model.after_good({0: plan.lasted(along.tested[0])})
        return along.highest(model, w.shots, w.survival, w.confidence) if model.tells else NAN
