"""Are flight promises kept, and how long are they? Simulated communities over many truths.

    python -m tests.benchmarks.promise [--communities 400] [--random 20] [--seed 4711] [--only A H1] [--jobs 2]

Pinned truths, and truths newly drawn with a seed. Each community: modules at two voltages, broken parts
swapped and the module goes on, half the modules enter late, tests stop at random; one flight module with
some burn-in is promised shots at survival 0.9 and confidence 0.95 by the command's own question, refusals
included. A promise is kept when the true survival of that module over those shots, given its burn-in, is
0.9 or more. Printed: share kept with its standard error, median and lower decile of promise over what the
truth allows, share refused.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from tests.asking import asked
from tests.benchmarks.simulated import standard_error

VOLTS = (1300.0, 1500.0)
REFERENCE = 1400.0


@dataclass(frozen=True)
class Truth:
    """Shapes and scales of the slots (the first depends on voltage), modules, burn-in, flight voltage."""

    name: str
    slots: tuple[tuple[float, float], ...]
    modules: int = 10
    burn_in: float = 400.0
    flight_V: float = 1300.0
    exponent: float = 7.0

    def scale(self, j: int, volts: float) -> float:
        a = self.slots[j][1]
        return a * (volts / REFERENCE) ** -self.exponent if j == 0 else a

    def survival(self, shots: float) -> float:
        """Of the flight module over so many more shots."""
        h = 0.0
        for j, (b, _) in enumerate(self.slots):
            a = self.scale(j, self.flight_V)
            h += ((self.burn_in + shots) / a) ** b - (self.burn_in / a) ** b
        return float(np.exp(-h))

    def allows(self) -> float:
        """Shots with true survival 0.9."""
        return float(brentq(lambda n: self.survival(n) - 0.9, 1e-6, 1e7))


PINNED = (
    Truth("A", ((2.2, 6000.0), (1.4, 20000.0), (6.0, 90000.0), (1.0, 60000.0))),
    Truth("E", ((1.2, 9000.0), (0.7, 60000.0), (0.7, 60000.0)), 5, 300.0),
    Truth("H1", tuple((0.7, 30000.0) for _ in range(4)), 10, 300.0),
    Truth("H3", ((2.0, 30000.0), *((1.5, 120000.0) for _ in range(6))), 10, 400.0),
    Truth("R101.8", ((1.1, 9000.0), (0.9, 25000.0), (1.5, 20000.0), (2.0, 30000.0), (1.0, 60000.0), (3.0, 12000.0)),
          14, 300.0, 1240.0, 4.7),
    Truth("R303.4", ((2.0, 5000.0), *((s, 15000.0) for s in (0.8, 1.0, 1.5, 2.0, 1.2, 0.9))), 5, 600.0, 1300.0, 4.9),
    *(
        Truth(f"T26 e{e:g}", ((2.9, 6000.0), (2.9, 9000.0), (1.4, 30000.0), (2.0, 25000.0), (2.2, 30000.0), (1.0, 90000.0)),
              14, 0.0, 1240.0, e)
        for e in (7.0, 10.0, 13.8)
    ),
)  # fmt: skip


def drawn(rng: np.random.Generator, k: int) -> Truth:
    """A truth at random: shapes 0.7 to 5, exponents 4 to 11, 3 to 7 slots, 5 to 15 modules."""
    j = int(rng.integers(3, 8))
    shapes = np.exp(rng.uniform(np.log(0.7), np.log(5), j))
    scales = np.exp(rng.uniform(np.log(5000), np.log(80000), j))
    scales[0] = np.exp(rng.uniform(np.log(4000), np.log(10000)))
    return Truth(
        f"random {k}", tuple(zip(shapes.tolist(), scales.tolist(), strict=True)), int(rng.integers(5, 16)),
        float(rng.choice([0, 100, 300, 600, 1000])), float(rng.choice([1240, 1300, 1400])), float(rng.uniform(4, 11)),
    )  # fmt: skip


def community(t: Truth, rng: np.random.Generator) -> LifeRecords:
    """Life records of one community, the flight module among them."""
    rows = []
    for m in range(t.modules):
        volts = VOLTS[m % 2]
        begun = float(rng.choice([0.0, 500.0])) if m % 4 < 2 else 0.0
        end = rng.uniform(3000, 7000)
        for j, (shape, _) in enumerate(t.slots):
            scale = t.scale(j, volts)
            clock, start = begun, begun
            for _ in range(5):
                life = scale * ((start / scale) ** shape + rng.exponential()) ** (1 / shape)
                limit = start + end - clock
                failed = life <= limit
                good = min(life, limit)
                if good > start:
                    rows.append((f"m{m}", f"slot{j}", start, good, good if failed else np.inf, volts if j == 0 else np.nan))  # fmt: skip
                clock += good - start
                start = 0.0
                if not failed or end - clock < 100:
                    break
    if t.burn_in > 0:
        rows += [
            ("flight", f"slot{j}", 0.0, t.burn_in, np.inf, t.flight_V if j == 0 else np.nan)
            for j in range(len(t.slots))
        ]
    else:
        rows += [
            ("flight", f"slot{j}", 0.0, 0.0, np.inf, t.flight_V if j == 0 else np.nan)
            for j in range(len(t.slots))
        ]
    module, slot, begun_, good_, failed_, volts_ = zip(*rows, strict=True)
    return LifeRecords.of(
        good_, failed_, shots_from=begun_, module=module, slot=slot, part=["p"] * len(rows), covariates={"charge_V": volts_}
    )  # fmt: skip


def one(job: tuple[Truth, int]) -> float:
    """Shots promised in one community; nan where that is refused."""
    t, seed = job
    try:
        a = asked(
            "flight", community(t, np.random.default_rng([seed, 17])), module="flight", shots=1000, brief=True, seed=seed
        )  # fmt: skip
    except CannotAnswer:
        return float("nan")
    return a.promise.shots


def score(t: Truth, promises: np.ndarray) -> dict[str, float]:
    """Kept, its standard error, median and lower decile of promise over truth, refused."""
    given = promises[np.isfinite(promises)]
    allows = t.allows()
    kept = float((given <= allows).mean()) if given.size else float("nan")
    return {
        "kept": kept, "se": standard_error(kept, given.size),
        "median": float(np.median(given) / allows), "tenth": float(np.quantile(given, 0.1) / allows),
        "refused": float(1 - given.size / promises.size),
    }  # fmt: skip


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--communities", type=int, default=400)
    p.add_argument("--random", type=int, default=20)
    p.add_argument("--seed", type=int, default=4711)
    p.add_argument("--only", nargs="*")
    p.add_argument("--jobs", type=int, default=2)
    a = p.parse_args()
    rng = np.random.default_rng(a.seed)
    truths = [*PINNED, *(drawn(rng, k) for k in range(a.random))]
    if a.only:
        truths = [t for t in truths if t.name in a.only]
    print("truth | allows | kept % | se | median | tenth | refused %", flush=True)
    all_kept = []
    with ProcessPoolExecutor(a.jobs) as pool:
        for t in truths:
            jobs = [(t, s) for s in range(a.communities)]
            s = score(t, np.array(list(pool.map(one, jobs, chunksize=10))))
            all_kept.append(s["kept"])
            print(
                f"{t.name} | {t.allows():.0f} | {100 * s['kept']:.1f} | {100 * s['se']:.1f} | {s['median']:.2f} | "
                f"{s['tenth']:.2f} | {100 * s['refused']:.0f}", flush=True,
            )  # fmt: skip
    print(f"mean kept {100 * np.mean(all_kept):.1f} % over {len(truths)} truths")


if __name__ == "__main__":
    main()
