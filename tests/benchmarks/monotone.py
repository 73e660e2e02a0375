"""Does a harder question ever get a longer promise? Hundreds of random communities.

    python -m tests.benchmarks.monotone [--cases 500] [--jobs 2] [--seed 51]

Compared by the command's own question (``flight``): a higher voltage, a longer mission, a higher
confidence, a higher wanted survival, wear readings (never longer: exactly, by construction); and one more
unit without failure in one slot or in all, run as long as the tests (never shorter is wanted; the records
change, so that shapes and exponents are told anew: reported how often, and the worst).
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise

import numpy as np

from reliability.notes import CannotAnswer
from reliability.readings import WearReadings
from reliability.records import LifeRecords, join
from tests.asking import asked
from tests.benchmarks.promise import community, drawn

NEAR = 1e-4
"""what solving for shots leaves open"""


def shots_of(
    records: LifeRecords,
    volts: float = float("nan"),
    wear: WearReadings | None = None,
    **more: float,
) -> float:
    """Shots promised; none where refused."""
    use = (f"charge_V={volts:g}",) if np.isfinite(volts) else ()
    try:
        a = asked(
            "flight", records, wear=wear, module="flight", shots=1000, brief=True, use=use, **more
        )
    except CannotAnswer:
        return 0.0
    return float(a.promise.shots)


def readings(records: LifeRecords, loss: float, rng: np.random.Generator) -> WearReadings:
    """Capacitances of the first slot's units, falling by a share a shot."""
    own = np.flatnonzero(records.slot == "slot0")
    shots = np.concatenate([np.linspace(a, b, 6) for a, b in zip(records.shots_from[own], np.maximum(records.shots_good[own], records.shots_from[own] + 1), strict=True)])  # fmt: skip
    slope = loss * np.repeat(rng.uniform(0.8, 1.2, own.size), 6)
    value = 0.5 * (1 - slope * shots) + rng.normal(0, 5e-4, shots.size)

    def full(text: str) -> np.ndarray:
        return np.full(shots.size, text, object)

    return WearReadings(
        np.repeat(records.builder[own], 6).astype(object), np.repeat(records.module[own], 6).astype(object), full("slot0"),
        np.repeat(records.unit[own], 6).astype(object), full("capacitance_uF"), shots, value,
    )  # fmt: skip


def good_unit(records: LifeRecords, slots: list[str], shots: float) -> LifeRecords:
    """The records with one more unit of these slots that lasted."""
    more = LifeRecords.of(
        [shots] * len(slots), module=["more"] * len(slots), slot=slots, part=["p"] * len(slots),
        covariates={"charge_V": [1300.0 if s == "slot0" else np.nan for s in slots]},
    )  # fmt: skip
    return join([records, more])


def compared(job: tuple[int, int]) -> dict[str, list[float]]:
    """ln of the promise for the harder question over that for the easier one, by kind."""
    seed, k = job
    rng = np.random.default_rng([seed, k])
    t = drawn(rng, k)
    r = community(t, rng)
    volts = np.sort(rng.uniform(1150, 1600, 4))
    slots = sorted(set(r.slot.tolist()))
    one = slots[int(rng.integers(len(slots)))]
    length = float(rng.uniform(500, 7000))
    first = shots_of(r)
    chains = {
        "voltage": [shots_of(r, float(v)) for v in volts],
        "confidence": [shots_of(r, confidence=c) for c in (0.8, 0.9, 0.95, 0.99)],
        "survival": [shots_of(r, survival=s) for s in (0.8, 0.9, 0.97)],
        "mission": list(asked("flight", r, module="flight", shots=1000, brief=True).curve.lower),
        "wear": [first, shots_of(r, wear=readings(r, float(10 ** rng.uniform(-7, -4)), rng))],
        "a good unit": [shots_of(good_unit(r, [one], length)), first],
        "a good module": [shots_of(good_unit(r, slots, length)), first],
    }
    return {
        name: [float(np.log((b + 1e-9) / (a + 1e-9))) for a, b in pairwise(chain)]
        for name, chain in chains.items()
    }


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--cases", type=int, default=500)
    p.add_argument("--jobs", type=int, default=2)
    p.add_argument("--seed", type=int, default=51)
    a = p.parse_args()
    found: dict[str, list[float]] = {}
    with ProcessPoolExecutor(a.jobs) as pool:
        for one in pool.map(compared, [(a.seed, k) for k in range(a.cases)], chunksize=2):
            for name, values in one.items():
                found.setdefault(name, []).extend(values)
    print("harder by | compared | longer | worst, times")
    for name, values in found.items():
        x = np.array(values)
        print(f"{name} | {x.size} | {(x > NEAR).sum()} | {np.exp(x.max()):.4f}")


if __name__ == "__main__":
    main()
