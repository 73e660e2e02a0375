"""Do plans do what they foretell? Pass chances and bound widths against simulated communities.

python tests/benchmarks/campaign.py [--communities 2000]
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from reliability.life.bounds import Bounder
from reliability.life.design import Plan, bound_width
from reliability.life.families import WEIBULL
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.targets import LogQuantile
from reliability.records import LifeRecords, join
from reliability.sheets.life import read_life
from tests.asking import asked

DEMO = Path(__file__).parents[2] / "datasets" / "demo"


def demo_capacitors() -> LifeRecords:
    r = join(read_life(f).records for f in sorted(DEMO.glob("life_*.csv")))
    return r.select((r.slot == "main_capacitor") & (r.part == "film-a"))


def pass_chance(communities: int) -> tuple[float, float]:
    """Foretold and seen share of passes of one demonstration plan."""
    records = demo_capacitors()
    plan = asked("demonstrate", records, demonstrate_shots=400, shape=2, units=10, failures=2)
    fit = fit_life(records)
    rng = np.random.default_rng(1)
    lives = fit.scale * rng.weibull(fit.shape, (communities, plan.units))
    seen = ((lives < plan.shots_each).sum(axis=1) <= plan.failures_allowed).mean()
    return plan.pass_estimated, float(seen)


def width(communities: int, shipped: int) -> tuple[float, float, float]:
    """Foretold factor; the same by simulation; and with the shipped calibrated bound on some tests."""
    phi = np.array([[2.0], [-2.0 * np.log(5000.0)]])
    end = float((WEIBULL.quantile(np.array(0.5)) - phi[1, 0]) / phi[0, 0])
    plan = Plan(np.empty((1, 0)), np.array([12]), np.array([end]))
    target = LogQuantile(float(WEIBULL.quantile(np.array(0.1))))
    told = bound_width(WEIBULL, phi, plan, target, 0.95, seed=1).factor
    run = bound_width(WEIBULL, phi, plan, target, 0.95, draws=communities, seed=99).factor
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
    a = p.parse_args()
    told, seen = pass_chance(a.communities)
    print(
        f"chance to pass: foretold {told:.3f}, seen {seen:.3f} (s.e. {np.sqrt(told * (1 - told) / a.communities):.3f})"
    )
    told, run, shipped = width(a.communities, 300)
    print(
        f"factor of the bound: foretold {told:.3f}, in {a.communities} communities {run:.3f} ({run / told - 1:+.1%}), shipped bound on 300 tests {shipped:.3f}"
    )
    print(f"accelerated plan for the demo: {gain():.2f} times tighter than equal allocation")


if __name__ == "__main__":
    main()
