"""Coverage of the lower prediction bound on a unit's remaining shots.

    python tests/benchmarks/wear.py [--communities 1000]

Each community: 8 units with their own start and slope, 5 readings each with error. One unit is asked for its
remaining shots to 80 % of its start; its true line is known.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from reliability.readings import WearReadings
from reliability.wear.limits import DEFAULT_LIMITS, remaining
from reliability.wear.paths import fit_paths

LIMIT = DEFAULT_LIMITS["capacitance_uF"]


def community(
    rng: np.random.Generator, units: int, readings: int
) -> tuple[WearReadings, np.ndarray, np.ndarray]:
    """Readings, and each unit's true start and slope."""
    start = rng.normal(1.0, 0.03, units)
    slope = rng.normal(-3e-5, 6e-6, units)
    t = np.linspace(0, 3000, readings)
    shots = np.tile(t, units)
    u = np.repeat(np.arange(units), readings)
    value = start[u] + slope[u] * shots + rng.normal(0, 0.006, u.size)
    n = u.size
    text = np.full(n, "a", object)
    return (
        WearReadings(
            text,
            np.array([f"m{i}" for i in u], object),
            text,
            text,
            np.full(n, "capacitance_uF", object),
            shots,
            value,
        ),
        start,
        slope,
    )


def one(args: tuple[int, int, int, float]) -> bool:
    """Whether the first unit's bound lies at or below its true remaining shots."""
    seed, units, readings, confidence = args
    w, start, slope = community(np.random.default_rng(seed), units, readings)
    fit = fit_paths(w)
    first = next(r for r in remaining(fit, LIMIT, confidence) if r.unit == "a/m0/a/a")
    truth = max(0.0, (LIMIT.value - 1) * start[0] / slope[0] - 3000) if slope[0] < 0 else np.inf
    return first.lower <= truth


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--communities", type=int, default=1000)
    p.add_argument("--jobs", type=int, default=2)
    a = p.parse_args()
    with ProcessPoolExecutor(a.jobs) as pool:
        for units, readings in ((8, 5), (5, 4)):
            out = list(
                pool.map(
                    one, [(s, units, readings, 0.95) for s in range(a.communities)], chunksize=20
                )
            )
            print(
                f"{units} units, {readings} readings each: {np.mean(out):.1%} (nominal 95 %, s.e. {np.sqrt(0.0475 / a.communities):.1%})",
                flush=True,
            )


if __name__ == "__main__":
    main()
