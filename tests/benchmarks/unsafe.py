"""Cases in which a promise would not be safe: are they refused, or kept?

    python -m tests.benchmarks.unsafe [--communities 60] [--jobs 2] [--only NAME NAME]

Each case draws pools with a known truth that breaks what a plain model takes for granted: flown hotter
or cooler than tested, another part or lot, early failures, two modes in one slot, lognormal and
Gompertz lives, wear that says nothing, stress by scatter, hidden lots. A new module of two slots is
asked for by the command's own question (``flight``), refusals included. Printed: share refused, share of
promises kept where given with its standard error, median of promise over what the truth allows; shots are
capped where nothing can fail. Where a case says so, the units that fly passed a burn-in: each place is filled until a unit
lasts it, and those that did not are on record too. Prior chances of early causes and the median shape were chosen with all
these cases in sight (of 60 pools each), starred ones too: no case here is blind.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.stats import norm

from reliability.notes import CannotAnswer
from reliability.readings import WearReadings
from reliability.records import LifeRecords
from tests.asking import asked
from tests.benchmarks.simulated import standard_error

H = float(-np.log(0.9))
Hazard = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Case:
    """Cumulative hazards of the main capacitor (at a voltage) and of an igniter beside it."""

    name: str
    hazard: Callable[[float, float], Hazard]
    volts: tuple[float, ...] = (1200.0,)
    fly_V: float = 1200.0
    fly_part: str = "a"
    fly_lot: str = ""
    temp: float = 20.0
    fly_temp: float = 20.0
    lots: int = 0
    lot_sd: float = 0.0
    named: bool = False
    modules: int = 10
    end: tuple[float, float] = (3000.0, 7000.0)
    jitter: float = 0.0
    wear: bool = False
    burn_in: float = 0.0


def weibull(shape, scale, n=7.0, at=1300.0):
    def at_volts(volts, factor):
        a = scale * (volts / at) ** -n * factor
        return lambda t: (np.asarray(t) / a) ** shape

    return at_volts


def two_modes(b1, a1, b2, a2, n=7.0):
    def at_volts(volts, factor):
        f = (volts / 1300.0) ** -n * factor
        return lambda t: (np.asarray(t) / (a1 * f)) ** b1 + (np.asarray(t) / (a2 * f)) ** b2

    return at_volts


def infants(share, tau, shape, scale, n=7.0):
    """A share of units dies early (exponential, mean tau); the rest wears out."""

    def at_volts(volts, factor):
        a = scale * (volts / 1300.0) ** -n * factor

        def hazard(t):
            t = np.asarray(t, float)
            return -np.log(share * np.exp(-t / tau) + (1 - share)) + (t / a) ** shape

        return hazard

    return at_volts


def lognormal(median, sigma, n=7.0):
    def at_volts(volts, factor):
        m = median * (volts / 1300.0) ** -n * factor
        return lambda t: -norm.logsf(np.log(np.maximum(np.asarray(t, float), 1e-9) / m) / sigma)

    return at_volts


def gompertz(a, b, n=7.0):
    def at_volts(volts, factor):
        f = (volts / 1300.0) ** -n * factor
        return lambda t: a * np.expm1(np.minimum(np.asarray(t) / (b * f), 60.0))

    return at_volts


SLOTS = ("main_capacitor", "igniter")
IGNITER = weibull(1.4, 40000, 0.0)(1300.0, 1.0)

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
    Case("85 C after 20 C", weibull(2.2, 6000), (1300.0,), 1300.0, fly_temp=85.0),
    Case("other lot", weibull(2.2, 6000), (1300.0,), 1300.0, fly_lot="L9", lots=3, lot_sd=0.4, named=True),
    Case("lots named, one flies*", weibull(2.2, 6000), (1300.0,), 1300.0, fly_lot="L0", lots=3, lot_sd=0.4, named=True),
    Case("lots hidden*", weibull(2.2, 6000), (1300.0,), 1300.0, lots=3, lot_sd=0.4),
    Case("infants 12 %", infants(0.12, 150.0, 3.0, 6000), (1300.0,), 1300.0),
    Case("infants 12 %, burnt in 300", infants(0.12, 150.0, 3.0, 6000), (1300.0,), 1300.0, burn_in=300.0),
    Case("infants 12 %, burnt in 600", infants(0.12, 150.0, 3.0, 6000), (1300.0,), 1300.0, burn_in=600.0),
    Case("wear that says nothing", weibull(1.3, 9000), (1300.0,), 1300.0, modules=6, end=(900.0, 1100.0), wear=True),
    Case("flown at 600 V*", weibull(2.2, 6000), (1100.0, 1300.0), 600.0),
    Case("flown at 800 V*", weibull(2.2, 6000), (1100.0, 1300.0), 800.0),
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
    Case("no failure, wear flat*", weibull(1.0, 60000), (1300.0,), 1300.0, modules=5, end=(900.0, 1100.0), wear=True),
]  # fmt: skip


def draw_life(hazard: Hazard, rng: np.random.Generator) -> float:
    want = rng.exponential()
    hi = 1e7
    if float(hazard(np.array(hi))) < want:
        return hi
    return float(brentq(lambda t: float(hazard(np.array(t))) - want, 0.0, hi, xtol=0.01))


def pool(case: Case, rng: np.random.Generator) -> tuple[LifeRecords, float]:
    """Records, those of a new module to fly among them, and the factor on life of its lot."""
    factor = np.exp(case.lot_sd * rng.standard_normal(max(case.lots, 1)))
    new = float(np.exp(case.lot_sd * rng.standard_normal()))
    flown = float(factor[0]) if case.fly_lot == "L0" or not case.lots else new
    rows = []
    for m in range(case.modules):
        volts, lot = case.volts[m % len(case.volts)], m % max(case.lots, 1)
        end = rng.uniform(*case.end)
        for slot in SLOTS:
            law = case.hazard(volts, factor[lot]) if slot == SLOTS[0] else IGNITER
            y = draw_life(law, rng)
            shown = volts * (1 + case.jitter * rng.standard_normal())
            name = f"L{lot}" if case.named and slot == SLOTS[0] else ""
            rows.append(
                (f"m{m}", slot, min(y, end), y if y <= end else np.inf, shown, name, "a", case.temp)
            )
    for slot in SLOTS:
        own = slot == SLOTS[0]
        law = case.hazard(case.fly_V, flown) if own else IGNITER
        at = (case.fly_V, case.fly_lot if own else "", case.fly_part if own else "a", case.fly_temp)
        while case.burn_in and (y := draw_life(law, rng)) <= case.burn_in:
            rows.append((f"lost{len(rows)}", slot, y, y, *at))
        rows.append(("flight", slot, case.burn_in, np.inf, *at))
    module, slots, good, failed, volts_, lots, parts, temps = zip(*rows, strict=True)
    return LifeRecords.of(
        good, failed, module=module, slot=slots, part=parts, unit=["u"] * len(rows), builder=["b"] * len(rows),
        covariates={"charge_V": volts_, "temp_C": temps}, labels={"lot": lots},
    ), flown  # fmt: skip


def flat_readings(records: LifeRecords, rng: np.random.Generator) -> WearReadings:
    """Capacitances that hardly fall, whatever becomes of the units."""
    own = np.flatnonzero(records.slot == SLOTS[0])
    shots = np.concatenate([np.linspace(0, max(g, 1.0), 6) for g in records.shots_good[own]])
    n = shots.size
    value = 0.5 * (1 - 1e-7 * shots) + rng.normal(0, 5e-4, n)

    def full(text: str) -> np.ndarray:
        return np.full(n, text, object)

    return WearReadings(
        full("b"), np.repeat(records.module[own], 6).astype(object), full(SLOTS[0]), full("u"), full("capacitance_uF"),
        shots, value,
    )  # fmt: skip


def one(job: tuple[int, int]) -> tuple[float, float]:
    """Kept or not, and promise over truth; nan where refused."""
    case, seed = CASES[job[0]], job[1]
    rng = np.random.default_rng([seed, 15])
    records, factor = pool(case, rng)
    wear = flat_readings(records, rng) if case.wear else None
    try:
        a = asked("flight", records, wear=wear, module="flight", shots=1000, brief=True, seed=seed)
    except CannotAnswer:
        return float("nan"), float("nan")
    main = case.hazard(case.fly_V, factor)

    def total(t: float) -> float:
        """Hazard of the module over so many more shots."""
        both = [main(s) + IGNITER(s) for s in np.array([case.burn_in + t, case.burn_in])]
        return float(both[0] - both[1])

    allows = float(np.exp(brentq(lambda v: total(np.exp(v)) - H, np.log(1e-6), np.log(1e8))))
    return float(a.promise.shots <= allows), a.promise.shots / allows


def table(cases: list[int], communities: int, jobs: int) -> None:
    """Prints the cases' rows."""
    print("case | refused % | kept % | se | median", flush=True)
    with ProcessPoolExecutor(jobs) as workers:
        for i in cases:
            r = np.array(list(workers.map(one, [(i, s) for s in range(communities)], chunksize=5)))
            given = r[np.isfinite(r[:, 0])]
            line = f"{CASES[i].name} | {100 * (1 - len(given) / len(r)):.0f}"
            if len(given):
                kept = given[:, 0].mean()
                se = standard_error(kept, len(given))
                line += f" | {100 * kept:.1f} | {100 * se:.1f} | {np.median(given[:, 1]):.2f}"
            print(line, flush=True)


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--communities", type=int, default=60)
    p.add_argument("--jobs", type=int, default=2)
    p.add_argument("--only", nargs="*", default=[])
    a = p.parse_args()
    some = [i for i, c in enumerate(CASES) if not a.only or c.name in a.only]
    table(some, a.communities, a.jobs)


if __name__ == "__main__":
    main()
