"""What does the declaration "no early failures" bring where it is true, and cost where it is false?

    python -m tests.benchmarks.no_early_failures [--sets 150] [--first 7000] [--jobs 2] [--only NAME NAME]

Each set is one slot at one voltage, 5 to 12 units, ended by a failure or by time. Printed: share refused as
contradicted by the records; of the others the share of 95 % bounds on the 10 % life that are kept with the
declaration, without it, and medians of truth over bound of both. ``FALLS`` was chosen on seeds 0 to 79.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from reliability.records import LifeRecords
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.promise import ModuleModel
from tests.benchmarks.simulated import arguments, runs_of, standard_error

SCALE = 3000.0
Life = Callable[[np.random.Generator, int], tuple[np.ndarray, float]]
"""lives of so many units, and the true 10 % life"""


@dataclass(frozen=True)
class Truth:
    """A truth by name, and whether the declaration holds there."""

    name: str
    lives: Life
    holds: bool


def weibull(low: float, high: float) -> Life:
    def lives(rng: np.random.Generator, n: int) -> tuple[np.ndarray, float]:
        b = rng.uniform(low, high)
        return SCALE * rng.weibull(b, n), SCALE * (-np.log(0.9)) ** (1 / b)

    return lives


def chance_and_wear(rng: np.random.Generator, n: int) -> tuple[np.ndarray, float]:
    """Chance (mean two scales) beside wear-out of shape 2 to 5."""
    b = rng.uniform(2, 5)
    t = np.minimum(2 * SCALE * rng.exponential(size=n), SCALE * rng.weibull(b, n))
    return t, float(brentq(lambda x: x / (2 * SCALE) + (x / SCALE) ** b + np.log(0.9), 1e-6, SCALE))


def infants(share: float) -> Life:
    """So many weak units, dead after a mean of a fortieth of the scale; the rest wears out with shape 3."""

    def lives(rng: np.random.Generator, n: int) -> tuple[np.ndarray, float]:
        t, weak = SCALE * rng.weibull(3.0, n), rng.random(n) < share
        t = np.where(weak, np.minimum(t, SCALE / 40 * rng.exponential(size=n)), t)

        def survives(x: float) -> float:
            return float(
                (share * np.exp(-40 * x / SCALE) + 1 - share) * np.exp(-((x / SCALE) ** 3))
            )

        return t, float(brentq(lambda x: survives(x) - 0.9, 1e-9, SCALE))

    return lives


TRUTHS = [
    Truth("shapes 1.2 to 4.4", weibull(1.2, 4.4), True),
    Truth("shape 1", weibull(1.0, 1.0), True),
    Truth("chance beside wear-out", chance_and_wear, True),
    Truth("shape 0.85", weibull(0.85, 0.85), False),
    Truth("shape 0.7", weibull(0.7, 0.7), False),
    Truth("infants 6 %", infants(0.06), False),
    Truth("infants 17 %", infants(0.17), False),
]


def tested(truth: Truth, rng: np.random.Generator) -> tuple[LifeRecords, float]:
    """A test with a failure at least, and the true 10 % life."""
    while True:
        n = int(rng.integers(5, 13))
        t, life = truth.lives(rng, n)
        if rng.integers(2):
            end = np.full(n, np.sort(t)[int(rng.integers(2, max(3, n // 2 + 1))) - 1])
        else:
            end = SCALE * rng.uniform(0.3, 1.0, n)
        y, dead = np.minimum(t, end), t <= end
        if dead.any():
            return LifeRecords.of(y, np.where(dead, y, np.inf)), life


def one(job: tuple[int, int]) -> tuple[float, float, float]:
    """Whether refused, and truth over the bound with the declaration and without."""
    truth, rng = TRUTHS[job[0]], np.random.default_rng([job[1], job[0]])
    records, life = tested(truth, rng)
    slot = slot_data("igniter", records, Asked())
    declared = ModuleModel([slot], seed=job[1], burned_in=True)
    refused = bool(declared.speaks_against_burn_in())
    plain = ModuleModel([slot], seed=job[1]).promise(0.9, 0.95)
    return float(refused), life / declared.promise(0.9, 0.95), life / plain


def main() -> None:
    a = arguments(__doc__, "sets", 150, 7000)
    print(
        "truth | declaration | refused % | kept % (s.e.) | truth over bound | undeclared kept % | truth over it"
    )
    for t, r in runs_of(TRUTHS, one, a):
        given = r[r[:, 0] == 0]
        kept, plain = (given[:, 1] >= 1).mean(), (given[:, 2] >= 1).mean()
        print(
            f"{t.name} | {'true' if t.holds else 'false'} | {100 * r[:, 0].mean():.0f} | {100 * kept:.1f} "
            f"({100 * standard_error(kept, len(given)):.1f}) | {np.median(given[:, 1]):.2f} | {100 * plain:.1f} | "
            f"{np.median(given[:, 2]):.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
