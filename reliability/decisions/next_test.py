"""Which test is worth running next: of all slots, the one that lengthens the module's promise most a bench day."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import model_validator

from reliability.decisions.bench import Limited, bench_and_money, few_shots_notes
from reliability.decisions.module import Module, ModuleAtPoint
from reliability.decisions.more_tests import GAIN, MoreTest, Wanted, tests_of_slots
from reliability.decisions.operating import in_words
from reliability.decisions.question import (
    OF_A_POINT,
    Answer,
    Level,
    OnRecords,
    confidence_setting,
    levels,
    setting,
)
from reliability.notes import CannotAnswer, Note
from reliability.pool import Pool
from reliability.words import percent_text, shots_text, so_many_shots

COUNTS = (2, 5, 10, 20)
"""units of a test that are looked at (choices)"""


@dataclass(frozen=True)
class NextTestAnswer(Answer):
    """Tests of new units without failure, most shots gained a bench day first.

    Attributes
    ----------
    at : dict
        The operating point, at which the units are tested too.
    survival, confidence : float
        Of the promise.
    promise_now : float
        Shots that a new module is promised.
    limits : str
        In words; "" without any.
    tests : tuple of MoreTest

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.NextTest(use=("charge_V=1400",)), rl.demo())
    >>> a.tests[0].promise > a.promise_now
    True
    """

    at: dict[str, Level]
    survival: float
    confidence: float
    promise_now: float
    limits: str
    tests: tuple[MoreTest, ...]

    @property
    def best(self) -> MoreTest:
        """The test recommended."""
        return self.tests[0]

    @property
    def longest(self) -> MoreTest:
        """The test after which the promise would be longest."""
        return max(self.tests, key=lambda t: t.promise)

    @property
    def sentence(self) -> str:
        """The answer in one sentence, and the test of the longest promise where that is another one."""
        t, place = self.best, in_words(self.at)
        return (
            f"{f'Within {self.limits}: test' if self.limits else 'Test'} {t.what}{f' at {place}' if place else ''} for "
            f"{so_many_shots(t.shots)} each ({bench_and_money(t.days, t.cost)}): if nothing fails, which has a chance of "
            f"{percent_text(t.survives_it)}, a new module is promised {so_many_shots(t.promise)}, not "
            f"{shots_text(self.promise_now)} ({percent_text(self.survival)} survival at {percent_text(self.confidence)} "
            "confidence). With its chance reckoned in, no other test looked at gains more a bench day."
        ) + self._farther()

    def _farther(self) -> str:
        t = self.longest
        if t is self.best:
            return ""
        return (
            f" The longest promise, {so_many_shots(t.promise)}, comes after {t.what} for {so_many_shots(t.shots)} each "
            f"({bench_and_money(t.days, t.cost)}, a chance of {percent_text(t.survives_it)})."
        )


class NextTest(OnRecords, Limited):
    """Which test of new units lengthens the promise of a new module most a bench day.

    Each slot is looked at, with several numbers of units and lengths, at the operating point. Units, days and
    money are limits that no test exceeds: a test too long for the days is cut.

    Examples
    --------
    >>> NextTest(days=2).days
    2.0
    """

    name = "next_test"
    text = "The test that is worth running next: what lengthens the promise most a bench day."
    command = "campaign"
    answer_type = NextTestAnswer

    use: tuple[str, ...] = setting(
        (), "Operating point that it is shown for. Default: the commonest in the records.",
        hint="COLUMN=LEVEL", most=20,
    )  # fmt: skip
    survival: float = setting(0.9, "Survival of the promise.", gt=0, lt=1)
    confidence: float = confidence_setting()
    units: int | None = setting(None, "Units at hand: no plan has more.", ge=1, le=1_000_000)
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> NextTest:
        levels(self.use, OF_A_POINT)
        return self

    def counts(self) -> list[int]:
        """Numbers of units looked at."""
        most = max(COUNTS) if self.units is None else self.units
        # money may do for one unit alone
        one = () if self.budget is None else (1,)
        return sorted({min(n, most) for n in (*one, *COUNTS)})

    def answer(self, pool: Pool) -> NextTestAnswer:
        """The tests.

        Raises
        ------
        CannotAnswer
            ``NotCarried`` where the records do not carry the operating point; where no test within the limits
            lengthens the promise.
        """
        asked = Module(
            use=self.use, fraction=1 - self.survival, confidence=self.confidence, seed=self.seed
        )
        found = ModuleAtPoint(self.chosen(pool), asked)
        promised = found.model.promise(self.survival, self.confidence)
        wanted = Wanted(promised, self.survival, self.confidence, self.bench())
        tests = tests_of_slots(found.model, wanted, promised, self.counts(), self.longest)
        limits = self.limits_in_words((self.units, "units"))
        if all(self.longest(n) <= 0 for n in self.counts()):
            dear = self.budget is not None and min(self.counts()) * self.unit_cost > self.budget
            why = (
                f"one unit costs {self.unit_cost:,.6g}" if dear else "to set it up alone takes more"
            )
            raise CannotAnswer(f"No test keeps {limits}: {why}.")
        if not tests:
            within = f" within {limits}" if limits else ""
            raise CannotAnswer(
                f"No test looked at{within} that may well be passed lengthens the promise of {so_many_shots(promised)} by "
                f"{percent_text(GAIN)} or more."
            )
        text = "A test in which a unit fails teaches too, but may shorten the promise; units are tested new, at the voltage asked for."
        return NextTestAnswer(
            found.point, self.survival, self.confidence, promised, limits, tests, notes=(*found.point_notes(), Note("if_good", text), *few_shots_notes(tests[0].shots))
        )  # fmt: skip
