"""Is the second line by siblings kept, and how much shorter or longer is it than the headline?

    python -m tests.benchmarks.siblings [--sets 150] [--first 5000] [--jobs 2] [--only NAME NAME]

Each set is a group asked of and sibling groups of known shapes, at one voltage, ended by a failure or by
time. Printed: share kept of the slot's own bound (95 % on the 10 % life) and of the second line, medians of
truth over bound, median of the one width over the other, share of sets without siblings enough. Weights of early causes in
the second line were chosen on seeds 0 to 59.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from reliability.decisions.siblings import Wish, look_at
from reliability.records import LifeRecords, join
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.promise import ModuleModel
from tests.benchmarks.simulated import arguments, runs_of, standard_error

SCALE = 3000.0
Shapes = Callable[[np.random.Generator], np.ndarray]


@dataclass(frozen=True)
class Truth:
    """Shapes of the group asked of (the first) and of its siblings; failures wanted and units of the first."""

    name: str
    shapes: Shapes
    failures: int
    units: int


def even(median: float, sd: float, siblings: int) -> Shapes:
    return lambda rng: median * np.exp(sd * rng.standard_normal(siblings + 1))


def odd(own: float, other: float, siblings: int) -> Shapes:
    return lambda rng: np.array([own] + [other] * siblings)


TRUTHS = [
    Truth("even, near 1.8, sd 0.3, four", even(1.8, 0.3, 4), 4, 9),
    Truth("even, near 3.5, sd 0.2, six", even(3.5, 0.2, 6), 3, 10),
    Truth("even, near 1, sd 0.2, three", even(1.0, 0.2, 3), 3, 8),
    Truth("even, near 2.5, sd 0.2, five, 1 failure", even(2.5, 0.2, 5), 1, 8),
    Truth("far apart, near 2, sd 0.8, five", even(2.0, 0.8, 5), 4, 9),
    Truth("odd, 0.7 beside five of 2", odd(0.7, 2.0, 5), 4, 9),
    Truth("odd, 0.7 beside four of 3", odd(0.7, 3.0, 4), 4, 9),
    Truth("odd, 1 beside four of 3, 1 failure", odd(1.0, 3.0, 4), 1, 9),
    Truth("odd, 4 beside four of 1.5", odd(4.0, 1.5, 4), 4, 9),
]


def group(rng: np.random.Generator, shape: float, scale: float, size: tuple[int, int], name: str) -> LifeRecords:  # fmt: skip
    """Units of one builder, so many failures of them wanted: up to that failure, or for a time that brings as many."""
    failures, n = size
    t = scale * rng.weibull(shape, n)
    if rng.integers(2):
        end = np.full(n, np.sort(t)[min(failures, n) - 1])
    else:
        end = scale * (-np.log1p(-failures / n)) ** (1 / shape) * rng.uniform(0.7, 1.4, n)
    y, dead = np.minimum(t, end), t <= end
    return LifeRecords.of(y, np.where(dead, y, np.inf), builder=[name] * n, slot=["igniter"] * n)


def one(job: tuple[int, int]) -> tuple[float, float]:
    """Truth over the slot's own bound, and over the second line; nan where there is none."""
    truth, rng = TRUTHS[job[0]], np.random.default_rng([job[1], job[0]])
    shapes = truth.shapes(rng)
    own = group(rng, shapes[0], SCALE, (truth.failures, truth.units), "own")
    others = [
        group(rng, b, SCALE * np.exp(0.5 * rng.standard_normal()), (int(rng.integers(3, 6)), int(rng.integers(6, 14))), f"s{i}")
        for i, b in enumerate(shapes[1:])
    ]  # fmt: skip
    model = ModuleModel([slot_data("igniter", own, Asked())], seed=job[1])
    looked = look_at(model, 0, own, join([own, *others]), Wish(0.9, 0.95))
    life = SCALE * (-np.log(0.9)) ** (1 / shapes[0])
    found = looked.found if looked else None
    second = life / found.shots if found else np.nan
    return life / model.promise(0.9, 0.95), second


def main() -> None:
    a = arguments(__doc__, "sets", 150, 5000)
    print(
        "truth | kept % | truth over bound | by siblings kept % (s.e.) | truth over it | one over the other | none %"
    )
    for t, r in runs_of(TRUTHS, one, a):
        told = r[np.isfinite(r[:, 1])]
        kept = (told[:, 1] >= 1).mean()
        print(
            f"{t.name} | {100 * (r[:, 0] >= 1).mean():.1f} | {np.median(r[:, 0]):.2f} | {100 * kept:.1f} "
            f"({100 * standard_error(kept, len(told)):.1f}) | {np.median(told[:, 1]):.2f} | "
            f"{np.median(told[:, 1] / told[:, 0]):.2f} | {100 * (1 - len(told) / len(r)):.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
