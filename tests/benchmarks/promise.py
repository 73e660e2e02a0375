"""Are promises kept, and how short are they? Simulated communities with known truth.

    python -m tests.benchmarks.promise [--communities 60] [--jobs 2] [--truths pinned|drawn|NAME]
                                       [--seed 20261126] [--draws 250]

Each community: modules of several slots at 1,300 and 1,500 V; broken parts are swapped and the module
goes on, half the modules enter late, tests stop at random; one flight module with some shots of burn-in
is promised shots at survival 0.9 and confidence 0.95 by the whole call with its refusals. Printed for
each truth: share kept where a promise was given with its standard error, median and lower decile of
promise over truth, share refused. Pinned truths keep their name and description from the search for
the method (PROTOTYPES); where that gave no scales, they are set here so that the truth allows as many
shots as it did there. Truths "drawn" come from the seed.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.model import flight_module
from reliability.slots.promise import Ask, promise

REFERENCE, H = 1400.0, -np.log(0.9)
CAPACITOR = "main_capacitor"


@dataclass(frozen=True)
class Truth:
    """Slots (the first is the capacitor, scales at the flight voltage), tests and flight."""

    name: str
    shapes: tuple[float, ...]
    scales: tuple[float, ...]
    modules: int = 10
    burn_in: float = 400.0
    flight_V: float = 1300.0
    exponent: float = 7.0
    wants: float = 0.0

    @property
    def slots(self) -> list[str]:
        return [CAPACITOR, *(f"slot{j}" for j in range(1, len(self.shapes)))]

    def scale(self, j: int, volts: float) -> float:
        return self.scales[j] * ((volts / self.flight_V) ** -self.exponent if j == 0 else 1.0)

    def hazard(self, shots: float) -> float:
        return sum(
            ((self.burn_in + shots) / a) ** b - (self.burn_in / a) ** b
            for a, b in zip(self.scales, self.shapes)
        )

    def allows(self) -> float:
        """Shots that keep survival 0.9."""
        return float(
            np.exp(brentq(lambda v: self.hazard(np.exp(v)) - H, np.log(0.01), np.log(1e7)))
        )

    def scaled_to(self, shots: float) -> Truth:
        """All scales multiplied so that the truth allows ``shots``."""

        def off(c: float) -> float:
            return self.times(np.exp(c)).hazard(shots) - H

        return self.times(float(np.exp(brentq(off, -12, 12))))

    def times(self, c: float) -> Truth:
        return Truth(
            self.name, self.shapes, tuple(a * c for a in self.scales), self.modules, self.burn_in,
            self.flight_V, self.exponent,
        )  # fmt: skip


def _lives(rng, scale, shape, start):
    return scale * ((start / scale) ** shape + rng.exponential()) ** (1 / shape)


def community(truth: Truth, rng: np.random.Generator) -> LifeRecords:
    """Life records of one community, the flight module among them (as tests/benchmarks/flight.py)."""
    rows = []
    for m in range(truth.modules):
        volts = (1300.0, 1500.0)[m % 2]
        begun = float(rng.choice([0.0, 500.0])) if m % 4 < 2 else 0.0
        end = rng.uniform(3000, 7000)
        for j, slot in enumerate(truth.slots):
            scale, shape = truth.scale(j, volts), truth.shapes[j]
            clock, start = begun, begun
            for _ in range(4):
                life = _lives(rng, scale, shape, start)
                limit = start + end - clock
                failed = life <= limit
                good = min(life, limit)
                if good > start:
                    rows.append((f"m{m}", slot, start, good, good if failed else np.inf, volts))
                if not failed:
                    break
                clock += good - start
                start = 0.0
                if end - clock < 100:
                    break
    # a module that broke in burn-in does not fly: its units are conditioned on surviving, and their
    # lives themselves are not needed
    for slot in truth.slots:
        rows.append(("flight", slot, 0.0, max(truth.burn_in, 1.0), np.inf, truth.flight_V))
    module, slot, begun_, good_, failed_, volts_ = zip(*rows)
    unit = [f"u{i}" for i in range(len(rows))]
    return LifeRecords.of(
        good_, failed_, shots_from=begun_, module=module, slot=slot, unit=unit, part=["p"] * len(rows),
        covariates={"charge_V": volts_},
    )  # fmt: skip


def _pinned() -> list[Truth]:
    k = lambda v: (v / REFERENCE) ** -7.0  # noqa: E731
    a = Truth("A", (2.2, 1.4, 6.0, 1.0), (6000 * k(1300.0), 20000.0, 90000.0, 60000.0))
    out = [a]
    out.append(Truth("E", (1.2, 0.7, 0.7), (30000, 60000, 60000), modules=5).scaled_to(606))
    out.append(Truth("H1", (0.7,) * 4, (1.0,) * 4).scaled_to(185))
    out.append(
        Truth(
            "H3", (2.0, 1.4, 3.0, 1.0, 1.0, 1.5, 2.0), (1.0, 3.0, 3.0, 9.0, 9.0, 3.0, 3.0)
        ).scaled_to(5486)
    )
    rng = np.random.default_rng(1018)
    out.append(_drawn_one("R101.8", rng, 6, 14, 300.0, 1240.0, 4.7).scaled_to(373))
    rng = np.random.default_rng(3034)
    out.append(_drawn_one("R303.4", rng, 7, 5, 600.0, 1300.0, 4.9).scaled_to(195))
    for e in (7.0, 10.0, 13.8):
        t = Truth(
            f"T26-{e:g}", (2.9, 2.9, 1.4, 2.0, 2.2, 1.0), (9500.0, 24000.0, 30000.0, 26000.0, 26000.0, 90000.0),
            14, 0.0, 1240.0, e,
        )  # fmt: skip
        out.append(t)
    return out


def _drawn_one(name, rng, slots, modules, burn_in, volts, exponent) -> Truth:
    shapes = tuple(np.exp(rng.uniform(np.log(0.7), np.log(5.0), slots)).round(2))
    scales = (
        rng.uniform(4000, 14000),
        *np.exp(rng.uniform(np.log(8000), np.log(90000), slots - 1)),
    )
    return Truth(name, shapes, scales, modules, burn_in, volts, exponent)


def drawn(seed: int, count: int = 20) -> list[Truth]:
    """Truths that nobody has seen: shapes 0.7 to 5, exponents 4 to 11, 3 to 7 slots, and so on."""
    rng = np.random.default_rng(seed)
    out = []
    for i in range(count):
        j, m = int(rng.integers(3, 8)), int(rng.integers(5, 16))
        burn, volts = (
            float(rng.choice([0, 100, 300, 600, 1000])),
            float(rng.choice([1240.0, 1300.0, 1400.0])),
        )
        e = float(rng.uniform(4, 11))
        out.append(
            _drawn_one(f"N{i}-J{j}-M{m}-b{burn:g}-V{volts:g}-e{e:.1f}", rng, j, m, burn, volts, e)
        )
    return out


def one(job: tuple[Truth, int, int]) -> tuple[float, float]:
    """(kept, promise / truth); nan where refused."""
    truth, seed, draws = job
    records = community(truth, np.random.default_rng([seed, 77]))
    stress = {"charge_V": truth.flight_V}
    try:
        p = promise(flight_module(records, "flight", stress), Ask(draws=draws, seed=seed))
    except CannotAnswer:
        return float("nan"), float("nan")
    burnt = max(truth.burn_in, 1.0)
    held = Truth(
        truth.name, truth.shapes, truth.scales, truth.modules, burnt, truth.flight_V, truth.exponent
    )
    return float(held.hazard(p.shots) <= H), p.shots / held.allows()


def table(
    truths: list[Truth], communities: int, jobs: int, draws: int, first: int
) -> list[tuple[float, float]]:
    out = []
    print(
        f"{'truth':34s} {'N':>6s} {'kept %':>12s} {'median':>7s} {'decile':>7s} {'refused %':>9s}"
    )
    with ProcessPoolExecutor(jobs) as pool:
        for t in truths:
            work = [(t, first + s, draws) for s in range(communities)]
            r = np.array(list(pool.map(one, work, chunksize=5)))
            given = r[~np.isnan(r[:, 0])]
            kept = given[:, 0].mean() if len(given) else float("nan")
            se = np.sqrt(max(kept * (1 - kept), 0.0475 / 4) / max(len(given), 1))
            med, low = np.quantile(given[:, 1], [0.5, 0.1]) if len(given) else (np.nan, np.nan)
            print(
                f"{t.name:34s} {t.allows():6.0f} {100 * kept:6.1f} ± {100 * se:3.1f} {med:7.3f} {low:7.3f} {100 * np.isnan(r[:, 0]).mean():9.1f}",
                flush=True,
            )
            out.append((kept, med))
    k = np.array(out)
    print(f"{'mean':34s} {'':6s} {100 * np.nanmean(k[:, 0]):6.1f}       {np.nanmean(k[:, 1]):7.3f}")
    return out


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--communities", type=int, default=60)
    p.add_argument("--jobs", type=int, default=2)
    p.add_argument("--truths", default="pinned")
    p.add_argument("--seed", type=int, default=20261126)
    p.add_argument("--draws", type=int, default=250)
    p.add_argument("--first", type=int, default=0, help="first community's number")
    a = p.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    every = _pinned() if a.truths != "drawn" else drawn(a.seed)
    some = [t for t in every if a.truths in ("pinned", "drawn") or t.name in a.truths.split(",")]
    table(some, a.communities, a.jobs, a.draws, a.first)


if __name__ == "__main__":
    main()
