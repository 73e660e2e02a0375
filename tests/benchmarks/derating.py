"""Is the allowed voltage safe? Simulated campaigns with known truth.

    python tests/benchmarks/derating.py [--campaigns 1000]

Each campaign: 3 voltages, 6 units each, about half censored. The allowed voltage is safe when the true
life that 90 % reach at it is at least the required one. Solved with the shipped function, not a shortcut.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from tests.asking import asked

VOLTS = np.array([1200.0, 1400.0, 1600.0])
SCALE, EXPONENT, SHAPE, REFERENCE = 5000.0, 7.0, 2.0, 1400.0


def campaign(rng: np.random.Generator) -> LifeRecords:
    """One test campaign; each voltage stops at a fixed count near its true median life."""
    v = np.repeat(VOLTS, 6)
    scale = SCALE * (v / REFERENCE) ** -EXPONENT
    t = scale * rng.weibull(SHAPE, v.size)
    end = scale * np.log(2) ** (1 / SHAPE)
    return LifeRecords.of(
        np.minimum(t, end), np.where(t <= end, t, np.inf), covariates={"charge_V": v}
    )


def one(seed: int) -> str:
    rng = np.random.default_rng(seed)
    shots, survival = 3000.0, 0.9
    truth = REFERENCE * (SCALE * (-np.log(survival)) ** (1 / SHAPE) / shots) ** (1 / EXPONENT)
    try:
        a = asked(
            "derate",
            campaign(rng),
            stress=("charge_V:power",),
            shots=shots,
            survival=survival,
            seed=seed,
        )
    except CannotAnswer:
        return "no answer"
    level = a.allowed.charge_V
    if not np.isfinite(level):
        return "none allowed"
    return "safe" if level <= truth else "unsafe"


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--campaigns", type=int, default=1000)
    p.add_argument("--jobs", type=int, default=2)
    a = p.parse_args()
    with ProcessPoolExecutor(a.jobs) as pool:
        out = list(pool.map(one, range(a.campaigns), chunksize=10))
    counts = {k: out.count(k) for k in ("safe", "unsafe", "none allowed", "no answer")}
    print(counts)
    safe = 1 - counts["unsafe"] / a.campaigns
    print(
        f"safe (or none allowed): {safe:.1%} of {a.campaigns} campaigns, s.e. {np.sqrt(0.0475 / a.campaigns):.1%}; wanted: 94 % or more at confidence 0.95"
    )


if __name__ == "__main__":
    main()
