"""Is the allowed voltage safe? Simulated campaigns with known truth.

    python tests/benchmarks/derating.py [--campaigns 1000] [--monotone 500] [--first 0]

Each campaign: 3 voltages, 6 units each, about half censored. The allowed voltage is safe when the true
life that 90 % reach at it is at least the required one. Asked as a user asks it, refusals counted.
Beside it: allowed voltage over the truly allowed one. ``--monotone``: random pairs of questions on random
campaigns, the second harder; how many allow more voltage.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from reliability.decisions.derating_level import Asking, course
from reliability.life.stress import StressFit, fit_stress, parse_term
from reliability.life.stress_bounds import StressBounder
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


SHOTS, SURVIVAL = 3000.0, 0.9
TRUTH = REFERENCE * (SCALE * (-np.log(SURVIVAL)) ** (1 / SHAPE) / SHOTS) ** (1 / EXPONENT)


def one(seed: int) -> float:
    """Allowed voltage over the truly allowed one in one campaign; 0 where none is allowed, nan if refused."""
    try:
        a = asked(
            "derate", campaign(np.random.default_rng(seed)), stress=("charge_V:power",), shots=SHOTS, survival=SURVIVAL,
            seed=seed,
        )  # fmt: skip
    except CannotAnswer:
        return float("nan")
    level = a.allowed.charge_V
    return level / TRUTH if np.isfinite(level) else 0.0


def allowed(fit: StressFit, shots: float, survival: float, confidence: float) -> float:
    """The allowed level as ``derate`` works it out, 0 where there is none; without its checks of the model."""
    asking = Asking("charge_V", {}, survival, confidence, "calibrated", 1)
    level = course(fit, StressBounder(fit, confidence), asking).highest(shots)
    return 0.0 if np.isnan(level) else level


def crossings(cases: int, seed: int) -> list[tuple[dict[str, float], dict[str, float]]]:
    """Pairs of questions of which the harder one is allowed more voltage; there should be none."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(cases):
        r = campaign(rng)
        easy = {
            "shots": float(np.exp(rng.uniform(np.log(300), np.log(6000)))),
            "survival": float(rng.uniform(0.5, 0.99)), "confidence": float(rng.uniform(0.6, 0.98)),
        }  # fmt: skip
        near = float(np.exp(rng.uniform(np.log(1e-4), 0)))
        hard = {
            "shots": easy["shots"] * (1 + near), "survival": easy["survival"] + near * (1 - easy["survival"]) * 0.9,
            "confidence": easy["confidence"] + near * (1 - easy["confidence"]) * 0.9,
        }  # fmt: skip
        change = rng.choice(list(easy))
        harder = {**easy, change: hard[change]}
        try:
            fit = fit_stress(r, [parse_term("charge_V:power")])
        except CannotAnswer:
            continue
        low, high = (allowed(fit, **q) for q in (easy, harder))
        if high > low:
            found.append((easy, harder))
    return found


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--campaigns", type=int, default=1000)
    p.add_argument("--monotone", type=int, default=0)
    p.add_argument(
        "--first", type=int, default=0, help="seed of the first campaign, or of the pairs"
    )
    p.add_argument("--jobs", type=int, default=2)
    a = p.parse_args()
    if a.monotone:
        print(f"{len(crossings(a.monotone, a.first))} of {a.monotone} pairs cross")
        return
    with ProcessPoolExecutor(a.jobs) as pool:
        out = np.array(list(pool.map(one, range(a.first, a.first + a.campaigns), chunksize=10)))
    given = out[out > 0]
    kept = 1 - (given > 1).sum() / out.size
    print(
        f"safe (or none allowed, or refused) {kept:.1%} of {out.size} campaigns, s.e. {np.sqrt(0.0475 / out.size):.1%}; "
        f"of those allowed a voltage {(given <= 1).mean():.1%}; allowed over truly allowed: median {np.median(given):.3f}, lower "
        f"decile {np.quantile(given, 0.1):.3f}; none allowed {(out == 0).mean():.1%}, refused {np.isnan(out).mean():.1%}"
    )


if __name__ == "__main__":
    main()
