"""Tests that estimate rather than demonstrate: how narrow a bound becomes, and accelerated tests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from pydantic import model_validator

from reliability.decisions.bench import SECONDS_A_DAY, Limited, one_slot
from reliability.decisions.question import (
    Answer,
    OnRecords,
    confidence_setting,
    levels,
    setting,
)
from reliability.decisions.stress_terms import default_terms, fixed_levels, solved_for
from reliability.life.design import Plan, asymptotic_error, bound_width
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.stress import StressFit, fit_stress, parse_term
from reliability.life.targets import LogQuantile
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.slots.carried import FARTHEST, NEAR_KELVIN, NotCarried, beyond_trust
from reliability.slots.exposure import voltages_differ
from reliability.words import level_number, percent_text, shots_text

NAN = float("nan")
DRAWS = 600
KEPT = 5
"""plans of each size that are simulated, after the large-sample ranking"""


@dataclass(frozen=True)
class WhatIf:
    """The best plan's factor if something is otherwise."""

    what: str
    factor: float


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
        Median of estimate / lower bound (1 is perfect).
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
        Level the bound is for; nan without stress.
    plans : tuple of LearningPlan
    best : LearningPlan
        Narrowest bound within the budget, or the cheapest that reaches the wanted factor.
    equal : LearningPlan or None
        Equal allocation over the tested levels at equal cost, for comparison.
    gain : float
        How much narrower the best bound is than the equal allocation's (ratio of factors).
    sensitivity : tuple of WhatIf
        The best plan's factor if shape or exponent are off by a quarter.

    Examples
    --------
    >>> import reliability as rl
    >>> q = rl.Narrow(within_factor=3, slot=("main_capacitor",), part=("film-a",), where=("charge_V=1400",))
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
    sensitivity: tuple[WhatIf, ...]

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        b = self.best
        if b.levels:
            where = ", ".join(
                f"{n} units at {level_number(v)} to {shots_text(s)} shots"
                for v, n, s in zip(b.levels, b.units, b.shots)
            )
        else:
            where = f"{b.units[0]} units to {shots_text(b.shots[0])} shots"
        text = (
            f"Run {where}: the lower bound will typically lie a factor {b.factor:.2g} below the estimate "
            f"({percent_text(self.confidence)} confidence), in {b.bench_days:.1f} bench days"
        )
        if self.equal is not None:
            text += f"; {self.gain:.2g} times tighter than spreading units equally at that cost"
        return text + "."


class Narrow(OnRecords, Limited):
    """Which test brings the lower bound within a factor of the estimate, if life is as estimated.

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
    survival: float = setting(0.9, "Survival at the life bounded.", gt=0, lt=1)
    confidence: float = confidence_setting()
    most_units: int = setting(36, "Most units there may be.", ge=4, le=200)
    seed: int = setting(1, "Seed of simulations.", ge=0)

    def answer(self, pool: Pool) -> LearningAnswer:
        """Units and shots. Raises BadInput; CannotAnswer if no plan looked at reaches the factor."""
        records = one_slot(self.chosen(pool))
        _refuse_mixed(records)
        try:
            fit = fit_life(records)
        except NoMaximum as e:
            why = f"{e} How wide a bound becomes cannot be foretold then; ask which test is worth running next, or show a life."
            raise CannotAnswer(why) from None
        fraction, bench = 1 - self.survival, self.bench()
        target = LogQuantile(float(fit.family.quantile(np.asarray(fraction))))
        plans = []
        for n in (k for k in (4, 6, 8, 12, 16, 24, 36, 54, 80, 120, 200) if k <= self.most_units):
            for share in (0.3, 0.5, 0.8):
                if n * share < 2.5:
                    continue
                z = fit.family.quantile(np.asarray(share))
                end = float((z - fit.phi[1, 0]) / fit.phi[0, 0])
                plan = Plan(np.empty((1, 0)), np.array([n]), np.array([end]))
                w = bound_width(
                    fit.family, fit.phi, plan, target, self.confidence, draws=DRAWS, seed=self.seed
                )
                shots = float(np.exp(end + fit.sample.centre))
                plans.append(
                    LearningPlan((), (n,), (shots,), bench.days(n, shots), bench.cost(n, shots), w.failures, w.factor,
                                 w.short, w.answerable)
                )  # fmt: skip
        plans = [p for p in plans if self.keeps(p.bench_days, p.cost)]
        within = self.limits_in_words((self.most_units, "units"))
        if not plans:
            raise CannotAnswer(f"No plan looked at keeps {within}: even the shortest takes more.")
        reach = [p for p in plans if p.factor <= self.within_factor]
        if not reach:
            narrowest = min(plans, key=lambda p: p.factor)
            raise CannotAnswer(
                f"None of the plans looked at within {within} brings the bound within a factor {self.within_factor:g}; the "
                f"narrowest, {narrowest.units[0]} units for {shots_text(narrowest.shots[0])} shots, gives {narrowest.factor:.3g}."
            )
        best = min(reach, key=lambda p: (p.cost, p.bench_days))
        plans.sort(key=lambda p: p.bench_days)
        text = "Widths are simulated from the present estimate; they change with it."
        return LearningAnswer(
            "estimate", str(records.slot[0]), "", fraction, self.confidence, NAN, tuple(plans), best, None, NAN, (),
            notes=(Note("from_present_estimate", text),),
        )  # fmt: skip


class Accelerate(OnRecords, Limited):
    """Levels and allocation of an accelerated test that give the tightest bound at a use level.

    Every plan costs the same, fewer units running longer, or less where days or money cut it. Two or three of the levels, with their best
    split, are ranked by large-sample variance (Meeker & Escobar 1998, ch. 20); the best few, and the
    equal allocation over all levels, are then simulated with their calibrated bounds.

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
        return _Accelerated(fit_stress(records, terms), solved_for(terms), self).answer()


def _refuse_far(column: str, level: float, levels: list[float]) -> None:
    """Raise NotCarried where the plan's levels lie further off than any law is trusted for."""
    if beyond_trust(column, level, levels[0], levels[-1]):
        limit = f"{NEAR_KELVIN:g} K" if column == "temp_C" else f"{FARTHEST:g} times"
        raise NotCarried(
            f"{column} {level_number(level)} is more than {limit} beyond the levels to be tested, {level_number(levels[0])} to "
            f"{level_number(levels[-1])}; no law is trusted that far. Plan levels nearer to it (levels)."
        )


class _Accelerated:
    """An accelerated test while it is planned; the present estimate is taken as the truth."""

    def __init__(self, fit: StressFit, column: str, q: Accelerate) -> None:
        self.fit, self.column, self.q, self.bench = fit, column, q, q.bench()
        self.levels = sorted(set(q.levels) or {float(v) for v in fit.records.column(column)})
        if len(self.levels) < 2:
            raise BadInput("an accelerated test needs 2 levels or more to choose from")
        fixed = fixed_levels(fit, column, levels(q.use))
        _refuse_far(column, q.accelerate_to, self.levels)
        x = {
            v: np.array([float(np.asarray(c)) for c in fit.at({**fixed, column: float(v)})])
            for v in self.levels
        }
        raw = fit.quantile_target(1 - q.survival, {**fixed, column: float(q.accelerate_to)})
        target = LogQuantile(raw.z, tuple(float(np.asarray(c)) for c in raw.x))
        self.x, self.target, self.phi = _reduce(fit, column, x, target, fit.phi)
        self.most = float("inf") if q.most_units is None else q.most_units
        self.priced = self.bench.unit_cost > 0 and self.bench.day_cost > 0
        self.per_day = self.bench.day_cost / self.bench.stands
        self.budget = (
            q.units * (self.bench.unit_cost + q.days_each * self.per_day)
            if self.priced
            else q.units * q.days_each
        )

    def days_for(self, n: int) -> float:
        """Days that each of n units may run for the same cost, within the limits."""
        if self.priced:
            same = (self.budget - n * self.bench.unit_cost) / (n * self.per_day)
        else:
            same = self.budget / n
        return min(same, self.q.longest(n) / (SECONDS_A_DAY * self.bench.rate_Hz))

    def plan_of(self, chosen: Sequence[float], counts: Sequence[int]) -> Plan:
        """A plan on the engine's scale."""
        shots = self.days_for(int(sum(counts))) * SECONDS_A_DAY * self.bench.rate_Hz
        end = float(np.log(shots) - self.fit.sample.centre)
        return Plan(
            np.array([self.x[v] for v in chosen]), np.array(counts), np.full(len(chosen), end)
        )

    def ranked(self) -> Sequence[tuple[Sequence[float], tuple[int, ...]]]:
        """The plans worth simulating: of each size the best by large-sample variance."""
        total, out = self.q.units, []
        for n in sorted({max(4, round(total * k)) for k in (0.5, 0.75, 1.0, 1.5)}):
            if self.days_for(n) <= 0 or n > self.most:
                continue
            own = []
            for size in (2, 3):
                for chosen in combinations(self.levels, size):
                    # the best split of each choice of levels stands for it
                    errors = [
                        (asymptotic_error(self.fit.family, self.phi, self.plan_of(chosen, c), self.target), c)
                        for c in _splits(n, size)
                    ]  # fmt: skip
                    if errors:
                        error, counts = min(errors)
                        own.append((error, chosen, counts))
            # large samples favour few units for long; so the best of each size go to the simulation
            out += [(c, k) for _, c, k in sorted(own)[:KEPT]]
        return out

    def simulate(
        self, chosen: Sequence[float], counts: Sequence[int], truth: np.ndarray
    ) -> LearningPlan:
        """A plan with its calibrated bounds under a truth."""
        plan = self.plan_of(chosen, counts)
        w = bound_width(
            self.fit.family,
            truth,
            plan,
            self.target,
            self.q.confidence,
            draws=DRAWS,
            seed=self.q.seed,
        )
        n = int(sum(counts))
        shots = float(np.exp(plan.end[0] + self.fit.sample.centre))
        return LearningPlan(
            tuple(chosen), tuple(int(c) for c in counts), (shots,) * len(chosen), self.bench.days(n, shots),
            self.bench.cost(n, shots), w.failures, w.factor, w.short, w.answerable,
        )  # fmt: skip

    def answer(self) -> LearningAnswer:
        q = self.q
        plans = [self.simulate(c, n, self.phi) for c, n in self.ranked()]
        equal = self.equal()
        plans.sort(key=lambda p: p.factor)
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
            "accelerate", str(self.fit.records.slot[0]), self.column, 1 - q.survival, q.confidence, q.accelerate_to, tuple(plans), best, equal, gain,
            self.sensitivity(best), notes=self.notes(best),
        )  # fmt: skip

    def equal(self) -> LearningPlan | None:
        """Units in equal shares over all levels; None where the limits leave them no time or not one a level."""
        n = int(min(self.q.units, self.most))
        if n < len(self.levels) or self.days_for(n) <= 0:
            return None
        base, extra = divmod(n, len(self.levels))
        return self.simulate(
            self.levels, [base + (i < extra) for i in range(len(self.levels))], self.phi
        )

    def sensitivity(self, best: LearningPlan) -> tuple[WhatIf, ...]:
        """The best plan under a higher shape and a weaker stress effect."""
        steeper, flatter = self.phi.copy(), self.phi.copy()
        steeper[0] *= 1.25
        steeper[1:] *= 1.25
        flatter[2:] *= 0.75
        return (
            WhatIf("shape a quarter higher", self.simulate(best.levels, best.units, steeper).factor),
            WhatIf("stress effect a quarter weaker", self.simulate(best.levels, best.units, flatter).factor),
        )  # fmt: skip

    def notes(self, best: LearningPlan) -> tuple[Note, ...]:
        level = self.q.accelerate_to
        text = (
            "The present estimate is taken as the truth; see the sensitivity to shape and exponent."
        )
        notes = [Note("from_present_estimate", text)]
        if level < min(best.levels) - 1e-9 or level > max(best.levels) + 1e-9:
            text = f"The bound is for {self.column} = {level:g}, outside the levels tested: it trusts the stress relation."
            notes.append(Note("extrapolated", text))
        return tuple(notes)


def _refuse_mixed(records: LifeRecords) -> None:
    """Raise CannotAnswer where the records are a mixture of voltages: no test is run at one."""
    volts = records.covariates.get("charge_V")
    if volts is not None and voltages_differ(volts):
        known = np.unique(volts[np.isfinite(volts)])
        tested = ", ".join(f"{v:g}" for v in known)
        raise CannotAnswer(
            f"These records ran at {tested} V, and a test runs at one: choose it (where charge_V={known.max():g}), or ask for an "
            "accelerated test (accelerate_to)."
        )


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


def _reduce(
    fit: StressFit, column: str, x: dict[float, np.ndarray], target: LogQuantile, phi: np.ndarray
) -> tuple[dict[float, np.ndarray], LogQuantile, np.ndarray]:
    """Only the accelerated column stays a free effect: the others are the same in every unit planned."""
    j = next(i for i, c in enumerate(fit.design) if c.term.column == column and not c.level)
    others = [i for i in range(len(fit.design)) if i != j]
    held = next(iter(x.values()))
    shift = sum(held[i] * phi[2 + i, 0] for i in others)
    small = np.array([[phi[0, 0]], [phi[1, 0] + shift], [phi[2 + j, 0]]])
    return {v: a[[j]] for v, a in x.items()}, LogQuantile(target.z, (target.x[j],)), small
