"""Two beside each other: the answer, and the words for it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from reliability.decisions.compare_helps import Separation
from reliability.decisions.found_out import FoundOut
from reliability.decisions.parts import Curve, Step
from reliability.decisions.question import TAIL, Answer, Count, Level
from reliability.slots.carried import Carried
from reliability.words import capital, percent_text, shots_text, so_many_shots, volts_text

By = Literal["part", "builder", "lot", "fuel", "revision", "module", "voltage", "pool"]
EVERYTHING = "all"
"""the name of the pool of all records"""


@dataclass(frozen=True)
class Side:
    """One of the two.

    Attributes
    ----------
    name : str
    n, failed : number
    shots, lower : float
        Life that 1 - fraction reach at the operating point, and its lower bound, as the question of life has them.
    empirical : tuple of Step
        Its survival without a family: where its tests were at several voltages, each unit at the shots that its own
        stand for at the operating point (by voltage: at this one's); else as tested.
    curve : Curve
        Survival by the model of its life.
    """

    name: str
    n: Count
    failed: Count
    shots: float
    lower: float
    empirical: tuple[Step, ...]
    curve: Curve = field(default_factory=Curve)


@dataclass(frozen=True)
class LifeRatio:
    """Life of the one that lives longer as estimated over that of the other, with one-sided bounds."""

    longer: str
    other: str
    estimate: float
    lower: float
    upper: float

    @property
    def name(self) -> str:
        """Of what, in words."""
        return f"{self.longer} over {self.other}"


@dataclass(frozen=True)
class CompareAnswer(Answer):
    """Two on the same footing.

    Attributes
    ----------
    by, family : str
    fraction, confidence : float
    ratio, lower, upper : float
        Life of the first over that of the second, with one-sided bounds; nan where it cannot be told.
    sure : float
        Confidence, simulated, that the one that lives longer as estimated does so: 1 less the chance of a
        difference as large if there were none; by voltage the share of the model's draws in which it does.
    first, second : Side
    at : dict
        Operating point at which both are shown; empty where none is adjusted for.
    moved : bool
        Whether the curves without a family are of the voltage said; by voltage each of its own.
    more : Separation or None
        Failures still wanted, where the two are not shown to differ.
    slot : str
    of : tuple of str
        What the ratio is of, by pool: units that are in one of the two only. Else empty: the two.
    carried : tuple of Carried
        By voltage, what of the first and of the second the records carry.
    found : tuple of FoundOut
        What would lengthen either promise without the bench.

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Compare(slot=("main_capacitor",), first="film-a", second="ceramic-b"), rl.demo())
    >>> a.lower < a.ratio < a.upper
    True
    """

    by: str
    family: str
    fraction: float
    confidence: float
    ratio: float
    lower: float
    upper: float
    sure: float
    first: Side
    second: Side
    at: dict[str, Level]
    moved: bool = False
    more: Separation | None = None
    slot: str = ""
    of: tuple[str, ...] = ()
    carried: tuple[Carried, ...] = ()
    found: tuple[FoundOut, ...] = ()

    @property
    def told(self) -> bool:
        """Whether the records tell the ratio."""
        return bool(np.isfinite(self.ratio))

    @property
    def ordered(self) -> LifeRatio:
        """The ratio as it is said and drawn: of the longer life over the other."""
        a, b = self.of or (self.first.name, self.second.name)
        if self.ratio < 1.0:
            return LifeRatio(b, a, 1 / self.ratio, 1 / self.upper, 1 / self.lower)
        return LifeRatio(a, b, self.ratio, self.lower, self.upper)

    @property
    def shown(self) -> bool:
        """Whether the two are shown to differ at the confidence."""
        return self.lower > 1.0 or self.upper < 1.0

    @property
    def sure_text(self) -> str:
        """``sure`` for people: a share of simulations is never certainty."""
        return percent_text(min(self.sure, 1 - TAIL))

    @property
    def answered(self) -> bool:
        """Whether the ratio is told; else only the two promises are."""
        return self.told

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        if self.by == "voltage":
            return f"{self._of_voltages()} {self._promised_at()}".strip()
        if self.by == "pool":
            return f"{self._promised_on()} {self._of_units()}".strip()
        return f"{self._of_units()} {self._promised()}".strip()

    @property
    def _share(self) -> str:
        return percent_text(1 - self.fraction)

    @property
    def _place(self) -> str:
        return f" at {volts_text(float(self.at['charge_V']))}" if "charge_V" in self.at else ""

    def _of_units(self) -> str:
        """How far the lives of the two differ."""
        if not self.told:
            return ""
        r = self.ordered
        longer = r.longer if r.longer in (self.first.name, self.second.name) else capital(r.longer)
        if self.shown:
            return (
                f"{longer} lives {r.estimate:.2f} times as long as {r.other}, at least {r.lower:.2f} at "
                f"{percent_text(self.confidence)} confidence."
            )
        return (
            f"{longer} and {r.other} are not shown to differ, nor to be alike: {r.longer} lives {r.estimate:.2f} times as "
            f"long as estimated, {self._range()}."
        )

    def _range(self) -> str:
        r = self.ordered
        return (
            f"from {r.lower:.2f} to {r.upper:.2f} is possible, and that it is the better one is "
            f"{self.sure_text} sure"
        )

    @property
    def longer_promise(self) -> str:
        """Name of the one with the longer promise; empty where the two are the same as people read them."""
        a, b = self.first, self.second
        if shots_text(a.lower) == shots_text(b.lower):
            return ""
        return a.name if a.lower > b.lower else b.name

    @property
    def divided(self) -> bool:
        """Whether of two labels one lives longer as estimated, and the other has the longer promise."""
        return self.told and self.longer_promise not in ("", self.ordered.longer)

    def _promised(self) -> str:
        """Which of two has the longer promise."""
        text = (
            f"{self._share} of {self.first.name} last at least {so_many_shots(self.first.lower)}{self._place}, of "
            f"{self.second.name} {shots_text(self.second.lower)}"
        )
        if not self.longer_promise:
            return f"{text}: neither promise is the longer one."
        return f"{text}: {'yet ' if self.divided else ''}the longer promise is {self.longer_promise}'s."

    def _promised_on(self) -> str:
        """What is promised on each of two pools."""
        text = (
            f"On {_records(self.first.name)}, {self._share} last at least {so_many_shots(self.first.lower)}{self._place}; "
            f"on {_records(self.second.name)}, {shots_text(self.second.lower)}"
        )
        low, high = sorted((self.first, self.second), key=lambda s: s.lower)
        if not 0 < low.lower < high.lower:
            return f"{text}."
        return f"{text}: {high.lower / low.lower:.2f} times as many on {_records(high.name)}."

    def _of_voltages(self) -> str:
        """How far life differs between two voltages."""
        if not self.told:
            return ""
        r, name = self.ordered, self.slot.replace("_", " ")
        if self.shown:
            return (
                f"At {r.longer} a {name} lives {r.estimate:.2f} times as long as at {r.other}, at least {r.lower:.2f} at "
                f"{percent_text(self.confidence)} confidence."
            )
        return (
            f"Life of a {name} is not shown to differ between {r.longer} and {r.other}, nor to be alike: at {r.longer} it is "
            f"{r.estimate:.2f} times as long as estimated, {self._range()}."
        )

    def _promised_at(self) -> str:
        a, b = self.first, self.second
        return f"{self._share} last at least {so_many_shots(a.lower)} at {a.name}, {shots_text(b.lower)} at {b.name}."


def _records(pool: str) -> str:
    """A pool in words."""
    return "all records" if pool == EVERYTHING else f"the records of {pool}"
