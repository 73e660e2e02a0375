"""All tests that show a life within the limits of a bench, and the best of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import bdtr, betaincinv

from reliability.decisions.bench import Bench, plan_row
from reliability.decisions.plan_effects import UNTOLD, PlanEffect
from reliability.decisions.unit_life import UnitLife
from reliability.slots.exposure import Array
from reliability.words import level_number

NAN = float("nan")
INF = float("inf")
FAIR = 0.5
"""least chance to pass with which a plan is recommended (a choice)"""
WANTED = 0.8
"""chance to pass from which the cheaper plan is the better one (a choice)"""
MOST_ALLOWED = 3
"""failures allowed that are looked at where none are said"""
MOST_UNITS = 200
ALL_TO = 40
"""every number of units up to here is looked at, then steps of a tenth"""
HALF = 0.5


@dataclass(frozen=True)
class PlannedStretch:
    """Part of a plan: so many shots at a voltage (nan: the voltage of use)."""

    charge_V: float
    shots: float


@dataclass(frozen=True)
class DemonstrationPlan:
    """One way to show the requirement.

    Attributes
    ----------
    units, failures_allowed : int
    shots_each : float
        Burn-in included.
    bench_days, cost : float
    pass_estimated, pass_optimistic, pass_pessimistic : float
        Chance to pass: over all that the records leave open; and if life is long or short among that, at
        the confidence. nan without records.
    stretches : tuple of PlannedStretch
        What each unit runs on the bench, in order; several where the voltage is raised on survivors.
    then : PlanEffect
        What is promised if none of the units fails; of plans that are shown.
    """

    units: int
    shots_each: float
    failures_allowed: int
    bench_days: float
    cost: float
    pass_estimated: float
    pass_optimistic: float
    pass_pessimistic: float
    stretches: tuple[PlannedStretch, ...] = ()
    then: PlanEffect = UNTOLD

    @property
    def begun(self) -> tuple[float, ...]:
        """Shots on a unit where each stretch begins, burn-in included."""
        run = np.cumsum([s.shots for s in self.stretches])
        first = self.shots_each - run[-1:].sum()
        return tuple((first + np.concatenate(([0.0], run))[:-1]).tolist())

    @property
    def volts(self) -> str:
        """The voltages in order, in words; "" where none is known."""
        return ", then ".join(
            level_number(s.charge_V) for s in self.stretches if np.isfinite(s.charge_V)
        )


@dataclass(frozen=True)
class Limits:
    """What no plan may exceed: units at hand, bench days, money; inf where nothing is said."""

    units: float = INF
    days: float = INF
    money: float = INF


@dataclass(frozen=True)
class Required:
    """What is to be shown, and the shape and exponent that showing it leans on.

    Attributes
    ----------
    shots, survival, confidence : float
    shapes : (float, float)
        The least shape, which a longer test of fewer units leans on, and the greatest, which a shorter
        test of more units does.
    exponent : float
        The least exponent, which a test at a higher voltage leans on.
    burn_in : float
        Shots each unit has already.
    """

    shots: float
    survival: float
    confidence: float
    shapes: tuple[float, float] = (1.0, 1.0)
    exponent: float = 0.0
    burn_in: float = 0.0

    def exposure(self, units: Array, allowed: int) -> Array:
        """Shots at the voltage of use that each of so many units must have, (n,).

        The binomial: at most ``allowed`` of n fail with chance 1 - C where each fails with
        probability p = the C quantile of a beta(allowed + 1, n - allowed) (Clopper & Pearson 1934);
        a Weibull unit lasts t with chance R ** ((t / N) ** b).
        """
        p = betaincinv(allowed + 1.0, units - allowed, self.confidence)
        a = np.log1p(-p) / np.log(self.survival)
        low, high = self.shapes
        return np.asarray(self.shots * np.where(a > 1, a ** (1 / low), a ** (1 / high)))


@dataclass(frozen=True)
class Course:
    """How the voltage goes along a test: (ratio to the voltage of use, share of the shots, volts)."""

    steps: tuple[tuple[float, float, float], ...] = ((1.0, 1.0, NAN),)

    def pace(self, exponent: Array | float) -> Array:
        """Shots at the voltage of use that one shot of the test counts for (cumulative exposure)."""
        return np.asarray(sum(share * np.power(ratio, exponent) for ratio, share, _ in self.steps))

    def of(self, shots: float) -> tuple[PlannedStretch, ...]:
        """The stretches of a test of so many shots."""
        return tuple(PlannedStretch(v, share * shots) for _, share, v in self.steps)


def courses(use_V: float, tested: Iterable[float]) -> tuple[Course, ...]:
    """The voltage of use all the way; each higher tested voltage; and raised to it half way on survivors."""
    out = [Course(((1.0, 1.0, use_V),))]
    for v in sorted(tested):
        if np.isfinite(use_V) and v > use_V * 1.01:
            ratio = v / use_V
            out.append(Course(((ratio, 1.0, v),)))
            out.append(Course(((1.0, HALF, use_V), (ratio, 1 - HALF, v))))
    return tuple(out)


@dataclass(frozen=True)
class Search:
    """The search: what is required, the bench, how units may live (None: not known), and the limits."""

    required: Required
    bench: Bench
    life: UnitLife | None
    limits: Limits = Limits()

    def plans(self, course: Course, allowed: int, counts: Sequence[int]) -> list[DemonstrationPlan]:
        """Plans of each number of units that keep the limits."""
        q = self.required
        n = np.array([c for c in counts if c > allowed], float)
        run = np.maximum(q.exposure(n, allowed) - q.burn_in, 0.0) / float(course.pace(q.exponent))
        # a unit that runs at all fires once
        run = np.where(run > 0, np.maximum(run, 1.0), 0.0)
        return self._made(course, allowed, n, run)

    def of_length(
        self, course: Course, allowed: int, units: int, shots_each: float
    ) -> list[DemonstrationPlan]:
        """The plan of so many units and shots, burn-in included, if it keeps the limits."""
        run = np.array([max(shots_each - self.required.burn_in, 0.0)])
        return self._made(course, allowed, np.array([float(units)]), run)

    def _made(self, course: Course, allowed: int, n: Array, run: Array) -> list[DemonstrationPlan]:
        bench, limits, begun = self.bench, self.limits, self.required.burn_in
        days = np.array([bench.days(int(k), s) for k, s in zip(n, run, strict=True)])
        cost = np.array([bench.cost(int(k), s) for k, s in zip(n, run, strict=True)])
        keep = (n <= limits.units) & (days <= limits.days) & (cost <= limits.money)
        keep &= np.isfinite(run)
        n, run, days, cost = n[keep], run[keep], days[keep], cost[keep]
        chance = self.chances(course, allowed, n, run)
        return [
            DemonstrationPlan(int(n[i]), float(begun + run[i]), allowed, float(days[i]), float(cost[i]), *chance[i],
                              course.of(float(run[i])))
            for i in range(n.size)
        ]  # fmt: skip

    def chances(
        self, course: Course, allowed: int, units: Array, run: Array
    ) -> list[tuple[float, float, float]]:
        """Chance to pass of tests of so many units and shots: over the draws, and at their far ends."""
        life, q = self.life, self.required
        if life is None or not units.size:
            return [(NAN, NAN, NAN)] * units.size
        begun = np.full((units.size, 1), q.burn_in)
        alive = life.survival(begun, run[:, None], course.pace)
        passes = bdtr(allowed, units[:, None].astype(int), 1 - alive)
        worst, best = np.quantile(passes, [1 - q.confidence, q.confidence], axis=1)
        return [
            (float(m), float(b), float(w))
            for m, b, w in zip(passes.mean(axis=1), best, worst, strict=True)
        ]

    def counts(self) -> list[int]:
        """Numbers of units looked at."""
        top = int(min(self.limits.units, MOST_UNITS))
        more = ALL_TO * 1.1 ** np.arange(1, 20)
        return sorted({*range(1, min(top, ALL_TO) + 1), *(int(v) for v in more if v <= top), top})

    def all(self, along: Sequence[Course], allowed: Sequence[int]) -> list[DemonstrationPlan]:
        """Every plan of the search that keeps the limits."""
        counts = self.counts()
        return [p for c in along for f in allowed for p in self.plans(c, f, counts)]


def preference(p: DemonstrationPlan) -> tuple[bool, float, float, float, float, int]:
    """Sorts plans, best first: cheapest (money, days, units) of those that pass as wanted, then by chance."""
    chance = p.pass_estimated if np.isfinite(p.pass_estimated) else 1.0
    good = chance >= WANTED
    return (not good, 0.0 if good else -chance, p.cost, p.bench_days, p.shots_each, p.units)


def plan_sheet(p: DemonstrationPlan, slot: str) -> list[dict[str, object]]:
    """The plan as an empty life sheet: a row for each stretch of each unit, with its voltage."""
    out = []
    for unit in range(p.units):
        for s, begun in zip(p.stretches, p.begun, strict=True):
            volts = {"charge_V": s.charge_V} if np.isfinite(s.charge_V) else {}
            out.append(plan_row(unit, slot, round(begun), volts))
    return out
