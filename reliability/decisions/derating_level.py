"""The lower bound on life along a stress, and the highest level at which it still meets the mission.

One computation: the bound is worked out at fixed levels that the records set, made to fall with the stress,
and both the curve and the allowed level are read off it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from reliability.decisions.answer_notes import refuse_burned_in
from reliability.life.stress import StressFit, Term, usable
from reliability.life.stress_bounds import Stress, StressBounder
from reliability.records import LifeRecords
from reliability.slots.carried import FARTHEST, refuse_unseen
from reliability.slots.exposure import UNNAMED, Asked, slot_data
from reliability.slots.promise import ModuleModel

Array = NDArray[np.float64]
NAN = float("nan")
LEVELS = 41
VOLTAGE = Term("charge_V", "power")
KNOTS = 4
"""levels at which a stress model's cut is calibrated; between them it is interpolated"""


@dataclass(frozen=True)
class Asking:
    """What a bound along a stress is asked for: of the share ``survival``, at ``confidence``."""

    column: str
    fixed: Stress
    survival: float
    confidence: float
    method: str
    seed: int
    burned_in: bool = False


@dataclass(frozen=True)
class Course:
    """Lower bound on life (shots) at rising levels of a stress, falling.

    ``model`` says by which model; ``apart`` names the slot if how far builders and lots differ is in it;
    ``engine`` is the promise engine, where it is its bound.
    """

    levels: Array
    lower: Array
    model: str
    apart: tuple[str, ...] = ()
    engine: PromisedLevels | None = None

    def at(self, levels: Array) -> Array:
        """The bound between the levels looked at, all above 0: logs joined by straight lines; nan beyond them."""
        x, logs = np.log(self.levels), np.log(np.maximum(self.lower, 1e-300))
        return np.asarray(np.exp(np.interp(np.log(levels), x, logs, NAN, NAN)))

    def highest(self, shots: float) -> float:
        """Highest level at which the bound is ``shots`` or more: nan where none is, inf where all are.

        Between levels the logs are joined by straight lines (levels themselves where they are not above 0).
        """
        if not self.lower[0] >= shots:
            return float("nan")
        if self.lower[-1] >= shots:
            return float("inf")
        k = int(np.flatnonzero(self.lower >= shots)[-1])
        a, b = np.log(self.lower[k]), np.log(max(self.lower[k + 1], 1e-300))
        t = (a - np.log(shots)) / (a - b)
        low, high = self.levels[k], self.levels[k + 1]
        return float(low * (high / low) ** t if low > 0 else low + t * (high - low))


class PromisedLevels:
    """The promise engine's bounds along the voltage on one set of records, from one sample of draws.

    Parameters
    ----------
    records : LifeRecords
        Of one slot and part, each with its charge voltage.
    seed : int
    burned_in : bool
        Whether it is declared that no hazard falls with shots.

    Attributes
    ----------
    tested : (float, float)
        Lowest and highest voltage of the records.
    levels : array
        Voltages looked at: as far below and above the tests as the law is trusted.
    model : ModuleModel
        Of a new unit at the lowest voltage tested.

    Raises
    ------
    CannotAnswer
        Where no unit was seen working, or burned in is declared of units that show early failures.
    """

    def __init__(self, records: LifeRecords, seed: int = 1, burned_in: bool = False) -> None:
        self.seed, self.burned_in = seed, burned_in
        volts = records.covariates["charge_V"]
        self.tested = low, high = float(volts.min()), float(volts.max())
        self.levels = np.geomspace(low / FARTHEST, high * FARTHEST, LEVELS)
        refuse_unseen(records)
        data = slot_data(str(records.slot[0]) or UNNAMED, records, Asked(low))
        lawful = replace(data, law=True, doubt=0.0)
        self.model = ModuleModel([lawful], seed=seed, burned_in=burned_in)
        refuse_burned_in(self.model)
        self._courses: dict[tuple[float, float], Course] = {}

    def again(self, records: LifeRecords) -> PromisedLevels:
        """The same of other records. Raises as it does itself, and CannotAnswer where none has a voltage."""
        return PromisedLevels(usable(records, [VOLTAGE])[0], self.seed, self.burned_in)

    def course(self, survival: float, confidence: float) -> Course:
        """The bound on the life that the share ``survival`` reaches, at the confidence."""
        asked = (survival, confidence)
        if asked not in self._courses:
            x = np.log(self.levels / self.tested[0])
            lower = self.model.along(x, survival, confidence)
            apart = tuple(self.model.grouped())
            self._courses[asked] = Course(self.levels, lower, "promise", apart, self)
        return self._courses[asked]

    def highest(
        self, model: ModuleModel, shots: float, survival: float, confidence: float
    ) -> float:
        """Highest voltage looked at, at which ``model`` (this one, or it after a test) promises so many shots; nan
        where none is."""

        def spare(x: float) -> float:
            return model.flown_at(x).lower(shots, confidence) - survival

        low, high = (float(np.log(v / self.tested[0])) for v in self.levels[[0, -1]])
        if spare(low) < 0:
            return NAN
        x = high if spare(high) > 0 else float(brentq(spare, low, high, xtol=1e-4))
        return float(self.tested[0] * np.exp(x))

    def life(self, level: float, fraction: float) -> float:
        """Estimated shots by which a fraction has failed at a voltage; nan where nothing failed."""
        return self.model.flown_at(float(np.log(level / self.tested[0]))).life(fraction)

    def exponent(self, confidence: float) -> tuple[float, float, float]:
        """The exponent of the voltage: estimate and one-sided bounds."""
        return self.model.exponent(0), *self.model.exponent_bounds(0, confidence)


def course(fit: StressFit, bounder: StressBounder, asking: Asking) -> Course:
    """The bound along the stress: the promise engine's where it knows the stress, else the stress model's."""
    low, high = fit.tested(asking.column)
    if by_promise(fit, asking):
        engine = PromisedLevels(fit.records, asking.seed, asking.burned_in)
        return engine.course(asking.survival, asking.confidence)
    levels = _levels(low, high, asking.column)
    fraction = 1.0 - asking.survival
    knots = np.linspace(levels[0], levels[-1], KNOTS)
    cuts = [bounder.cut_for(asking.column, float(v), fraction, asking.fixed) for v in knots]
    # a cut that rises with the stress: the bound falls with it
    at = np.interp(levels, knots, np.maximum.accumulate(cuts))
    lower = bounder.lower_along(asking.column, levels, fraction, asking.fixed, at)
    return Course(levels, _falling(lower, levels, low), "stress model")


def by_promise(fit: StressFit, asking: Asking) -> bool:
    """Whether the promise engine's model is the one asked for: Weibull life, a power of the voltage alone."""
    return (
        fit.family.name == "weibull"
        and asking.method == "calibrated"
        and [t.name for t in fit.terms] == ["charge_V:power"]
    )


def _levels(low: float, high: float, column: str) -> Array:
    """Where a stress model's bound is looked at: well beyond the tests, to both sides."""
    if low > 0 and column != "temp_C":
        return np.geomspace(low / 2.0, high * 1.5, LEVELS)
    width = max(high - low, 1.0)
    start = max(low - 2 * width, -270.0) if column == "temp_C" else low - 2 * width
    return np.linspace(start, high + width, LEVELS)


def _falling(lower: Array, levels: Array, tested: float) -> Array:
    """The bound made to fall with the stress, on the safe side: within and above the tests each level has the
    least of those below it; below them a bound that drops again stops the promise there."""
    out = lower.copy()
    inside = levels >= tested
    out[inside] = np.minimum.accumulate(lower[inside])
    # life is at least what it is promised at a higher stress
    return np.asarray(np.maximum.accumulate(out[::-1])[::-1])
