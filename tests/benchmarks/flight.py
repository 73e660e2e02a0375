"""Are flight promises kept? Simulated communities with known truth.

    python tests/benchmarks/flight.py [--communities 1000]

Each community: 10 modules of four slots at two voltages; broken parts are swapped and the module goes on,
half the modules enter late, tests stop at random. One flight module with some hundred shots of burn-in is
promised shots at survival 0.9 and confidence 0.95. The promise is kept when the true survival of that
module over those shots, given its burn-in, is 0.9 or more.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from tests.asking import asked

SLOTS = {
    "main_capacitor": (2.2, 6000.0),
    "igniter": (1.4, 20000.0),
    "fuel": (6.0, 90000.0),
    "switch": (1.0, 60000.0),
}
EXPONENT, REFERENCE = 7.0, 1400.0
FLIGHT_V, BURN_IN = 1300.0, 400.0


def scale_of(slot: str, volts: float) -> float:
    scale = SLOTS[slot][1]
    return scale * (volts / REFERENCE) ** -EXPONENT if slot == "main_capacitor" else scale


def community(rng: np.random.Generator) -> LifeRecords:
    """Life records of one community, the flight module among them."""
    rows = []
    for m in range(10):
        volts = (1300.0, 1500.0)[m % 2]
        begun = float(rng.choice([0.0, 500.0])) if m % 4 < 2 else 0.0
        end = rng.uniform(3000, 7000)
        for slot, (shape, _) in SLOTS.items():
            scale = scale_of(slot, volts)
            clock, start = begun, begun
            for _ in range(4):
                life = scale * ((start / scale) ** shape + rng.exponential()) ** (1 / shape)
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
    while True:
        flight_lives = {
            s: scale_of(s, FLIGHT_V) * rng.exponential() ** (1 / b) for s, (b, _) in SLOTS.items()
        }
        if min(flight_lives.values()) > BURN_IN:  # a module that broke in burn-in does not fly
            break
    rows += [("flight", s, 0.0, BURN_IN, np.inf, FLIGHT_V) for s in SLOTS]
    module, slot, begun_, good_, failed_, volts_ = zip(*rows)
    return LifeRecords.of(
        good_, failed_, shots_from=begun_, module=module, slot=slot, part=["p"] * len(rows), covariates={"charge_V": volts_}
    )  # fmt: skip


def true_survival(shots: float) -> float:
    """Of the flight module over so many more shots."""
    hazard = 0.0
    for slot, (b, _) in SLOTS.items():
        a = scale_of(slot, FLIGHT_V)
        hazard += ((BURN_IN + shots) / a) ** b - (BURN_IN / a) ** b
    return float(np.exp(-hazard))


def one(seed: int) -> tuple[bool, float]:
    try:
        a = asked(
            "flight",
            community(np.random.default_rng(seed)),
            module="flight",
            shots=1000,
            brief=True,
            seed=seed,
        )
    except CannotAnswer:
        return True, 0.0
    return true_survival(a.promise.shots) >= 0.9, a.promise.shots


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--communities", type=int, default=1000)
    p.add_argument("--jobs", type=int, default=2)
    a = p.parse_args()
    with ProcessPoolExecutor(a.jobs) as pool:
        out = np.array(list(pool.map(one, range(a.communities), chunksize=5)))
    lo, hi = 0.0, 1e5
    for _ in range(60):
        mid = 0.5 * (lo + hi)
        lo, hi = (mid, hi) if true_survival(mid) >= 0.9 else (lo, mid)
    print(
        f"promises kept: {out[:, 0].mean():.1%} of {a.communities} (s.e. {np.sqrt(0.0475 / a.communities):.1%}); wanted 94 % or more at confidence 0.95"
    )
    print(f"typical promise {np.median(out[:, 1]):.0f} shots; the truth allows {lo:.0f}")


if __name__ == "__main__":
    main()
