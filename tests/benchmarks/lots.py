"""Lots: is the bound for a unit of a new lot kept?

    python -m tests.benchmarks.lots [sets] [sd of lots' log life] [lots] [seed]

Invented truth: Weibull of shape 2; so many lots of 6 units, watched to 1.2 times the scale; then a new lot.
95 % lower bound on the life that 90 % of the new lot's units reach; beside it the bound that knows of no
lots.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from reliability.decisions.lots import new_lot
from reliability.life.bounds import Bounder
from reliability.life.fit import fit_life
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords

SHAPE, EACH, END = 2.0, 6, 1.2


def units(rng, sd, lots):
    """Records, and the 10 % life of a unit of another lot."""
    effect = rng.normal(0, sd, lots + 1)
    t = np.exp(np.repeat(effect[:lots], EACH)) * rng.weibull(SHAPE, lots * EACH)
    lot = [f"L{i // EACH}" for i in range(t.size)]
    records = LifeRecords.of(
        np.minimum(t, END), np.where(t <= END, t, np.inf), lot=lot, slot=["main_capacitor"] * t.size
    )
    return records, float(np.exp(effect[lots]) * (-np.log(0.9)) ** (1 / SHAPE))


def main(sets=300, sd=0.4, lots=4, seed=20261126):
    """Run and print."""
    begun = time.process_time()
    rng = np.random.default_rng([seed, lots, int(100 * sd)])
    out = []
    for _ in range(sets):
        r, truth = units(rng, sd, lots)
        try:
            fit = fit_life(r)
        except CannotAnswer:
            continue  # nothing failed
        bounder = Bounder(r, fit, effort=0.05)
        found = new_lot(r, fit, bounder, 0.1)
        out.append((found.lower / truth, bounder.quantile(0.1).lower / truth))
    print(
        f"{len(out)} of {sets} sets of {lots} lots, sd {sd}: {time.process_time() - begun:.0f} s CPU"
    )
    for name, v in zip(("new lot", "lots not known"), np.array(out).T, strict=True):
        kept = (v <= 1).mean()
        print(
            f"{name}: covers {kept:.1%} (s.e. {np.sqrt(kept * (1 - kept) / len(out)):.1%}), median bound / truth {np.median(v):.2f}"
        )


if __name__ == "__main__":
    main(*(t(v) for t, v in zip((int, float, int, int), sys.argv[1:], strict=False)))
