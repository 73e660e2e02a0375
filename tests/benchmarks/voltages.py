"""Whether bounds on the ratio of lives at two voltages keep their word: simulated tests, the truth known.

python -m tests.benchmarks.voltages [SETS] [FIRST SEED]

Capacitors at three voltages, six units each, life ~ V^-n with n drawn from 4 to 10, shape from 1.2 to 3; a third still
good at the end. Asked: 1,200 V against 1,500 V, 95 %, one-sided. Prints how many lower and upper bounds hold, and how wide.
"""

import sys

import numpy as np

from reliability.records import LifeRecords
from tests.asking import asked

VOLTS = np.repeat([1200.0, 1350.0, 1500.0], 6)


def one(seed):
    """Ratio over the true one: lower bound, estimate, upper bound."""
    rng = np.random.default_rng(seed)
    n, shape = rng.uniform(4, 10), rng.uniform(1.2, 3.0)
    t = 3000 * (VOLTS / 1350) ** -n * rng.weibull(shape, VOLTS.size)
    end = np.quantile(t, 2 / 3)
    r = LifeRecords.of(
        np.minimum(t, end), np.where(t <= end, t, np.inf), slot=["main_capacitor"] * t.size,
        covariates={"charge_V": VOLTS},
    )  # fmt: skip
    a = asked("compare", r, by="voltage", first="1200", second="1500")
    return np.array([a.lower, a.ratio, a.upper]) / (1500 / 1200) ** n


def main():
    sets, first = (int(v) for v in [*sys.argv[1:], "200", "41000"][:2])
    if len(sys.argv) == 2:
        first = 41000
    found = np.array([one(first + k) for k in range(sets)])
    low, high = (found[:, 0] <= 1).mean(), (found[:, 2] >= 1).mean()
    error = np.sqrt(0.05 * 0.95 / sets)
    print(
        f"{sets} sets of seed {first}: lower bound kept {low:.1%}, upper {high:.1%} (s.e. {error:.1%})"
    )
    print(
        "over the true ratio in the median: "
        + ", ".join(f"{v:.3f}" for v in np.median(found, axis=0))
    )


if __name__ == "__main__":
    main()
