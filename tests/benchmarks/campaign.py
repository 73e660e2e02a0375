"""Do plans do what they foretell? Pass chances and bound widths against simulated communities.

python tests/benchmarks/campaign.py [--communities 2000] [--seed 1]
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from scipy.stats import binom

import reliability.decisions.learning as search
from reliability.decisions.bench import Bench
from reliability.decisions.foretold import test_of
from reliability.decisions.learning import Accelerate, Narrow
from reliability.decisions.plan_search import Limits, Required, Search, courses
from reliability.decisions.unit_life import unit_life
from reliability.life.bounds import Bounder
from reliability.life.design import BoundWidth, Laws, Plan, bound_width, shots_each
from reliability.life.families import WEIBULL
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.stress import parse_term
from reliability.life.targets import LogQuantile
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords, join
from reliability.sheets.life import read_life
from reliability.slots.draws import SlotDraws
from reliability.slots.grid import BURN_OUT
from tests.asking import asked

DEMO = Path(__file__).parents[2] / "datasets" / "demo"


def demo_capacitors() -> LifeRecords:
    r = join(read_life(f).records for f in sorted(DEMO.glob("life_*.csv")))
    return r.select((r.slot == "main_capacitor") & (r.part == "film-a"))


def pass_chance(communities: int, seed: int = 1) -> tuple[float, float]:
    """Foretold and seen share of passes of a step plan, lives drawn from the laws left open."""
    records = demo_capacitors()
    life = unit_life(records, {"charge_V": 1200.0}, 7)
    a = asked("demonstrate", records, demonstrate_shots=400, units=10, use=("charge_V=1200",))
    plan = next(p for p in a.plans if len(p.stretches) == 2)
    rng = np.random.default_rng(seed)
    passed = 0
    for k in rng.integers(life.shape.size, size=communities):
        dead = np.zeros(plan.units, bool)
        for cause in life.causes:
            e = cause.exponent[k]
            spent = sum(s.shots * (s.charge_V / 1200.0) ** e for s in plan.stretches)
            dead |= lives(cause, k, plan.units, rng) < spent
        passed += int(dead.sum() <= plan.failures_allowed)
    return plan.pass_estimated, passed / communities


def lives(cause: SlotDraws, k: int, units: int, rng: np.random.Generator) -> np.ndarray:
    """Lives by one drawn law: Weibull, and beside it weak units that burn out (a share for ever) or chance."""
    rate = cause.gamma[k] * cause.unit[k]
    with np.errstate(divide="ignore"):
        z = (rng.exponential(size=units) / rate) ** (1 / cause.shape[k])
    if cause.law[k] >= 0:
        with np.errstate(invalid="ignore", divide="ignore"):
            spent = rng.exponential(size=units) / cause.rate[k]
            weak = -np.log1p(-np.minimum(spent, 1.0)) if cause.law[k] < len(BURN_OUT) else spent
            z = np.minimum(z, cause.width[k] * weak)
    return z * cause.scale


def limits_kept(cases: int, seed: int = 3) -> tuple[int, int]:
    """Plans that exceed a limit, and plans given, over random limits, benches and lives to show."""
    records = demo_capacitors()
    volts = (1200.0, 1400.0, 1600.0)
    known = {v: unit_life(records, {"charge_V": v}, 1) for v in volts}
    rng = np.random.default_rng(seed)
    broken = given = 0
    for _ in range(cases):
        use = float(rng.choice(volts))
        units, days, money = (
            int(rng.integers(1, 30)),
            10 ** rng.uniform(-2, 1),
            10 ** rng.uniform(1, 4),
        )
        stands, price, day = int(rng.integers(1, 6)), rng.uniform(0, 80), rng.uniform(0, 60)
        need = Required(
            10 ** rng.uniform(1, 4), rng.uniform(0.5, 0.99), rng.uniform(0.6, 0.95), (1.5, 2.5), 5.0
        )
        search = Search(
            need, Bench(1 / 3, stands, price, day), known[use], Limits(units, days, money)
        )
        for p in search.all(courses(use, volts[1:]), (0, 2)):
            given += 1
            # worked out anew: an hour to set up, then the fullest stand runs its units one after the other
            run = (3600 + 3 * sum(s.shots for s in p.stretches)) * -(-p.units // stands) / 86400
            over = (p.units / units, run / days, (p.units * price + run * day) / money)
            broken += max(over) > 1 + 1e-9
    return broken, given


def beside_exhaustive() -> list[tuple[float, float]]:
    """Chance of the likeliest plan found, and of the best on a coarse grid gone through one by one."""
    records = demo_capacitors()
    life = unit_life(records, {"charge_V": 1400.0}, 1)
    low, high = (float(v) for v in np.quantile(life.shape, [0.05, 0.95]))
    out = []
    for shots, days in ((700, 0.6), (1000, 1.0), (1300, 0.8)):
        need = Required(shots, 0.9, 0.95, (low, high), float(np.quantile(life.exponent, 0.05)))
        search = Search(need, Bench(1 / 3), life, Limits(20, days))
        mine = max(p.pass_estimated for p in search.all(courses(1400.0, (1600.0,)), range(4)))
        best = 0.0
        for n in range(1, 21, 3):
            for allowed in range(min(n, 4)):
                each = shots_each(0.9, 0.95, n, shots, low, allowed)
                if each < shots:
                    each = shots_each(0.9, 0.95, n, shots, high, allowed)
                if n * (3600 + each * 3) / 86400 > days:
                    continue
                alive = life.survival(np.zeros(1), np.array([each]), np.ones_like)
                best = max(best, float(binom.cdf(allowed, n, 1 - alive).mean()))
        out.append((mine, best))
    return out


def width(communities: int, shipped: int) -> tuple[float, float, float]:
    """Foretold factor; the same by simulation; and with the shipped calibrated bound on some tests."""
    phi = np.array([[2.0], [-2.0 * np.log(5000.0)]])
    end = float((WEIBULL.quantile(np.array(0.5)) - phi[1, 0]) / phi[0, 0])
    plan = Plan(np.empty((1, 0)), np.array([12]), np.array([end]))
    target = LogQuantile(float(WEIBULL.quantile(np.array(0.1))))
    told, run = (
        bound_width(WEIBULL, Laws(np.repeat(phi, n, axis=1)), plan, target, 0.95, seed=seed).factor
        for n, seed in ((600, 1), (communities, 99))
    )
    rng = np.random.default_rng(5)
    gaps = []
    for i in range(shipped):
        t = 5000 * rng.weibull(2, 12)
        stop = float(np.exp(end))
        r = LifeRecords.of(np.minimum(t, stop), np.where(t <= stop, t, np.inf))
        try:
            b = Bounder(r, fit_life(r), 0.95, seed=i, effort=0.1).quantile(0.1)
            gaps.append(np.log(b.estimate / b.lower))
        except NoMaximum:
            gaps.append(np.inf)
    return told, run, float(np.exp(np.median(gaps)))


def learning(communities: int, seed: int = 1) -> tuple[float, float, float]:
    """Factor of the bound foretold by a plan that narrows; the same of tests drawn from the laws left open, one by
    one, with the bound as ``life`` gives it; the standard error of the difference of their logs."""
    records = demo_capacitors()
    a = asked("narrow", records, within_factor=3, use=("charge_V=1400",), seed=seed)
    units, shots = a.best.units[0], a.best.shots[0]
    life = unit_life(records, {"charge_V": 1400.0}, seed + 100)
    rng = np.random.default_rng([seed, 41])
    gaps = []
    for i, k in enumerate(rng.integers(life.shape.size, size=communities)):
        t = np.min([lives(cause, k, units, rng) for cause in life.causes], axis=0)
        r = LifeRecords.of(np.minimum(t, shots), np.where(t <= shots, t, np.inf))
        try:
            b = Bounder(r, fit_life(r), 0.95, seed=i, effort=0.1).quantile(0.1)
            gaps.append(float(np.log(b.estimate / b.lower)))
        except NoMaximum:
            gaps.append(np.inf)
    # of a median, from the order statistics about it (binomial); foretold from some 512 outcomes
    low, high = np.quantile(gaps, 0.5 + np.array([-0.5, 0.5]) / np.sqrt(communities))
    error = float(high - low) / 2 * np.sqrt(1 + communities / 512)
    return a.best.factor, float(np.exp(np.median(gaps))), error


def learning_limits(cases: int, seed: int = 3) -> tuple[int, int]:
    """Learning plans that exceed a limit, and plans given, over random limits and benches.

    Widths are made up here, so that a search goes every way: limits must not lean on them.
    """
    records = demo_capacitors()
    terms = [parse_term("charge_V:power")]
    life = unit_life(records, {"charge_V": 1400.0}, 1)
    rng = np.random.default_rng(seed)
    broken = given = 0

    def made_up(*_: object, **__: object) -> BoundWidth:
        return BoundWidth(1 + rng.exponential(3), 9.0, 2.0, rng.uniform(0.7, 1), 5.0)

    with patch.object(search, "bound_width", made_up):
        for case in range(cases):
            units, days = int(rng.integers(4, 60)), 10 ** rng.uniform(-1, 1.2)
            money, price, day = 10 ** rng.uniform(1, 4), rng.uniform(1, 80), rng.uniform(1, 60)
            limits = {
                "most_units": units, "days": days, "budget": money, "unit_cost": price, "day_cost": day,
                "stands": int(rng.integers(1, 6)),
            }  # fmt: skip
            try:
                if case % 2:
                    q = Narrow(within_factor=1.5 + rng.exponential(2), **limits)
                    plans = search.Narrowing(q, life).answer(1400.0).plans
                else:
                    levels = sorted(rng.choice([1300.0, 1400.0, 1500.0, 1600.0], 3, False))
                    q = Accelerate(accelerate_to=1200, levels=tuple(levels), units=int(rng.integers(4, 20)), **limits)  # fmt: skip
                    a = search.Accelerating(q, records, terms).answer()
                    plans = (*a.plans, *([a.equal] if a.equal else []))
            except CannotAnswer:
                continue
            for p in plans:
                given += 1
                n, shots = sum(p.units), max(p.shots)
                run = (3600 + 3 * shots) * -(-n // limits["stands"]) / 86400
                over = (n / units, run / days, (n * price + run * day) / money)
                broken += max(over) > 1 + 1e-9
    return broken, given


def narrowest_grid(factors: Sequence[float], sizes: Sequence[int]) -> list[tuple[float, float]]:
    """Bench days of the plan found, and of the cheapest of a coarse grid gone through one by one that does the same."""
    records, target = demo_capacitors(), 0.1
    aim = test_of(unit_life(records, {"charge_V": 1400.0}, 1), target, {})
    grid = []
    for n in sizes:
        for shots in np.geomspace(2500, 8000, 5):
            plan = Plan(np.empty((1, 0)), np.array([n]), np.array([np.log(shots) - aim.centre]))
            w = bound_width(WEIBULL, aim.laws, plan, aim.target, 0.95, 1)
            grid.append((Bench().days(n, shots), w))
    out = []
    for factor in factors:
        mine = asked("narrow", records, within_factor=factor, use=("charge_V=1400",)).best
        best = min(d for d, w in grid if w.factor <= factor and w.answerable >= search.ANSWERED)
        out.append((mine.bench_days, best))
    return out


ACCELERATED: tuple[dict[str, Any], ...] = (
    {"accelerate_to": 1200, "levels": (1400, 1500, 1600, 1700), "units": 12, "days_each": 0.15},
    {"accelerate_to": 1300, "levels": (1300, 1450, 1700), "units": 20, "days_each": 0.08, "stands": 4},
    {
        "accelerate_to": 1100, "levels": (1200, 1400, 1600, 1700), "units": 10, "days_each": 0.2, "most_units": 14,
        "unit_cost": 40, "day_cost": 60, "budget": 600,
    },
)  # fmt: skip
"""accelerated plans asked for: without limits; on several stands; within units and money"""


def accelerated_grid(
    asked_for: dict[str, Any], sizes: Sequence[int] = (5, 7, 9, 12, 15, 18, 24)
) -> tuple[float, float]:
    """Factor of the accelerated plan found, and of the best of a coarse grid of sizes, levels and splits gone through."""
    s = search.Accelerating(
        Accelerate(**asked_for), demo_capacitors(), [parse_term("charge_V:power")]
    )
    shares = {2: ((1, 2), (1, 1), (2, 1)), 3: ((1, 1, 1), (2, 1, 1), (1, 1, 2))}
    looked = [
        s.simulate(chosen, counts)
        for n in sizes
        if n <= s.most and s.shots_for(n) > 0
        for size, splits in shares.items()
        for chosen in combinations(s.levels, size)
        for counts in (_shared(n, split) for split in splits)
    ]
    best = min(p.factor for p in looked if p.answerable >= search.ANSWERED)
    return s.answer().best.factor, best


def _shared(units: int, split: Sequence[int]) -> list[int]:
    """So many units in such shares, the last level taking what is left."""
    first = [units * k // sum(split) for k in split[:-1]]
    return [*first, units - sum(first)]


def gain() -> float:
    """How much tighter the best accelerated plan for the demo community is than equal allocation."""
    a = asked(
        "accelerate", demo_capacitors(), accelerate_to=1100.0, levels=(1200, 1300, 1400, 1500, 1600, 1700), units=18,
        days_each=0.12, stress=("charge_V:power",),
    )  # fmt: skip
    print(a.sentence)
    return a.gain


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--communities", type=int, default=2000)
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    told, seen = pass_chance(a.communities, a.seed)
    print(
        f"chance to pass: foretold {told:.3f}, seen {seen:.3f} (s.e. {np.sqrt(told * (1 - told) / a.communities):.3f})"
    )
    broken, given = limits_kept(1000, a.seed)
    print(f"limits: {broken} of {given:,} plans in 1,000 random cases exceed one")
    for mine, best in beside_exhaustive():
        print(f"chance to pass of the likeliest plan {mine:.3f}, best of a coarse grid {best:.3f}")
    told, run, shipped = width(a.communities, 300)
    print(
        f"factor of the bound: foretold {told:.3f}, in {a.communities} communities {run:.3f} ({run / told - 1:+.1%}), shipped bound on 300 tests {shipped:.3f}"
    )
    told, seen, error = learning(a.communities // 4, a.seed)
    print(
        f"factor of a plan that narrows: foretold {told:.3f}, in {a.communities // 4} tests {seen:.3f} (s.e. {error:.1%})"
    )
    broken, given = learning_limits(1000, a.seed)
    print(f"learning plans: {broken} of {given:,} in 1,000 random cases exceed a limit")
    for mine, best in narrowest_grid((4.0, 2.5, 1.9), (6, 9, 13, 18, 24, 33)):
        print(f"bench days of the plan that narrows {mine:.3f}, best of a coarse grid {best:.3f}")
    for case in ACCELERATED:
        mine, best = accelerated_grid(case)
        print(f"factor of the accelerated plan {mine:.3f}, best of a coarse grid {best:.3f}")
    print(f"accelerated plan for the demo: {gain():.2f} times tighter than equal allocation")


if __name__ == "__main__":
    main()
