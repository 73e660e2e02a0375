"""Failures with several suspects: is the module's promise kept, and how long is it?

    python -m tests.benchmarks.suspects [sets] [share unknown] [first seed]

Invented truth: 20 modules of a capacitor (Weibull 2.0, 3,000 shots) and a switch (1.0, 12,000 shots),
each run until its first failure or 3,500 shots; of a share of the failures it is not known which it
was. 95 % lower bound on the life that 90 % of modules reach; beside it the same with the causes known,
and with every suspect counted as failed.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from scipy.optimize import brentq

from reliability.slots.promise import ModuleModel
from tests.test_suspects import TRUTH, all_failed, modules, slots_of

LIFE = brentq(lambda t: sum((t / a) ** b for b, a in TRUTH.values()) + np.log(0.9), 1.0, 1e5)


def bound(model):
    """Lower bound over truth."""
    return model.promise(0.9, 0.95) / LIFE


def main(sets=200, unknown=0.4, first=1000):
    """Run and print."""
    begun = time.process_time()
    out = []
    for seed in range(first, first + sets):
        r, known = slots_of(modules(seed, unknown=unknown)), slots_of(modules(seed, unknown=0.0))
        out.append(
            (bound(ModuleModel(r)), bound(ModuleModel(known)), bound(ModuleModel(all_failed(r))))
        )
    print(f"{sets} sets, {unknown:.0%} unknown, {time.process_time() - begun:.0f} s CPU")
    for name, v in zip(("suspects", "known", "all failed"), np.array(out).T, strict=True):
        kept = (v <= 1).mean()
        print(
            f"{name}: covers {kept:.1%} (s.e. {np.sqrt(kept * (1 - kept) / sets):.1%}), median bound / truth {np.median(v):.2f}"
        )


if __name__ == "__main__":
    main(*(t(v) for t, v in zip((int, float, int), sys.argv[1:], strict=False)))
