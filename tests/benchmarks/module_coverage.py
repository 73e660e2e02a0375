"""Coverage of the module's lower bound (product over slots) and of prediction bounds, by simulation.

    python tests/benchmarks/module_coverage.py [--replicates 1000]

Three slots of 12 units on one time-terminated test: main capacitor (about 5 fail), igniter (about 2), fuel
(none in most tests; its shape is assumed as in the truth or not, see the two rows). The bound is tested at
the true hazard: covers when the test there does not reject.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from reliability.life.families import WEIBULL
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.predict import predict
from reliability.life.system import Slot, system_bound
from reliability.records import LifeRecords

TRUTH = {"main_capacitor": (2.0, 5000.0), "igniter": (1.5, 12000.0), "fuel": (1.5, 120000.0)}
N, END, AT = 12, 3800.0, 1500.0


def slots(rng) -> list[Slot]:
    out = []
    for name, (shape, scale) in TRUTH.items():
        t = scale * rng.weibull(shape, N)
        r = LifeRecords.of(np.minimum(t, END), np.where(t <= END, t, np.inf))
        try:
            out.append(Slot.of(name, r, WEIBULL, fit_life(r).phi, None))
        except NoMaximum:
            out.append(Slot.of(name, r, WEIBULL, None, 1.5))
    return out


def one(seed: int) -> tuple[bool, bool, bool]:
    rng = np.random.default_rng(seed)
    models = slots(rng)
    truth = np.exp(-sum((AT / scale) ** shape for shape, scale in TRUTH.values()))
    b = system_bound(models, AT, 0.95, "calibrated", seed=seed, draws=800)
    plain = system_bound(models, AT, 0.95, "likelihood")
    main = models[0]
    covered = True
    try:
        p = predict(main.records, fit_life(main.records), confidence=0.95, seed=seed, draws=2000)
        shape, scale = TRUTH["main_capacitor"]
        covered = scale * rng.weibull(shape) >= p.shots
    except NoMaximum:
        pass
    return b.lower <= truth, plain.lower <= truth, covered


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--replicates", type=int, default=1000)
    p.add_argument("--jobs", type=int, default=2)
    a = p.parse_args()
    with ProcessPoolExecutor(a.jobs) as pool:
        out = np.array(list(pool.map(one, range(a.replicates), chunksize=5)))
    se = np.sqrt(0.0475 / a.replicates)
    print(
        f"95 % lower bound on module survival at {AT:g} shots: calibrated {out[:, 0].mean():.1%}, likelihood {out[:, 1].mean():.1%} (s.e. {se:.1%})"
    )
    print(f"95 % prediction for the next main capacitor: {out[:, 2].mean():.1%}")


if __name__ == "__main__":
    main()
