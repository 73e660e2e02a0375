"""Tests that demonstrate a life, within what the bench has: which plan, and how likely it passes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from pydantic import model_validator

from reliability.decisions.answer_notes import carried_notes, left_out_notes
from reliability.decisions.bench import Limited, bench_and_money, few_shots_notes
from reliability.decisions.operating import refuse_uncarried
from reliability.decisions.plan_effects import UNTOLD, Effects, Tested, ToShow
from reliability.decisions.plan_search import (
    FAIR,
    INF,
    MOST_ALLOWED,
    Course,
    DemonstrationPlan,
    Limits,
    Required,
    Search,
    courses,
    preference,
)
from reliability.decisions.question import (
    OF_A_POINT,
    Answer,
    Level,
    OnRecords,
    confidence_setting,
    levels,
    refuse_unless,
    setting,
)
from reliability.decisions.unit_life import UnitLife, unit_life
from reliability.life.design import shots_each, success_run
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.slots.carried import NotCarried
from reliability.slots.exposure import SAME_VOLTAGE
from reliability.words import bench_text, percent_text, so_many_shots, volts_text

NAN = float("nan")
SHOWN = 12
"""alternatives shown"""


@dataclass(frozen=True)
class Sensitivity:
    """Units needed if the true shape is another one."""

    shape: float
    units: int
    shots_each: float


@dataclass(frozen=True)
class LowerVoltage:
    """A lower voltage to fly at, and the plan that shows the life there."""

    charge_V: float
    plan: DemonstrationPlan


@dataclass(frozen=True)
class DemonstrationAnswer(Answer):
    """A test that demonstrates survival at a number of shots.

    Attributes
    ----------
    units, failures_allowed : int
    shots_each : float
        Of ``best``, as are days, cost and chances.
    demonstrate_shots, survival, confidence : float
        What is to be shown.
    shape : float
        That the length of the test leans on; nan where it runs the whole life, so that none matters.
    bench_days, cost : float
    pass_estimated, pass_optimistic, pass_pessimistic : float
    slot : str
        "" without records.
    at : dict
        The operating point that the life is shown for.
    limits : str
        In words; "" without any.
    recommended : bool
        Whether ``best`` keeps the limits and passes with a fair chance (or the chance is not known).
    best : DemonstrationPlan
        The cheapest that passes as wanted, else the likeliest to pass.
    instead : DemonstrationPlan or None
        The best at another voltage, where it passes with a fair chance.
    shows_instead : float
        Where no plan is recommended: the shots that a plan within the limits shows with a fair chance.
    flown_lower : LowerVoltage or None
        Where no plan is recommended: the highest voltage tested below at which one shows the life with a fair chance.
    promise_now, promise_if_passed : float
        Shots that the slot alone is promised for now, and if the plan passes without failure; nan
        without records.
    highest_V_now, highest_V_if_passed : float
        The same of the highest voltage at which the shots to be shown are promised.
    plans : tuple of DemonstrationPlan
        Alternatives, shortest bench time first.
    sensitivity : tuple of Sensitivity

    Examples
    --------
    >>> import reliability as rl
    >>> rl.ask(rl.Demonstrate(demonstrate_shots=1000), rl.Pool()).units
    29
    """

    units: int
    shots_each: float
    failures_allowed: int
    demonstrate_shots: float
    survival: float
    confidence: float
    shape: float
    bench_days: float
    cost: float
    pass_estimated: float
    pass_optimistic: float
    pass_pessimistic: float
    slot: str
    at: dict[str, Level]
    limits: str
    recommended: bool
    best: DemonstrationPlan
    instead: DemonstrationPlan | None
    shows_instead: float
    flown_lower: LowerVoltage | None
    promise_now: float
    promise_if_passed: float
    highest_V_now: float
    highest_V_if_passed: float
    plans: tuple[DemonstrationPlan, ...]
    sensitivity: tuple[Sensitivity, ...]

    @property
    def answered(self) -> bool:
        """Whether a plan is recommended."""
        return self.recommended

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        shown = f"{percent_text(self.survival)} survival at {so_many_shots(self.demonstrate_shots)}"
        within = f" within {self.limits}" if self.limits else ""
        if not self.recommended:
            text = (
                f"No plan{within} shows {shown} with a fair chance: the best, {_plan_text(self.best)}, passes with "
                f"probability {percent_text(self.pass_estimated)}"
            )
            if self.shows_instead > 0:
                text += f"; what can be shown is {so_many_shots(self.shows_instead)}"
            if self.flown_lower is not None:
                low = self.flown_lower.plan
                text += (
                    f"; flown at {volts_text(self.flown_lower.charge_V)} instead, {_plan_text(low, placed=False)} show it, in "
                    f"{bench_text(low.bench_days)}, with probability {percent_text(low.pass_estimated)}"
                )
            return text + "."
        text = (
            f"Run {_plan_text(self.best)}: that shows {shown} with {percent_text(self.confidence)} confidence, in "
            f"{bench_and_money(self.bench_days, self.cost)}{within}"
        )
        if np.isfinite(self.pass_estimated):
            text += (
                f"; as things stand it passes with probability {percent_text(self.pass_estimated)}"
            )
        if self.instead is not None:
            text += (
                f". Or {_plan_text(self.instead)}: {bench_text(self.instead.bench_days)}, probability "
                f"{percent_text(self.instead.pass_estimated)}"
            )
        return text + "."


def _plan_text(p: DemonstrationPlan, placed: bool = True) -> str:
    fail = "no failure" if p.failures_allowed == 0 else f"at most {p.failures_allowed} failing"
    units = f"{p.units} unit{'s' if p.units != 1 else ''}"
    steps = [s for s in p.stretches if np.isfinite(s.charge_V)]
    if len(steps) > 1:
        where = ", then ".join(
            f"{so_many_shots(s.shots)} at {volts_text(s.charge_V)}" for s in steps
        )
        return f"{units} for {where} with {fail}"
    place = f" at {volts_text(steps[0].charge_V)}" if steps and placed else ""
    each = " each" if p.units != 1 else ""
    return f"{units} for {so_many_shots(p.shots_each)}{each}{place} with {fail}"


class Demonstrate(OnRecords, Limited):
    """Which test shows a required life: so many units, so many shots, so many failures allowed.

    With records, each plan's chance to pass is given, over all that they leave open, and shape and
    exponent come from them. Units, days and money are limits that no plan exceeds.

    Examples
    --------
    >>> Demonstrate(demonstrate_shots=1000, survival=0.95).answer(Pool()).units  # success run
    59
    """

    name = "demonstrate"
    text = "A test that shows survival at a number of shots."
    command = "campaign"
    answer_type = DemonstrationAnswer

    demonstrate_shots: float = setting(
        ..., "Show survival at so many shots.", unit="shots", hint="N", ge=1, lt=1e15
    )
    survival: float = setting(0.9, "Survival to show.", gt=0, lt=1)
    confidence: float = confidence_setting(text="Confidence to show it with, one-sided.")
    use: tuple[str, ...] = setting(
        (), "Operating point that it is shown for. Default: the commonest in the records.",
        hint="COLUMN=LEVEL", most=20,
    )  # fmt: skip
    shape: float | None = setting(
        None, "Assumed Weibull shape. Default: what the records leave open; without records 1.", ge=0.05, le=50
    )  # fmt: skip
    shots_each: float | None = setting(
        None, "Shots each unit runs, burn-in included. Default: found.", unit="shots", ge=1
    )
    units: int | None = setting(None, "Units at hand: no plan has more.", ge=1, le=1_000_000)
    failures: int | None = setting(
        None, "Failures allowed. Default: found; without records none.", ge=0, le=1000
    )
    burn_in: float = setting(0.0, "Shots each unit has already.", unit="shots", ge=0)
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Demonstrate:
        refuse_unless(
            self.shots_each is None or self.units is None,
            "shots_each",
            "units says how long they run",
        )
        if self.units is not None and self.units <= (self.failures or 0):
            raise BadInput("units is more than the failures allowed")
        levels(self.use, OF_A_POINT)
        return self

    def limits(self) -> Limits:
        """What no plan exceeds."""
        units, money = (INF if v is None else v for v in (self.units, self.budget))
        return Limits(units, self.most_days, money)

    def answer(self, pool: Pool) -> DemonstrationAnswer:
        """The plan, its alternatives, and their chances. Raises BadInput; CannotAnswer if none keeps the limits."""
        records = None if pool.life is None or not len(pool.life) else self.chosen(pool)
        refuse_unless(records is not None or not self.use, "use", "there are no records")
        return _Demonstration(self, records).answer()


class _Demonstration:
    """A demonstration while it is planned."""

    def __init__(self, q: Demonstrate, records: LifeRecords | None) -> None:
        self.q, self.notes = q, [] if records is not None else [_no_truth("No records to judge by")]
        self.records = None if records is None else self.of_one_slot(records)
        self.life = None if self.records is None else self.carried(self.records)
        self.search = Search(self.required(q.demonstrate_shots), q.bench(), self.life, q.limits())

    @property
    def limits(self) -> str:
        """The limits as a sentence has them."""
        return self.q.limits_in_words((self.q.units, "units"))

    @property
    def exceeded(self) -> str:
        """The limits where no plan keeps them."""
        return self.q.exceeded_in_words((self.q.units, "units"))

    def of_one_slot(self, records: LifeRecords) -> LifeRecords:
        """The records of the slot that failed most, where it is not said which slot is meant."""
        slots = sorted(set(records.slot.tolist()))
        if len(slots) == 1:
            return records
        most = max(slots, key=lambda s: records.select(records.slot == s).failures)
        text = f"The plan is for {most}, of which most failed; choose another with slot ({', '.join(slots)})."
        self.notes.append(Note("slot_chosen", text))
        return records.select(records.slot == most)

    def carried(self, records: LifeRecords) -> UnitLife | None:
        """How the records leave life open at the operating point; None, and why, where they do not carry it."""
        try:
            life = unit_life(records, levels(self.q.use), self.q.seed)
        except NotCarried as e:
            self.notes.append(_no_truth(str(e).rstrip(".")))
            return None
        refuse_uncarried(levels(self.q.use), life.used.carried, records)
        self.notes += carried_notes(life.used.carried) + left_out_notes([life.used])
        if not life.failed:
            text = f"No unit of {life.slot} has failed: chances to pass reckon with half a failure (Jeffreys' prior of a rate)."
            self.notes.append(Note("half_failure", text))
        return life

    def required(self, shots: float) -> Required:
        """What is shown by a test for so many shots."""
        q, life, tail = self.q, self.life, 1 - self.q.confidence
        shapes, exponent = (q.shape or 1.0,) * 2, 0.0
        if life is not None:
            low, high = np.quantile(life.shape, [tail, q.confidence])
            shapes = shapes if q.shape else (float(low), float(high))
            exponent = float(np.quantile(life.exponent, tail))
        return Required(shots, q.survival, q.confidence, shapes, exponent, q.burn_in)

    def along(self) -> tuple[Course, ...]:
        """Courses of the voltage that the records carry."""
        if self.life is None:
            return (Course(),)
        volts = self.life.used.records.covariates.get("charge_V", np.array([]))
        return courses(self.life.used.use_V, set(volts[np.isfinite(volts)].tolist()))

    def allowed(self) -> Sequence[int]:
        """Failures allowed that are looked at."""
        if self.q.failures is not None:
            return (self.q.failures,)
        return range(MOST_ALLOWED + 1) if self.life is not None else (0,)

    def found(self, search: Search) -> tuple[list[DemonstrationPlan], list[DemonstrationPlan]]:
        """Plans within the limits at the voltage of use and at others, best first."""
        if self.fixed:
            return [self.plain(search), *self.others(search)], []
        along = self.along()
        here = search.all(along[:1], self.allowed())
        there = search.all(along[1:], self.allowed())
        return sorted(here, key=preference), sorted(there, key=preference)

    def others(self, search: Search) -> list[DemonstrationPlan]:
        """Fewer units for longer, more for less, and with failures allowed, where nothing is known to choose by."""
        if self.q.shots_each is not None:
            return []
        counts = (2, 4, 8, 12, 16, 24, 48)
        return [p for f in range(3) for p in search.plans(self.along()[0], f, counts)]

    @property
    def fixed(self) -> bool:
        """Whether the plan needs no search: its length is said, or nothing is known to choose by."""
        q = self.q
        return q.shots_each is not None or (
            self.life is None and q.days is None and q.budget is None
        )

    def plain(self, search: Search) -> DemonstrationPlan:
        """The plan of the length said, of all units at hand, or of the whole life."""
        q, need = self.q, search.required
        allowed = q.failures or 0
        if q.units is not None:
            n = q.units
            plans = search.plans(self.along()[0], allowed, [n])
        else:
            length = q.demonstrate_shots if q.shots_each is None else q.shots_each
            shape = need.shapes[0] if length > q.demonstrate_shots else need.shapes[1]
            n = _success_run(q, (length / q.demonstrate_shots) ** shape)
            plans = search.of_length(self.along()[0], allowed, n, length)
        if not plans:
            raise CannotAnswer(f"That test ({n:,} units) does not keep {self.exceeded}.")
        return plans[0]

    def answer(self) -> DemonstrationAnswer:
        q = self.q
        here, there = self.found(self.search)
        fair = [p for p in here[:1] + there[:1] if not p.pass_estimated < FAIR]
        if not here and not there:
            raise CannotAnswer(
                f"No plan keeps {self.exceeded}: even the shortest takes more. Allow more, or show fewer shots or less survival."
            )
        best = fair[0] if fair else min(here[:1] + there[:1], key=preference)
        instead = there[0] if there and there[0] in fair and there[0] is not best else None
        ordered = sorted(_spread(here) + _spread(there), key=lambda p: (p.bench_days, p.units))
        plans = tuple(self.with_effect(p) for p in ordered[:SHOWN])
        best, instead = self.with_effect(best), instead and self.with_effect(instead)
        now = UNTOLD if self.effects is None else self.effects.now
        return DemonstrationAnswer(
            best.units, best.shots_each, best.failures_allowed, q.demonstrate_shots, q.survival, q.confidence,
            self.leaned_on(best), best.bench_days, best.cost, best.pass_estimated, best.pass_optimistic, best.pass_pessimistic,
            "" if self.records is None else str(self.records.slot[0]), self.at(), self.limits, bool(fair), best,
            instead, NAN if fair else self.shows_instead(), None if fair else self.flown_lower(), now.promise, best.then.promise, now.highest_V, best.then.highest_V, plans, self.sensitivity(best),
            notes=(*self.notes, *_already(q, now.promise), *self.plan_notes(best)),
        )  # fmt: skip

    def at(self) -> dict[str, Level]:
        """The operating point as the records carry it."""
        return (
            {}
            if self.life is None
            else {c.stress: c.level for c in self.life.used.carried if c.level == c.level}
        )

    def shows_instead(self) -> float:
        """Most shots that a plan within the limits shows with a fair chance; not looked for where the length is said."""
        q = self.q
        if q.shots_each is not None:
            return 0.0
        low, high = 0.0, q.demonstrate_shots
        for _ in range(9):
            middle = high / 2 if not low else (low + high) / 2
            search = Search(self.required(middle), q.bench(), self.life, q.limits())
            own = search.all(self.along(), self.allowed())
            if any(p.pass_estimated >= FAIR for p in own):
                low = middle
            else:
                high = middle
        # less than a shot is nothing to show
        return low if low >= 1 else 0.0

    def flown_lower(self) -> LowerVoltage | None:
        """The highest tested voltage below that of use at which a plan shows the life with a fair chance."""
        q, life = self.q, self.life
        at_voltage = life is not None and np.isfinite(life.used.use_V)
        if life is None or self.records is None or not at_voltage or q.shots_each is not None:
            return None
        tested = np.unique(life.used.records.covariates["charge_V"])
        for volts in sorted(
            (float(v) for v in tested if v < life.used.use_V * (1 - SAME_VOLTAGE)), reverse=True
        ):
            point = {**levels(q.use), "charge_V": volts}
            there = replace(self.search, life=unit_life(self.records, point, q.seed))
            found = there.all(courses(volts, ())[:1], self.allowed())
            fair = [p for p in found if p.pass_estimated >= FAIR]
            if fair:
                return LowerVoltage(volts, min(fair, key=preference))
        return None

    def leaned_on(self, best: DemonstrationPlan) -> float:
        """The shape that the plan's length leans on."""
        need = self.search.required
        n = np.array([float(best.units)])
        ratio = float(need.exposure(n, best.failures_allowed)[0]) / need.shots
        if abs(ratio - 1) < 1e-9 or (self.q.shots_each == self.q.demonstrate_shots):
            return NAN
        return need.shapes[0] if ratio > 1 else need.shapes[1]

    def sensitivity(self, best: DemonstrationPlan) -> tuple[Sensitivity, ...]:
        """Shots each, or units where the length is said, if the true shape is another one."""
        q, b = self.q, self.search.required.shapes[0]
        out = []
        for shape in sorted({round(0.7 * b, 3), round(b, 3), round(1.4 * b, 3)}):
            if q.shots_each is None:
                each = shots_each(
                    q.survival,
                    q.confidence,
                    best.units,
                    q.demonstrate_shots,
                    shape,
                    best.failures_allowed,
                )
                out.append(Sensitivity(shape, best.units, each))
            else:
                units = _success_run(q, (q.shots_each / q.demonstrate_shots) ** shape)
                out.append(Sensitivity(shape, units, q.shots_each))
        return tuple(out)

    @cached_property
    def effects(self) -> Effects | None:
        """What plans make of the slot's own promise; None where the records do not carry the operating point."""
        q = self.q
        wanted = ToShow(q.demonstrate_shots, q.survival, q.confidence)
        return None if self.life is None else Effects(self.life, wanted, q.seed)

    def with_effect(self, p: DemonstrationPlan) -> DemonstrationPlan:
        """The plan with what it makes of the promise."""
        if self.effects is None:
            return p
        steps = tuple((s.charge_V, s.shots) for s in p.stretches)
        return replace(p, then=self.effects.after(Tested(p.units, steps, p.begun[0])))

    def plan_notes(self, best: DemonstrationPlan) -> list[Note]:
        """What the plan leans on, and how it is stopped."""
        q, b = self.q, self.leaned_on(best)
        text = (
            "At full length no Weibull shape is leaned on."
            if b != b
            else f"The length leans on a Weibull shape of {b:.3g}"
            + (
                " (assumed)."
                if q.shape or self.life is None
                else ", the safe end of what the records leave open."
            )
        )
        notes = [Note("assumed_shape", text)]
        stop = f"Stop as soon as {best.failures_allowed + 1} failed: it is then not shown. Judge it on the way with --progress."
        notes.append(Note("stop_rule", stop))
        if any(s.charge_V > float(self.at().get("charge_V", INF)) for s in best.stretches):
            notes.append(Note("accelerated", f"The higher voltage counts by an exponent of {self.search.required.exponent:.2g}, the safe end of what the records leave open."))  # fmt: skip
        if q.burn_in > 0:
            notes.append(Note("burn_in", f"{q.burn_in:g} shots of burn-in count towards each unit's shots, given that it was watched then."))  # fmt: skip
        notes += few_shots_notes(best.shots_each)
        if q.shots_each is not None and best.pass_estimated < FAIR:
            notes.append(Note("fixed_length", f"Each unit is to run {so_many_shots(q.shots_each)}: without that (shots_each) other lengths are looked at."))  # fmt: skip
        if best.shots_each > 3 * q.demonstrate_shots:
            notes.append(Note("long_test", "The test is over three times the life to be shown: wear-out of other slots may come first."))  # fmt: skip
        return notes


def _already(q: Demonstrate, promised: float) -> tuple[Note, ...]:
    """Where the records promise what is to be shown without any test."""
    if not promised >= q.demonstrate_shots:
        return ()
    text = (
        f"The records promise {so_many_shots(promised)} of it already: a plan is needed only where the test has to show it "
        "by itself."
    )
    return (Note("already_promised", text),)


def _no_truth(why: str) -> Note:
    return Note("no_truth", f"{why}, so no chance to pass is given.")


def _spread(plans: Sequence[DemonstrationPlan]) -> list[DemonstrationPlan]:
    """The best plan of each course and number of failures allowed, then the next best."""
    first: dict[tuple[object, ...], DemonstrationPlan] = {}
    for p in plans:
        first.setdefault((p.failures_allowed, *(s.charge_V for s in p.stretches)), p)
    rest = [p for p in plans if p not in first.values()]
    return [*first.values(), *rest[: max(0, SHOWN // 2 - len(first))]]


def _success_run(q: Demonstrate, acceleration: float) -> int:
    try:
        return success_run(q.survival, q.confidence, q.failures or 0, acceleration)
    except OverflowError:
        raise BadInput(
            "that test is so short that more than ten million units would be needed"
        ) from None
