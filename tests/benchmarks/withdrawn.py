"""Units withdrawn at failures: coverage of the exact 95 % lower bound on the 10 % life.

    python -m tests.benchmarks.withdrawn [sets] [seed]

12 units of Weibull shape 2; 3 or 5 fail, at each failure some of the others are withdrawn (how many
is drawn, then fixed). Beside it the same data with the withdrawals taken for random ends; then three
voltages of 6 units each, 4 failing, the bound at a voltage below them.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from reliability.life.bounds import Bounder
from reliability.life.fit import fit_life
from reliability.life.stress import fit_stress, parse_term
from reliability.life.stress_bounds import StressBounder
from tests.test_withdrawn import progressive, stress_test

TRUTH = 1000 * (-np.log(0.9)) ** 0.5


def main(sets=2000, seed=20261126):
    """Run and print."""
    for failures in (3, 5):
        rng = np.random.default_rng([seed, failures])
        exact, ends = [], []
        for k in range(sets):
            r = progressive(rng, failures=failures)
            fit = fit_life(r)
            exact.append(Bounder(r, fit).quantile(0.1).lower / TRUTH)
            if k < 100:
                plain = replace(r, removed=np.full(len(r), "", object))
                ends.append(Bounder(plain, fit, effort=0.02).quantile(0.1).lower / TRUTH)
        for name, v in (("exact", np.array(exact)), ("as random ends", np.array(ends))):
            kept = (v <= 1).mean()
            print(f"{failures} failures, {name}: covers {kept:.1%} (s.e. {np.sqrt(kept * (1 - kept) / v.size):.1%}), "
                  f"median bound / truth {np.median(v):.2f}, {v.size} sets")  # fmt: skip
    rng = np.random.default_rng([seed, 7])
    truth = TRUTH * 2 * (1200 / 1400) ** -6
    got = []
    for _ in range(sets):
        fit = fit_stress(stress_test(rng), [parse_term("charge_V:power")])
        bound = StressBounder(fit).life(0.1, {"charge_V": 1200.0})
        assert bound.method == "exact"
        got.append(bound.lower / truth)
    v = np.array(got)
    kept = (v <= 1).mean()
    print(f"three voltages, 1200 V asked: covers {kept:.1%} (s.e. {np.sqrt(kept * (1 - kept) / v.size):.1%}), "
          f"median bound / truth {np.median(v):.2f}, {v.size} sets")  # fmt: skip


if __name__ == "__main__":
    main(*(int(v) for v in sys.argv[1:]))
