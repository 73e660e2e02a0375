"""Is the module life of one builder with five modules of use, and true? The demo's communities drawn again.

    python -m tests.benchmarks.one_builder [--communities 200] [--jobs 2]

Each of the demo's five plain builders tests five modules, drawn from the demo's truth (``datasets/demo``; units found
dead at their first inspection, which are drawn by no law, left out). The ``module`` question at the commonest voltage is
set against the true module life of that builder there. Printed for each builder: share true with its standard error,
median of bound over truth, the least bound and how many are 40 shots or less.
"""

from __future__ import annotations

import argparse
import csv
import importlib.util
import math
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from types import ModuleType

import numpy as np
from scipy.optimize import brentq

from reliability.sheets.life import read_life
from tests.asking import asked
from tests.benchmarks.simulated import standard_error

MODULES = 5
LEAST = 40.0
DEMO = Path(__file__).parents[2] / "datasets" / "demo" / "make_demo.py"


def demo() -> ModuleType:
    """The demo's generator."""
    spec = importlib.util.spec_from_file_location("make_demo", DEMO)
    assert spec is not None and spec.loader is not None
    found = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(found)
    return found


def allows(made: ModuleType, part: str, volts: float, effect: float) -> float:
    """Shots that 90 % of the builder's modules reach at a voltage."""

    def hazard(log: float) -> float:
        total = 0.0
        for slot, (shape, scale, _) in made.SLOTS.items():
            if slot == "main_capacitor":
                factor = made.PART_FACTOR[part] * math.exp(effect)
                scale *= (volts / made.REFERENCE_V) ** -made.EXPONENT * factor
            total += (math.exp(log) / scale) ** shape
        return total + math.log(0.9)

    return math.exp(float(brentq(hazard, -20.0, 20.0)))


def one(job: tuple[str, int]) -> tuple[float, float]:
    """Lower bound of the module life of one builder's five modules, and the true life."""
    code, seed = job
    made = demo()
    made.BUILDERS[code] = (MODULES, *made.BUILDERS[code][1:])
    rng = np.random.default_rng([seed, list(made.BUILDERS).index(code)])
    effect = float(rng.normal(0.0, made.BUILDER_SD))
    rows = [r for r in made.build(code, rng, effect) if "first inspection" not in r["note"]]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "life.csv"
        with path.open("w", newline="", encoding="utf-8") as f:
            out = csv.DictWriter(f, made.COLUMNS)
            out.writeheader()
            out.writerows(rows)
        records = read_life(path).records
    a = asked("module", records, seed=seed)
    return a.life.lower, allows(made, made.BUILDERS[code][1], float(a.at["charge_V"]), effect)


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--communities", type=int, default=200)
    p.add_argument("--jobs", type=int, default=2)
    a = p.parse_args()
    print("builder | true % | se | median | least | 40 or less", flush=True)
    with ProcessPoolExecutor(a.jobs) as pool:
        for code in demo().BUILDERS:
            jobs = [(code, s) for s in range(a.communities)]
            low, truth = np.array(list(pool.map(one, jobs, chunksize=5))).T
            true = float((low <= truth).mean())
            se = standard_error(true, low.size)
            print(
                f"{code} | {100 * true:.1f} | {100 * se:.1f} | {np.median(low / truth):.2f} | {low.min():.0f} | "
                f"{(low <= LEAST).sum()}", flush=True,
            )  # fmt: skip


if __name__ == "__main__":
    main()
