"""Does the flight module's own burn-in belong to the evidence? Communities in which it was burnt in and chosen.

    python -m tests.benchmarks.burn_in [--communities 300] [--only NAME NAME] [--jobs 2]

Three ways to come by a flight module of so much burn-in: ``swapped`` (a part that fails is replaced, on record,
until the module has run its burn-in in one piece), ``chosen`` (three modules at a time are burnt in, those that
failed are on record too, the last that lasted flies) and ``hidden`` (the same, but of those burnt in only the one
that flies is on record). Truths with plain Weibull lives; with a spread of units and of whole modules (normal, of
the log of life); with weak units. Printed: share of promises kept given the module's own survival so far, its
standard error, median of promise over what the truth allows, share refused or none (below one shot).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.optimize import brentq

from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from tests.asking import asked
from tests.benchmarks.simulated import arguments, runs_of, standard_error

VOLTS, REFERENCE, EXPONENT = (1300.0, 1500.0), 1400.0, 7.0
FLOWN_V = 1300.0
WEAK_LIFE = 150.0
CHOSEN_OF = 3
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
WEIGHTS = WEIGHTS / WEIGHTS.sum()
Row = tuple[str, str, float, float, float]


@dataclass(frozen=True)
class Case:
    """Shapes and scales of the slots (the first depends on the voltage), other modules, burn-in."""

    name: str
    slots: tuple[tuple[float, float], ...]
    burn_in: float
    way: str = "swapped"
    others: int = 10
    unit_sd: float = 0.0
    module_sd: float = 0.0
    weak: float = 0.0

    def scale(self, j: int, volts: float) -> float:
        return self.slots[j][1] * ((volts / REFERENCE) ** -EXPONENT if j == 0 else 1.0)

    def life(self, j: int, volts: float, factor: float, rng: np.random.Generator) -> float:
        """A life drawn; ``factor`` is the module's."""
        own = factor * np.exp(self.unit_sd * rng.standard_normal())
        drawn = own * self.scale(j, volts) * rng.weibull(self.slots[j][0])
        if rng.random() < self.weak:
            drawn = min(drawn, rng.exponential(WEAK_LIFE))
        return float(drawn)

    def survival(self, ages: np.ndarray) -> float:
        """Of one module with units of these ages, over what units and modules differ by."""
        total = 0.0
        for u, w in zip(NODES, WEIGHTS, strict=True):
            one = 1.0
            for j, (t, (shape, _)) in enumerate(zip(ages, self.slots, strict=True)):
                a = self.scale(j, FLOWN_V) * np.exp(self.module_sd * u + self.unit_sd * NODES)
                sound = 1 - self.weak + self.weak * np.exp(-t / WEAK_LIFE)
                one *= sound * float(WEIGHTS @ np.exp(-((t / a) ** shape)))
            total += w * one
        return float(total)

    def allows(self, ages: np.ndarray) -> float:
        """Shots from these ages with true survival 0.9."""
        now = self.survival(ages)
        return float(
            np.exp(brentq(lambda v: self.survival(ages + np.exp(v)) - 0.9 * now, -14.0, 16.0))
        )

    @cached_property
    def names(self) -> list[str]:
        return [f"slot{j}" for j in range(len(self.slots))]


@dataclass
class Community:
    """Rows on record, and the ages of the flight module's units."""

    case: Case
    rng: np.random.Generator

    def _row(self, m: str, j: int, life: float, end: float, volts: float) -> Row:
        failed = life if life <= end else np.inf
        return (m, self.case.names[j], min(life, end), failed, volts if j == 0 else np.nan)

    def _factor(self) -> float:
        return float(np.exp(self.case.module_sd * self.rng.standard_normal()))

    def other(self, k: int) -> list[Row]:
        """A module of the pool: each unit runs until it fails, or the test stops at random."""
        c, volts, factor = self.case, VOLTS[k % 2], self._factor()
        lives = [c.life(j, volts, factor, self.rng) for j in range(len(c.slots))]
        end = self.rng.uniform(3000, 7000)
        return [self._row(f"m{k}", j, y, end, volts) for j, y in enumerate(lives)]

    def swapped(self) -> tuple[list[Row], np.ndarray]:
        """A module burnt in, broken parts replaced, until it has run its burn-in in one piece."""
        c, factor, done = self.case, self._factor(), []
        life = [c.life(j, FLOWN_V, factor, self.rng) for j in range(len(c.slots))]
        age = np.zeros(len(life))
        while True:
            left = np.array(life) - age
            j = int(left.argmin())
            if left[j] > c.burn_in:
                break
            age = age + left[j]
            done.append(self._row("flight", j, life[j], np.inf, FLOWN_V))
            life[j], age[j] = c.life(j, FLOWN_V, factor, self.rng), 0.0
        age = age + c.burn_in
        return done + [self._row("flight", j, np.inf, a, FLOWN_V) for j, a in enumerate(age)], age

    def chosen(self) -> tuple[list[Row], np.ndarray]:
        """Modules burnt in until one at least of three lasts it; those that failed stop there."""
        c, rows, k = self.case, [], 0
        while True:
            last: list[Row] = []
            for _ in range(CHOSEN_OF):
                k, factor = k + 1, self._factor()
                life = [c.life(j, FLOWN_V, factor, self.rng) for j in range(len(c.slots))]
                end = min(c.burn_in, *life)
                own = [self._row(f"b{k}", j, y, end, FLOWN_V) for j, y in enumerate(life)]
                rows += own
                last = own if end == c.burn_in else last
            if last:
                break
        named = [("flight", *r[1:]) if r[0] == last[0][0] else r for r in rows]
        return named, np.full(len(c.slots), c.burn_in)

    def hidden(self) -> tuple[list[Row], np.ndarray]:
        """The same, only the one that flies on record."""
        rows, age = self.chosen()
        return [r for r in rows if r[0] == "flight"], age

    def drawn(self) -> tuple[LifeRecords, np.ndarray]:
        rows = [r for k in range(self.case.others) for r in self.other(k)]
        own, age = getattr(self, self.case.way)()
        module, slot, good, failed, volts = zip(*rows, *own, strict=True)
        units = [f"u{i}" for i in range(len(module))]
        records = LifeRecords.of(
            good, failed, module=module, slot=slot, unit=units, part=["p"] * len(units), covariates={"charge_V": volts}
        )  # fmt: skip
        return records, age


A = ((2.2, 6000.0), (1.4, 20000.0), (6.0, 90000.0), (1.0, 60000.0))
LOW = tuple((0.7, 30000.0) for _ in range(4))
ONE = ((2.0, 5000.0),)
CASES = [
    *(Case(f"A, {way}", A, 400.0, way) for way in ("swapped", "chosen", "hidden")),
    *(Case(f"A burnt in 4,000, {way}", A, 4000.0, way) for way in ("swapped", "chosen", "hidden")),
    *(Case(f"shape 0.7, {way}", LOW, 1000.0, way) for way in ("swapped", "chosen", "hidden")),
    *(Case(f"two others, 5,000, {way}", ONE, 5000.0, way, 2) for way in ("swapped", "chosen", "hidden")),
    *(Case(f"two others, four slots, 3,000, {way}", A, 3000.0, way, 2) for way in ("swapped", "chosen", "hidden")),
    *(Case(f"units differ, {way}", A, 3000.0, way, unit_sd=0.5) for way in ("swapped", "chosen", "hidden")),
    *(Case(f"modules differ, {way}", A, 3000.0, way, module_sd=0.5) for way in ("swapped", "chosen", "hidden")),
    *(Case(f"weak units, {way}", A, 600.0, way, weak=0.1) for way in ("swapped", "chosen", "hidden")),
    *(Case(f"weak units, four others, {way}", A, 2000.0, way, 4, weak=0.1) for way in ("swapped", "chosen", "hidden")),
]  # fmt: skip


def one(job: tuple[int, int]) -> tuple[float, float]:
    """Shots promised in one community, and those the truth allows; nan where refused."""
    case, seed = CASES[job[0]], job[1]
    records, age = Community(case, np.random.default_rng([seed, 29])).drawn()
    try:
        a = asked("flight", records, module="flight", shots=1000, brief=True, seed=seed)
    except CannotAnswer:
        return float("nan"), float("nan")
    return a.promise.shots, case.allows(age)


def main() -> None:
    a = arguments(__doc__, "communities", 300, 0)
    print("case | kept % | se | median | tenth | none %", flush=True)
    for c, r in runs_of(CASES, one, a):
        promised, allows = r.T
        given = np.isfinite(promised)
        ratio = promised[given] / allows[given]
        kept = float((ratio <= 1).mean())
        none = 1 - float((promised >= 1).mean())
        print(
            f"{c.name} | {100 * kept:.1f} | {100 * standard_error(kept, int(given.sum())):.1f} | {np.median(ratio):.2f} | "
            f"{np.quantile(ratio, 0.1):.2f} | {100 * none:.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
