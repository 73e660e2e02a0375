"""Tests that estimate rather than demonstrate: how narrow a bound becomes, and accelerated tests."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from pydantic import model_validator

from reliability.decisions.bench import (
    SECONDS_A_DAY,
    Limited,
    bench_and_money,
    few_shots_notes,
    one_slot,
)
from reliability.decisions.foretold import Test, life_notes, normal_laws, reduced, test_of
from reliability.decisions.operating import point_of_one, refuse_uncarried
from reliability.decisions.question import (
    OF_A_POINT,
    Answer,
    OnRecords,
    confidence_setting,
    levels,
    refuse_unless,
    setting,
)
from reliability.decisions.stress_terms import default_terms, fixed_levels, solved_for
from reliability.decisions.unit_life import UnitLife, unit_life
from reliability.life.design import Informations, Plan, asymptotic_error, bound_width
from reliability.life.families import WEIBULL
from reliability.life.stress import Term, fit_stress, parse_term, usable
from reliability.life.targets import LogQuantile
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.slots.carried import refuse_far
from reliability.words import level_number, percent_text, shots_text, so_many_shots, volts_text

NAN = float("nan")
SIZES = (4, 6, 8, 12, 16, 24, 36, 54, 80, 120, 200)
SHARES = (0.3, 0.5, 0.8)
"""units, and shares of them expected to fail, of the tests looked at (choices)"""
BETWEEN = (5, 7, 10, 14, 20, 30, 45, 66, 100, 150)
"""units looked at as well where that may be cheaper"""
STEPS = 4
"""times that a length is halved in search of a shorter one"""
LEAST_EXPECTED = 2.5
"""failures expected below which a test is not looked at: three in fewer than half of its outcomes (Poisson)"""
ANSWERED = 0.8
"""least share of outcomes with a bound of a plan that is recommended (a choice)"""
SIZED = (0.5, 0.75, 1.0, 1.25, 1.5)
"""numbers of units that an accelerated test is looked at with, over those that set its cost (choices)"""
KEPT = 3
"""plans of each size that are simulated, after the large-sample ranking"""
TRIED = 16
"""plans near the best of these that are simulated at most"""


@dataclass(frozen=True)
class LearningPlan:
    """A test and what its bound will look like.

    Attributes
    ----------
    levels : tuple of float
        Stress levels; () without stress.
    units : tuple of int
        Units at each level.
    shots : tuple of float
        End count at each level.
    bench_days, cost : float
    failures : float
        Expected.
    factor : float
        Median of estimate / lower bound (1 is perfect), over lives that the records leave open and over outcomes.
    factor_wide : float
        The same that one outcome in ten exceeds.
    below_truth : float
        Median of truth / lower bound.
    answerable : float
        Share of outcomes that give a bound.
    """

    levels: tuple[float, ...]
    units: tuple[int, ...]
    shots: tuple[float, ...]
    bench_days: float
    cost: float
    failures: float
    factor: float
    factor_wide: float
    below_truth: float
    answerable: float


@dataclass(frozen=True)
class LearningAnswer(Answer):
    """Plans that were simulated, best first.

    Attributes
    ----------
    question : str
        ``estimate`` or ``accelerate``.
    slot : str
    column : str
        The stress that is accelerated, "" without one.
    fraction, confidence : float
    use : float
        Level the bound is for, of a test at one voltage that voltage; nan where none is known.
    plans : tuple of LearningPlan
    best : LearningPlan
        Narrowest bound within the budget, or the cheapest that reaches the wanted factor.
    equal : LearningPlan or None
        Equal allocation over the tested levels at equal cost, for comparison.
    gain : float
        How much narrower the best bound is than the equal allocation's (ratio of factors).

    Examples
    --------
    >>> import reliability as rl
    >>> q = rl.Narrow(within_factor=3, slot=("main_capacitor",), part=("film-a",), use=("charge_V=1400",))
    >>> rl.ask(q, rl.demo()).best.factor <= 3
    True
    """

    question: str
    slot: str
    column: str
    fraction: float
    confidence: float
    use: float
    plans: tuple[LearningPlan, ...]
    best: LearningPlan
    equal: LearningPlan | None
    gain: float

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        b = self.best
        if b.levels:
            where = ", ".join(
                f"{n} units at {level_number(v)} to {so_many_shots(s)}"
                for v, n, s in zip(b.levels, b.units, b.shots)
            )
        else:
            place = f" at {volts_text(self.use)}" if np.isfinite(self.use) else ""
            where = f"{b.units[0]} units{place} to {so_many_shots(b.shots[0])}"
        text = (
            f"Run {where}: the lower bound will typically lie a factor {_factor(b.factor)} below the estimate "
            f"({percent_text(self.confidence)} confidence){self._wide()}, in {bench_and_money(b.bench_days, b.cost)}"
        )
        return text + self._beside_equal() + "."

    def _beside_equal(self) -> str:
        """The plan beside units spread equally, which may give a narrower bound, but more seldom."""
        e = self.equal
        if e is None:
            return ""
        if not np.isfinite(e.factor):
            return "; units spread equally at that cost would seldom give a bound at all"
        if self.gain >= 1:
            return f"; {self.gain:.2g} times tighter than spreading units equally at that cost"
        return (
            f"; units spread equally at that cost would give a factor {_factor(e.factor)}, but a bound in "
            f"{percent_text(e.answerable)} of outcomes only"
        )

    def _wide(self) -> str:
        """How far below in one outcome of ten; where there is no bound then, how often."""
        b = self.best
        if np.isfinite(b.factor_wide):
            return f", {_factor(b.factor_wide)} in one outcome of ten"
        few = "too few failures, or all at one level," if b.levels else "too few failures"
        return f", with {few} for a bound in {percent_text(1 - b.answerable)} of outcomes"


def _factor(value: float) -> str:
    """A factor of a bound for people: two figures, no power of ten."""
    return f"{value:.2g}" if value < 100 else shots_text(value)


class Narrow(OnRecords, Limited):
    """Which test brings the lower bound within a factor of the estimate, over the lives that the records leave open.

    Examples
    --------
    >>> Narrow(within_factor=2).most_units
    36
    """

    name = "narrow"
    text = "A test whose lower bound comes within a factor of the estimate."
    command = "campaign"
    answer_type = LearningAnswer

    within_factor: float = setting(
        ..., "Bring the lower bound within this factor of the estimate.", hint="K", gt=1
    )
    use: tuple[str, ...] = setting(
        (), "Operating point that is tested. Default: the commonest in the records.",
        hint="COLUMN=LEVEL", most=20,
    )  # fmt: skip
    survival: float = setting(0.9, "Survival at the life bounded.", gt=0, lt=1)
    confidence: float = confidence_setting()
    most_units: int = setting(36, "Most units there may be.", ge=4, le=200)
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Narrow:
        levels(self.use, OF_A_POINT)
        return self

    def answer(self, pool: Pool) -> LearningAnswer:
        """Units and shots. Raises BadInput; CannotAnswer if no plan looked at reaches the factor."""
        records, use = one_slot(self.chosen(pool)), levels(self.use)
        life = unit_life(records, use, self.seed)
        refuse_uncarried(use, life.used.carried, records)
        volts = float(point_of_one(records, use).get("charge_V", NAN))
        return Narrowing(self, life).answer(volts)


class Narrowing:
    """Tests at one voltage while they are gone through: some of each size, then lengths between, where cheaper."""

    def __init__(self, q: Narrow, life: UnitLife) -> None:
        self.q, self.life, self.bench = q, life, q.bench()
        self.test = test_of(life, 1 - q.survival, {})
        self.longest = life.fails_by(SHARES[-1])
        self.found: dict[tuple[int, float], LearningPlan] = {}

    def look(self, n: int, shots: float) -> LearningPlan | None:
        """A test of so many units and shots, and how its bound comes out; None where too few would fail."""
        if n * self.life.failing(shots) < LEAST_EXPECTED:
            return None
        if (n, shots) not in self.found:
            self.found[n, shots] = self.simulated(n, shots)
        return self.found[n, shots]

    def simulated(self, n: int, shots: float) -> LearningPlan:
        test, q = self.test, self.q
        plan = Plan(np.empty((1, 0)), np.array([n]), np.array([np.log(shots) - test.centre]))
        w = bound_width(WEIBULL, test.laws, plan, test.target, q.confidence, q.seed)
        return LearningPlan(
            (), (n,), (shots,), self.bench.days(n, shots), self.bench.cost(n, shots), w.failures, w.factor, w.wide, w.short, w.answerable
        )  # fmt: skip

    def reaches(self, p: LearningPlan | None) -> bool:
        """Whether its bound typically comes as near as wanted, and seldom fails to come."""
        return p is not None and p.factor <= self.q.within_factor and p.answerable >= ANSWERED

    def best(self) -> LearningPlan | None:
        """The cheapest of those looked at that reach the factor."""
        return min(filter(self.reaches, self.found.values()), key=lambda p: (p.cost, p.bench_days), default=None)  # fmt: skip

    def go_through(self) -> None:
        """Look at all sizes, within the limits."""
        most = self.q.most_units
        shares = [self.life.fails_by(share) for share in SHARES]
        for n in sorted({*(k for k in SIZES if k < most), most}):
            for shots in sorted({min(s, self.q.longest(n)) for s in shares}):
                self.look(n, shots)
        for n in sorted({*(k for k in (*SIZES, *BETWEEN) if k < most), most}):
            self.shorten(n)

    def shorten(self, n: int) -> None:
        """Tests of so many units, as short as reach the factor, where they cost less than the best so far."""
        high = min(self.q.longest(n), self.longest)
        if (best := self.best()) is not None:
            priced = self.bench.unit_cost > 0 or self.bench.day_cost > 0
            limit = {"budget": best.cost} if priced else {"days": best.bench_days}
            high = min(high, self.q.model_copy(update=limit).longest(n))
        low = self.life.fails_by(min(LEAST_EXPECTED / n, SHARES[-1]))
        if high <= low or not self.reaches(self.look(n, high)):
            return
        for _ in range(STEPS):
            middle = (low * high) ** 0.5
            low, high = (low, middle) if self.reaches(self.look(n, middle)) else (middle, high)

    def answer(self, volts: float) -> LearningAnswer:
        """The cheapest that reaches the factor, of a test at a voltage. Raises CannotAnswer."""
        q, life = self.q, self.life
        self.go_through()
        within = q.limits_in_words((q.most_units, "units"))
        if not self.found:
            raise CannotAnswer(
                f"Within {within} too few units fail for a bound; test longer, more units, or at a higher voltage."
            )
        best = self.best()
        if best is None:
            narrowest = min(self.found.values(), key=lambda p: (p.factor, -p.answerable))
            raise CannotAnswer(
                f"None of the plans looked at within {within} brings the bound within a factor {q.within_factor:g}; the "
                f"narrowest, {narrowest.units[0]} units for {so_many_shots(narrowest.shots[0])}, {_gives(narrowest)}."
            )
        plans = sorted(self.found.values(), key=lambda p: (p is not best, p.bench_days))
        return LearningAnswer(
            "estimate", life.slot, "", 1 - q.survival, q.confidence, volts, tuple(plans), best, None, NAN,
            notes=(*life_notes(life), *few_shots_notes(best.shots[0])),
        )  # fmt: skip


def _gives(p: LearningPlan) -> str:
    """What a plan that does not reach the factor gives."""
    if not np.isfinite(p.factor):
        return f"gives a bound in {percent_text(p.answerable)} of outcomes"
    some = f" (a bound in {percent_text(p.answerable)} of outcomes)" if p.answerable < ANSWERED else ""  # fmt: skip
    return f"gives {p.factor:.3g}{some}"


class Accelerate(OnRecords, Limited):
    """Levels and allocation of an accelerated test that give the tightest bound at a use level.

    Every plan costs the same, fewer units running longer, or less where days or money cut it. Two or three of the levels, with their best
    split, are ranked by large-sample variance (Meeker & Escobar 1998, ch. 20); the best few, and the
    equal allocation over all levels, are then simulated with their calibrated bounds, over the lives that the records
    leave open: by the slot's model where the charge voltage is the stress, by the stress model's errors elsewhere.

    Examples
    --------
    >>> Accelerate(accelerate_to=1100).units
    12
    """

    name = "accelerate"
    text = "An accelerated test for the bound at one stress level."
    command = "campaign"
    answer_type = LearningAnswer

    accelerate_to: float = setting(
        ..., "Accelerated test for the bound at this stress level.", hint="LEVEL"
    )
    levels: tuple[float, ...] = setting(
        (),
        "Stress level that may be tested (default: those in the records).",
        hint="LEVEL",
        most=12,
    )
    units: int = setting(12, "Units of the equal allocation that sets the cost.", ge=4, le=1000)
    most_units: int | None = setting(None, "Most units there may be.", ge=4, le=1000)
    days_each: float = setting(0.2, "Bench days each of them runs.", unit="days", gt=0)
    survival: float = setting(0.9, "Survival at the life bounded.", gt=0, lt=1)
    confidence: float = confidence_setting()
    stress: tuple[str, ...] = setting(
        (),
        "Stress term. Default: known stresses that vary in the records.",
        hint="COLUMN:FORM",
        most=8,
    )
    use: tuple[str, ...] = setting(
        (),
        "Level of another stress to answer for (default: the median tested).",
        hint="COLUMN=LEVEL",
        most=20,
    )
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Accelerate:
        levels(self.use)
        for term in self.stress:
            parse_term(term)
        if len(self.levels) == 1:
            raise BadInput("levels holds two levels or more to choose from")
        return self

    def answer(self, pool: Pool) -> LearningAnswer:
        """The best plan beside the equal allocation. Raises BadInput, CannotAnswer."""
        records = one_slot(self.chosen(pool))
        terms = [parse_term(t) for t in self.stress] if self.stress else default_terms(records)
        return Accelerating(self, records, terms).answer()


class Accelerating:
    """An accelerated test while it is planned."""

    def __init__(self, q: Accelerate, records: LifeRecords, terms: Sequence[Term]) -> None:
        self.q, self.bench, self.slot = q, q.bench(), str(records.slot[0])
        self.column = solved_for(terms)
        usable(records, terms)  # refuses columns that no record gives, or that are no numbers
        known = records.column(self.column)
        self.levels = sorted(set(q.levels) or set(known[np.isfinite(known)].tolist()))
        if len(self.levels) < 2:
            raise BadInput("an accelerated test needs 2 levels or more to choose from")
        by_voltage = [(t.column, t.form) for t in terms] == [("charge_V", "power")]
        self.test, self.known = (
            self.of_slot(records) if by_voltage else self.of_terms(records, terms)
        )
        # the middle law: plans are ranked by it before they are simulated
        self.phi = np.median(self.test.laws.phi, axis=1, keepdims=True)
        self.most = float("inf") if q.most_units is None else q.most_units

    def of_slot(self, records: LifeRecords) -> tuple[Test, tuple[Note, ...]]:
        """By the slot's model, with what is to be known of it."""
        q = self.q
        use = levels(q.use)
        refuse_unless("charge_V" not in use, "use charge_V", "accelerate_to says the voltage")
        life = unit_life(records, {**use, "charge_V": q.accelerate_to}, q.seed)
        refuse_uncarried(use, life.used.carried, records)
        if not life.data.law:
            raise CannotAnswer(
                "The records are of one voltage, so no draw of the slot's model says how life falls with it; test some units at another."
            )
        volts = life.used.records.covariates["charge_V"]
        self.refuse_far(float(volts.min()), float(volts.max()))
        x = {v: float(np.log(v / q.accelerate_to)) for v in self.levels}
        return test_of(life, 1 - q.survival, x), life_notes(life)

    def of_terms(
        self, records: LifeRecords, terms: Sequence[Term]
    ) -> tuple[Test, tuple[Note, ...]]:
        """By a stress model: normal draws about its estimate."""
        q = self.q
        fit = fit_stress(records, list(terms))
        fixed = fixed_levels(fit, self.column, levels(q.use))
        held = {v: fit.at({**fixed, self.column: float(v)}) for v in self.levels}
        x = {v: np.array([float(np.asarray(c)) for c in own]) for v, own in held.items()}
        self.refuse_far(*fit.tested(self.column))
        raw = fit.quantile_target(1 - q.survival, {**fixed, self.column: float(q.accelerate_to)})
        target = LogQuantile(raw.z, tuple(float(np.asarray(c)) for c in raw.x))
        text = "Lives are drawn by the errors of the stress model, taken as normal."
        notes = [Note("from_stress_model", text)]
        low, high = fit.tested(self.column)
        if not low <= q.accelerate_to <= high:
            text = f"The bound is for {self.column} = {q.accelerate_to:g}, outside the levels tested: it trusts the stress relation."
            notes.append(Note("extrapolated", text))
        return reduced(fit, self.column, x, target, normal_laws(fit, q.seed)), tuple(notes)

    def refuse_far(self, low: float, high: float) -> None:
        """Raise NotCarried where the level bounded, or one to be tested, is too far from those tested before."""
        refuse_far(self.column, self.q.accelerate_to, low, high, self.slot)
        for v in self.levels:
            refuse_far(self.column, v, low, high, self.slot, "Plan with other levels.")

    def shots_for(self, n: int) -> float:
        """Shots that each of n units may run for what the equal allocation takes, within the limits; 0 where none."""
        q, bench = self.q, self.bench
        each = q.days_each * SECONDS_A_DAY * bench.rate_Hz
        days = bench.days(q.units, each)
        if bench.unit_cost > 0 and bench.day_cost > 0:
            days = (bench.cost(q.units, each) - n * bench.unit_cost) / bench.day_cost
        return min(bench.longest(n, days), q.longest(n))

    def plan_of(self, chosen: Sequence[float], counts: Sequence[int]) -> Plan:
        """A plan on the engine's scale."""
        end = float(np.log(self.shots_for(int(sum(counts)))) - self.test.centre)
        x = np.array([self.test.x[v] for v in chosen])
        return Plan(x, np.array(counts), np.full(len(chosen), end))

    def ranked(self) -> Sequence[tuple[Sequence[float], tuple[int, ...]]]:
        """The plans worth simulating: of each size the best by large-sample variance."""
        total, out = self.q.units, []
        known: Informations = {}
        for n in sorted({max(4, round(total * k)) for k in SIZED}):
            if self.shots_for(n) <= 0 or n > self.most:
                continue
            own = []
            for size in (2, 3):
                for chosen in combinations(self.levels, size):
                    # the best split of each choice of levels stands for it
                    errors = [
                        (asymptotic_error(self.test.family, self.phi, self.plan_of(chosen, c), self.test.target, known), c)
                        for c in _splits(n, size)
                    ]  # fmt: skip
                    if errors:
                        error, counts = min(errors)
                        own.append((error, chosen, counts))
            # large samples favour few units for long; so the best of each size go to the simulation
            out += [(c, k) for _, c, k in sorted(own)[:KEPT]]
        return out

    def simulate(self, chosen: Sequence[float], counts: Sequence[int]) -> LearningPlan:
        """A plan with its calibrated bounds."""
        plan, test = self.plan_of(chosen, counts), self.test
        w = bound_width(
            test.family, test.laws, plan, test.target, self.q.confidence, seed=self.q.seed
        )
        n = int(sum(counts))
        shots = float(np.exp(plan.end[0] + test.centre))
        return LearningPlan(
            tuple(chosen), tuple(int(c) for c in counts), (shots,) * len(chosen), self.bench.days(n, shots),
            self.bench.cost(n, shots), w.failures, w.factor, w.wide, w.short, w.answerable,
        )  # fmt: skip

    def refined(self, plans: list[LearningPlan]) -> list[LearningPlan]:
        """The plans, best first, with those near the best, and near what is then the best, as large samples rank roughly."""
        seen, tried = {(p.levels, p.units) for p in plans}, 0
        better = bool(plans) and np.isfinite(plans[0].factor)
        while better:
            better = False
            for near in self.near(plans[0]):
                if near in seen or tried >= TRIED:
                    continue
                seen.add(near)
                tried += 1
                plans.append(self.simulate(*near))
                if _narrowest(plans[-1]) < _narrowest(plans[0]):
                    better = True
                    break
            plans.sort(key=_narrowest)
        return plans

    def near(self, p: LearningPlan) -> Iterator[tuple[tuple[float, ...], tuple[int, ...]]]:
        """Plans with some units more or fewer at a level, moved to another, or a level left out."""
        step, places = max(1, sum(p.units) // 8), range(len(p.levels))
        changes = [{i: -step, j: step} for i in places for j in places if i != j]
        changes += [{i: sign * step} for i in places for sign in (1, -1)]
        found = [(p.levels, [u + c.get(i, 0) for i, u in enumerate(p.units)]) for c in changes]
        if len(places) > 2:
            for gone in places:
                rest = [i for i in places if i != gone]
                for to in rest:
                    units = [p.units[i] + (p.units[gone] if i == to else 0) for i in rest]
                    found.append((tuple(p.levels[i] for i in rest), units))
        most = min(self.most, max(SIZED) * self.q.units)
        for chosen, units in found:
            n = sum(units)
            if min(units) >= 2 and 4 <= n <= most and self.shots_for(n) > 0:
                yield chosen, tuple(units)

    def answer(self) -> LearningAnswer:
        q = self.q
        plans = sorted((self.simulate(c, n) for c, n in self.ranked()), key=_narrowest)
        plans = self.refined(plans)
        equal = self.equal()
        if not plans or not np.isfinite(plans[0].factor):
            limits = q.limits_in_words((q.most_units, "units"))
            within = f" within {limits}" if limits else ""
            raise CannotAnswer(
                f"With these levels and this length too few units fail{within} to give a bound; test longer or higher."
            )
        best = plans[0]
        equal_factor = float("inf") if equal is None else equal.factor
        gain = equal_factor / best.factor if np.isfinite(equal_factor) else float("inf")
        return LearningAnswer(
            "accelerate", self.slot, self.column, 1 - q.survival, q.confidence, q.accelerate_to, tuple(plans), best, equal, gain,
            notes=(*self.known, *self.more_units(best), *few_shots_notes(min(best.shots))),
        )  # fmt: skip

    def more_units(self, best: LearningPlan) -> tuple[Note, ...]:
        """That a plan has more units than the equal test that sets its bench time, where no limit is said."""
        q, n = self.q, sum(best.units)
        if q.most_units is not None or n <= q.units:
            return ()
        text = f"The plan has {n} units: {q.units} set its bench time, not how many there may be. Where there are fewer, say so (most_units)."
        return (Note("more_units", text),)

    def equal(self) -> LearningPlan | None:
        """Units in equal shares over all levels; None where the limits leave them no time or not one a level."""
        n = int(min(self.q.units, self.most))
        if n < len(self.levels) or self.shots_for(n) <= 0:
            return None
        base, extra = divmod(n, len(self.levels))
        return self.simulate(self.levels, [base + (i < extra) for i in range(len(self.levels))])


def _narrowest(p: LearningPlan) -> tuple[bool, float]:
    """Sorts plans, best first: those that seldom fail to give a bound, then by how narrow it is."""
    return p.answerable < ANSWERED, p.factor


def _splits(total: int, size: int) -> list[tuple[int, ...]]:
    """Ways to give each of ``size`` levels at least two units, in steps of about a tenth."""
    step = max(1, total // 10)
    if size == 2:
        return [(a, total - a) for a in range(2, total - 1, step)]
    return [
        (a, b, total - a - b)
        for a in range(2, total - 3, step)
        for b in range(2, total - a - 1, step)
        if total - a - b >= 2
    ]
