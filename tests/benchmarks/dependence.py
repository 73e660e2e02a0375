"""Shared-frailty check: false alarms with independent slots, and how often a shared frailty is found.

python tests/benchmarks/dependence.py [--communities 1000]
"""

import argparse

import numpy as np

from reliability.life.dependence import fitted_slots, shared_frailty
from reliability.records import LifeRecords


def community(rng, modules, variance):
    """Modules of three slots, tests of different length; a gamma frailty of that variance shared within a module."""
    frailty = rng.gamma(1 / variance, variance, modules) if variance else np.ones(modules)
    stop = rng.uniform(1000, 6000, modules)
    rows = []
    for slot, shape, scale in (("a", 2.0, 4000.0), ("b", 1.3, 6000.0), ("c", 1.0, 9000.0)):
        life = scale * (rng.exponential(size=modules) / frailty) ** (1 / shape)
        for m in range(modules):
            failed = life[m] <= stop[m]
            rows.append((min(life[m], stop[m]), life[m] if failed else np.inf, f"m{m}", slot))
    good, end, module, slot = zip(*rows, strict=True)
    return LifeRecords.of(good, end, module=module, slot=slot, builder=["b"] * len(rows))


def p_of(rng, modules, variance):
    slots = fitted_slots(community(rng, modules, variance))
    return shared_frailty(slots, draws=499).p


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--communities", type=int, default=1000)
    a = p.parse_args()
    for modules, variance in ((12, 0.0), (30, 0.0), (30, 0.5), (30, 1.0)):
        rng = np.random.default_rng(7)
        hits = np.mean([p_of(rng, modules, variance) < 0.05 for _ in range(a.communities)])
        print(
            f"{modules} modules, frailty variance {variance}: dependence said in {hits:.1%} (5 % level)",
            flush=True,
        )


if __name__ == "__main__":
    main()
