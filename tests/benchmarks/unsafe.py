"""Cases in which a promise would not be safe: are they refused, or kept?

    python -m tests.benchmarks.unsafe [--communities 60] [--jobs 2] [--cases NAME;NAME]

Each case draws pools with a known truth that breaks what a plain model takes for granted: flown hotter
or cooler than tested, another part or lot, early failures, two modes in one slot, lognormal and
Gompertz lives, wear that says nothing, stress by scatter, hidden lots. Printed: share refused, share of
promises kept where given, with standard error, median of promise over truth. These cases are not blind:
the cut of the second reading (early.CUT_SHARE) and the credit below the tests (carried.BELOW) were chosen
after seeing some of them. The cases marked * were added last.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.model import Choices, Point, fresh_module
from reliability.slots.promise import Ask, promise

H = -np.log(0.9)
Hazard = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Case:
    """Cumulative hazards of the main capacitor (at a voltage) and of an igniter beside it."""

    name: str
    hazard: Callable[[float, float, np.random.Generator | None], Hazard]
    volts: tuple[float, ...] = (1200.0,)
    fly_V: float = 1200.0
    fly_part: str = "a"
    fly_lot: str = ""
    parts: tuple[str, ...] = ("a",)
    temp: tuple[float, float] | None = None
    lots: int = 0
    lot_sd: float = 0.0
    named: bool = False
    modules: int = 10
    end: tuple[float, float] = (3000.0, 7000.0)
    jitter: float = 0.0


def weibull(shape, scale, n=7.0, at=1300.0):
    def at_volts(volts, factor, rng):
        a = scale * (volts / at) ** -n * factor
        return lambda t: (np.asarray(t) / a) ** shape

    return at_volts


def two_modes(b1, a1, b2, a2, n=7.0):
    def at_volts(volts, factor, rng):
        f = (volts / 1300.0) ** -n * factor
        return lambda t: (np.asarray(t) / (a1 * f)) ** b1 + (np.asarray(t) / (a2 * f)) ** b2

    return at_volts


def infants(share, tau, shape, scale, n=7.0):
    """A share of units dies early (exponential, mean tau); the rest wears out."""

    def at_volts(volts, factor, rng):
        a = scale * (volts / 1300.0) ** -n * factor

        def hazard(t):
            t = np.asarray(t, float)
            return -np.log(share * np.exp(-t / tau) + (1 - share)) + (t / a) ** shape

        return hazard

    return at_volts


def lognormal(median, sigma, n=7.0):
    from scipy.stats import norm

    def at_volts(volts, factor, rng):
        m = median * (volts / 1300.0) ** -n * factor
        return lambda t: -norm.logsf(np.log(np.maximum(np.asarray(t, float), 1e-9) / m) / sigma)

    return at_volts


def gompertz(a, b, n=7.0):
    def at_volts(volts, factor, rng):
        f = (volts / 1300.0) ** -n * factor
        return lambda t: a * np.expm1(np.minimum(np.asarray(t) / (b * f), 60.0))

    return at_volts


CASES = [
    Case("hotter, one voltage", weibull(2.2, 9000), (1200.0,), 1700.0),
    Case("hotter, two voltages", weibull(2.2, 6000), (1300.0, 1500.0), 1600.0),
    Case("far hotter, two voltages", weibull(2.2, 6000), (1200.0, 1300.0), 1700.0),
    Case("hotter, steep law*", weibull(2.2, 9000, 12.0), (1300.0, 1500.0), 1600.0),
    Case("cooler, two voltages", weibull(2.2, 6000), (1300.0, 1500.0), 1200.0),
    Case("cooler, flat law*", weibull(2.2, 6000, 2.0), (1300.0, 1500.0), 1100.0),
    Case("cooler, one voltage", weibull(2.2, 5000), (1300.0,), 1100.0),
    Case("voltage unknown", weibull(2.2, 6000), (1300.0, 1500.0), float("nan")),
    Case("other part", weibull(2.2, 6000), (1300.0,), 1300.0, "b"),
    Case("85 C after 20 C", weibull(2.2, 6000), (1300.0,), 1300.0, temp=(20.0, 85.0)),
    Case("other lot", weibull(2.2, 6000), (1300.0,), 1300.0, fly_lot="L9", lots=3, lot_sd=0.4, named=True),
    Case("lots named, one flies*", weibull(2.2, 6000), (1300.0,), 1300.0, fly_lot="L0", lots=3, lot_sd=0.4, named=True),
    Case("lots hidden*", weibull(2.2, 6000), (1300.0,), 1300.0, lots=3, lot_sd=0.4),
    Case("infants 12 %", infants(0.12, 150.0, 3.0, 6000), (1300.0,), 1300.0),
    Case("infants 6 %*", infants(0.06, 60.0, 2.0, 7000), (1300.0,), 1300.0, modules=12),
    Case("two modes", two_modes(0.8, 30000, 4.0, 5000), (1300.0,), 1300.0),
    Case("two modes, wear late*", two_modes(1.0, 25000, 6.0, 5500), (1300.0,), 1300.0, modules=14),
    Case("two modes, complete*", two_modes(1.0, 15000, 4.0, 4000), (1300.0,), 1300.0, end=(40000.0, 40001.0), modules=7),
    Case("lognormal", lognormal(5000, 0.7), (1300.0,), 1300.0),
    Case("lognormal wide*", lognormal(8000, 1.2), (1300.0,), 1300.0),
    Case("Gompertz", gompertz(0.05, 1500), (1300.0,), 1300.0),
    Case("Gompertz, two voltages*", gompertz(0.02, 1400), (1300.0, 1500.0), 1300.0),
    Case("stress by scatter", weibull(2.2, 6000), (1300.0,), 1300.0, jitter=0.003),
    Case("stress by scatter, hotter*", weibull(2.2, 6000), (1300.0,), 1450.0, jitter=0.003),
    Case("no failure, wear flat*", weibull(1.0, 60000), (1300.0,), 1300.0, modules=5, end=(900.0, 1100.0)),
]  # fmt: skip


def draw_life(hazard: Hazard, rng: np.random.Generator) -> float:
    want = rng.exponential()
    hi = 1e7
    if float(hazard(np.array(hi))) < want:
        return hi
    return float(brentq(lambda t: float(hazard(np.array(t))) - want, 0.0, hi, xtol=0.01))


def pool(case: Case, rng: np.random.Generator) -> tuple[LifeRecords, float]:
    """Records and the lot factor of the unit to fly."""
    factor = np.exp(case.lot_sd * rng.standard_normal(max(case.lots, 1)))
    new = float(np.exp(case.lot_sd * rng.standard_normal()))
    flown = factor[0] if case.fly_lot == "L0" else new
    rows = []
    for m in range(case.modules):
        volts = case.volts[m % len(case.volts)]
        lot = m % max(case.lots, 1)
        end = rng.uniform(*case.end)
        for slot in ("main_capacitor", "igniter"):
            hazard = (
                case.hazard(volts, factor[lot], rng)
                if slot == "main_capacitor"
                else weibull(1.4, 40000, 0.0)(volts, 1.0, rng)
            )
            y = draw_life(hazard, rng)
            good = min(y, end)
            shown = volts * (1 + case.jitter * rng.standard_normal())
            rows.append(
                (
                    f"m{m}",
                    slot,
                    good,
                    y if y <= end else np.inf,
                    shown,
                    f"L{lot}" if case.named and slot == "main_capacitor" else "",
                )
            )
    module, slot, good, failed, volts_, lots = zip(*rows)
    cov = {"charge_V": volts_}
    if case.temp:
        cov["temp_C"] = [case.temp[0]] * len(rows)
    return LifeRecords.of(good, failed, module=module, slot=slot, part=["a"] * len(rows), covariates=cov, labels={"lot": lots}), float(flown)  # fmt: skip


def one(job: tuple[Case, int]) -> tuple[float, float]:
    case, seed = job
    rng = np.random.default_rng([seed, 15])
    records, factor = pool(case, rng)
    stress = {} if np.isnan(case.fly_V) else {"charge_V": case.fly_V}
    if case.temp:
        stress["temp_C"] = case.temp[1]
    point = Point(
        stress,
        {"main_capacitor": case.fly_part, "igniter": "a"},
        {"main_capacitor": case.fly_lot} if case.fly_lot else {},
    )
    try:
        p = promise(fresh_module(records, point, Choices()), Ask(seed=seed))
    except CannotAnswer:
        return float("nan"), float("nan")
    cap = case.hazard(case.fly_V, factor, None)
    igniter = weibull(1.4, 40000, 0.0)(case.fly_V, 1.0, None)

    def total(t: float) -> float:
        return float(cap(np.array(t)) + igniter(np.array(t)))

    allows = brentq(lambda v: total(np.exp(v)) - H, np.log(1e-6), np.log(1e8))
    return float(total(p.shots) <= H), p.shots / float(np.exp(allows))


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--communities", type=int, default=60)
    p.add_argument("--jobs", type=int, default=2)
    p.add_argument("--cases", default="")
    a = p.parse_args()
    some = [c for c in CASES if not a.cases or c.name in a.cases.split(";")]
    print(f"{'case':28s} {'refused %':>9s} {'kept %':>13s} {'median':>7s}")
    indices = [(CASES.index(c), s) for c in some for s in range(a.communities)]
    with ProcessPoolExecutor(a.jobs) as workers:
        found = np.array(list(workers.map(_by_index, indices, chunksize=5))).reshape(
            len(some), -1, 2
        )
    for c, r in zip(some, found):
        given = r[~np.isnan(r[:, 0])]
        kept = given[:, 0].mean() if len(given) else float("nan")
        se = (
            np.sqrt(max(kept * (1 - kept), 0.0475 / 4) / max(len(given), 1))
            if len(given)
            else float("nan")
        )
        med = np.median(given[:, 1]) if len(given) else float("nan")
        print(
            f"{c.name:28s} {100 * np.isnan(r[:, 0]).mean():9.1f} {100 * kept:7.1f} ± {100 * se:3.1f} {med:7.3f}"
        )


def _by_index(job: tuple[int, int]) -> tuple[float, float]:
    return one((CASES[job[0]], job[1]))


if __name__ == "__main__":
    main()
