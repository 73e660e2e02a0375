"""Tests that estimate rather than demonstrate: how narrow a bound becomes, and accelerated tests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from reliability.decisions.answer import percent_text, shots_text
from reliability.decisions.campaign import NAN, Bench
from reliability.life.design import Plan, asymptotic_error, bound_width
from reliability.life.fit import LifeFit
from reliability.life.stress import StressFit
from reliability.life.targets import LogQuantile
from reliability.notes import BadInput, CannotAnswer, Note


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
class LearningAnswer:
    """Plans that were simulated, best first.

    Attributes
    ----------
    question : str
        ``estimate`` or ``accelerate``.
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
    sensitivity : tuple of (shape, exponent factor, factor)
        The best plan's factor if shape or exponent are off by a quarter.
    notes : tuple of Note
    """

    question: str
    fraction: float
    confidence: float
    use: float
    plans: tuple[LearningPlan, ...]
    best: LearningPlan
    equal: LearningPlan | None
    gain: float
    sensitivity: tuple[tuple[str, float], ...]
    notes: tuple[Note, ...]

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        b = self.best
        if b.levels:
            where = ", ".join(
                f"{n} units at {v:,.4g} to {shots_text(s)} shots"
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


def estimation(
    fit: LifeFit,
    *,
    factor: float = 2.0,
    fraction: float = 0.1,
    confidence: float = 0.95,
    units: Sequence[int] = (4, 6, 8, 12, 16, 24, 36),
    bench: Bench | None = None,
    draws: int = 600,
    seed: int = 1,
) -> LearningAnswer:
    """Units and shots for a lower bound within a factor of the estimate, if life is as fitted.

    Raises
    ------
    BadInput
    CannotAnswer
        If no plan looked at reaches the factor; ``partial`` holds the plans.
    """
    if not factor > 1:
        raise BadInput("the factor must be above 1, such as 2")
    bench = bench or Bench()
    target = LogQuantile(float(fit.family.quantile(np.asarray(fraction))))
    plans = []
    for n in units:
        for share in (0.3, 0.5, 0.8):
            end = float((fit.family.quantile(np.asarray(share)) - fit.phi[1, 0]) / fit.phi[0, 0])
            if n * share < 2.5:
                continue
            plan = Plan(np.empty((1, 0)), np.array([n]), np.array([end]))
            w = bound_width(fit.family, fit.phi, plan, target, confidence, draws=draws, seed=seed)
            shots = float(np.exp(end + fit.sample.centre))
            plans.append(
                LearningPlan((), (n,), (shots,), bench.days(n, shots), bench.cost(n, shots), w.failures, w.factor,
                             w.short, w.answerable)
            )  # fmt: skip
    reach = [p for p in plans if p.factor <= factor]
    if not reach:
        narrowest = min(plans, key=lambda p: p.factor)
        raise CannotAnswer(
            f"None of the plans looked at (up to {max(units)} units) brings the bound within a factor "
            f"{factor:g}; the narrowest, {narrowest.units[0]} units, gives {narrowest.factor:.2g}.",
            tuple(plans),
        )
    best = min(reach, key=lambda p: (p.cost, p.bench_days))
    plans.sort(key=lambda p: p.bench_days)
    return LearningAnswer(
        "estimate", fraction, confidence, NAN, tuple(plans), best, None, NAN, (),
        (Note("from_present_estimate", "Widths are simulated from the present estimate; they change with it."),),
    )  # fmt: skip


def accelerated(
    fit: StressFit,
    column: str,
    use: float,
    *,
    levels: Sequence[float],
    total_units: int,
    days_each: float,
    fraction: float = 0.1,
    confidence: float = 0.95,
    fixed: dict[str, float | str] | None = None,
    bench: Bench | None = None,
    draws: int = 600,
    seed: int = 1,
    keep: int = 5,
) -> LearningAnswer:
    """Levels and allocation of an accelerated test that give the tightest bound at the use level.

    Every plan costs the same: fewer units run longer. Two or three of the levels, with their best
    split, are ranked by large-sample variance (Meeker & Escobar 1998, ch. 20); the best few, and the
    equal allocation over all levels, are then simulated with their calibrated bounds.

    Parameters
    ----------
    fit : StressFit
        Present estimate, taken as the truth.
    column : str
        Stress to accelerate.
    use : float
        Level at which the bound is wanted.
    levels : sequence of float
        Levels that may be tested.
    total_units, days_each : int, float
        Units and bench days for each, of the equal allocation that sets the cost.
    """
    bench = bench or Bench()
    fixed = dict(fixed or {})
    if total_units < 4 or len(levels) < 2:
        raise BadInput("an accelerated test needs at least 4 units and 2 levels to choose from")
    fixed_cost = bench.unit_cost > 0 and bench.day_cost > 0
    per_day = bench.day_cost / bench.stands
    budget = (
        total_units * (bench.unit_cost + days_each * per_day)
        if fixed_cost
        else total_units * days_each
    )
    x = {
        v: np.array([float(np.asarray(c)) for c in fit.at({**fixed, column: float(v)})])
        for v in levels
    }
    raw = fit.quantile_target(fraction, {**fixed, column: float(use)})
    target = LogQuantile(raw.z, tuple(float(np.asarray(c)) for c in raw.x))
    x, target, phi = _reduce(fit, column, x, target, fit.phi)

    def days_for(n: int) -> float:
        """Days that each of n units may run for the same cost."""
        if fixed_cost:
            return (budget - n * bench.unit_cost) / (n * per_day)
        return budget / n

    def plan_of(chosen: Sequence[float], counts: Sequence[int]) -> Plan:
        shots = days_for(int(sum(counts))) * 86400.0 * bench.rate_Hz
        end = float(np.log(shots) - fit.sample.centre)
        return Plan(np.array([x[v] for v in chosen]), np.array(counts), np.full(len(chosen), end))

    sizes = sorted({max(4, round(total_units * k)) for k in (0.5, 0.75, 1.0, 1.5)})
    ranked = []
    for n in sizes:
        if days_for(n) <= 0:
            continue
        own = []
        for size in (2, 3):
            for chosen in combinations(sorted(levels), size):
                # the best split of each choice of levels stands for it
                errors = [
                    (asymptotic_error(fit.family, phi, plan_of(chosen, counts), target), counts)
                    for counts in _splits(n, size)
                ]
                if errors:
                    error, counts = min(errors)
                    own.append((error, chosen, counts))
        # large samples favour few units for long; so the best of each size go to the simulation
        ranked += sorted(own)[:keep]

    def simulate(chosen: Sequence[float], counts: Sequence[int], truth: np.ndarray) -> LearningPlan:
        plan = plan_of(chosen, counts)
        w = bound_width(fit.family, truth, plan, target, confidence, draws=draws, seed=seed)
        n = int(sum(counts))
        shots = float(np.exp(plan.end[0] + fit.sample.centre))
        return LearningPlan(
            tuple(chosen), tuple(int(c) for c in counts), (shots,) * len(chosen), bench.days(n, shots),
            bench.cost(n, shots), w.failures, w.factor, w.short, w.answerable,
        )  # fmt: skip

    plans = [simulate(c, n, phi) for _, c, n in ranked]
    base, extra = divmod(total_units, len(levels))
    equal_counts = [base + (i < extra) for i in range(len(levels))]
    equal = simulate(sorted(levels), equal_counts, phi)
    plans.sort(key=lambda p: p.factor)
    best = plans[0]
    if not np.isfinite(best.factor):
        raise CannotAnswer(
            "With these levels and this length too few units fail to give a bound; test longer or higher."
        )
    steeper, flatter = phi.copy(), phi.copy()
    steeper[0] *= 1.25
    steeper[1:] *= 1.25
    flatter[2:] *= 0.75
    sensitivity = (
        ("shape a quarter higher", simulate(best.levels, best.units, steeper).factor),
        ("stress effect a quarter weaker", simulate(best.levels, best.units, flatter).factor),
    )
    notes = [
        Note(
            "from_present_estimate",
            "The present estimate is taken as the truth; see the sensitivity to shape and exponent.",
        )
    ]
    if use < min(best.levels) - 1e-9 or use > max(best.levels) + 1e-9:
        notes.append(
            Note(
                "extrapolated",
                f"The bound is for {column} = {use:g}, outside the levels tested: it trusts the stress relation.",
            )
        )
    gain = equal.factor / best.factor if np.isfinite(equal.factor) else float("inf")
    return LearningAnswer(
        "accelerate",
        fraction,
        confidence,
        use,
        tuple(plans),
        best,
        equal,
        gain,
        sensitivity,
        tuple(notes),
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
