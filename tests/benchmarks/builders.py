"""False alarms and power of the comparison of builders.

python tests/benchmarks/builders.py [--communities 1000]
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np

from reliability.decisions.builders import Builders, builders
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords


def community(rng: np.random.Generator, units: int, factors: list[float]) -> LifeRecords:
    """Each builder's scale times a factor; all tests end at one count."""
    names = [f"b{g}" for g in range(len(factors)) for _ in range(units)]
    life = 5000 * np.repeat(factors, units) * rng.weibull(2.0, units * len(factors))
    return LifeRecords.of(
        np.minimum(life, 5500), np.where(life <= 5500, life, np.inf), builder=names
    )


def one(seed: int, units: int, factors: list[float]) -> tuple[bool, bool]:
    """Whether the builders are found to differ, and whether the first one is named."""
    try:
        a = builders(
            community(np.random.default_rng(seed), units, factors), Builders(seed=seed), 199
        )
    except CannotAnswer:
        return False, False
    return a.same_life_p < 0.05, a.builders[0].differs


def share(communities: int, units: int, factors: list[float], jobs: int = 2) -> np.ndarray:
    with ProcessPoolExecutor(jobs) as pool:
        out = list(
            pool.map(partial(one, units=units, factors=factors), range(communities), chunksize=10)
        )
    return np.array(out, float).mean(axis=0)


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--communities", type=int, default=1000)
    p.add_argument("--jobs", type=int, default=2)
    a = p.parse_args()
    alarm = share(a.communities, 6, [1.0] * 5, a.jobs)
    print(
        f"equal builders, 5 of 6 units: found to differ {alarm[0]:.1%} (wanted 3 to 7 %), one named {alarm[1]:.1%}"
    )
    power = share(a.communities, 20, [0.5, 1, 1, 1, 1], a.jobs)
    print(
        f"one builder with half the life, 20 units each: found {power[0]:.1%} (wanted 80 % or more), named {power[1]:.1%}"
    )


if __name__ == "__main__":
    main()
