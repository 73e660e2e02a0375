"""Unknown modes: coverage and length of the bound at 0, 30 and 60 % unknown.

    python -m tests.benchmarks.masked [sets]

Invented truth: shorts (Weibull 1.3, 3,000 shots) and wear-out (3.0, 2,200 shots), 30 units, test
ends at 2,500 shots; modes lost at random. 95 % lower bound on the 10 % life of each mode, from the
joint fit; beside it the two habits that it replaces: unknown failures censored, and left out.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from scipy.optimize import minimize

from reliability.life.bounds import Bounder
from reliability.life.causes import fit_modes
from reliability.life.fit import fit_life
from reliability.life.masked_bounds import MaskedBounder
from reliability.life.targets import quantile_target
from reliability.notes import CannotAnswer
from tests.benchmarks.step_voltage import newton
from tests.test_masked import direct_modes, theta_of, two_modes

TRUTH = {"short": 3000 * (-np.log(0.9)) ** (1 / 1.3), "wear": 2200 * (-np.log(0.9)) ** (1 / 3.0)}


def lower_only(b, fraction=0.1):
    """The lower bound without working out the upper one."""
    target = quantile_target(b.fit.family, fraction)
    estimate = float(np.asarray(target.value(b.fit.phi[b.cause]))[0])
    return float(np.exp(b._solve(target, estimate, b.cut(target, True), True) + b.fit.centre))


def one(seed, unknown, mode):
    """Bounds over truth: joint, joint with normal cut, censored, left out; nan where there is none."""
    r = two_modes(seed, unknown=unknown)
    out = []
    try:
        fit = fit_modes(r)
        at = fit.index(mode)
        out.append(lower_only(MaskedBounder(fit, at, effort=0.02)))
        out.append(lower_only(MaskedBounder(fit, at, method="likelihood")))
    except (CannotAnswer, KeyError):
        out = [np.nan, np.nan]
    for part in (r, r.select(r.mode != "unknown")):
        try:
            own = part.of_mode(mode)
            out.append(Bounder(own, fit_life(own), effort=0.02).quantile(0.1).lower)
        except CannotAnswer:
            out.append(np.nan)
    return np.array(out) / TRUTH[mode]


def agreement(sets=100):
    """Largest difference from scipy in (ln eta, ln shape) of both modes, over seeded sets."""
    far = 0.0
    for seed in range(sets):
        r = two_modes(seed, unknown=(0.0, 0.3, 0.6)[seed % 3])
        fit = fit_modes(r)
        if len(fit.causes) < 2:
            continue  # one of the modes is named nowhere
        ours = theta_of(fit)
        minus = direct_modes(r)
        found = minimize(minus, ours + 0.05, method="Nelder-Mead", options={"maxiter": 2000})
        far = max(far, float(np.abs(ours - newton(minus, found.x)).max()))
    return far


def main(sets=300):
    """Run and print."""
    print(f"largest difference from scipy on 100 sets: {agreement():.1e}", flush=True)
    begun = time.process_time()
    print(f"{sets} sets; share of bounds that hold / median bound over truth; (n) no answer")
    print("mode   unknown  joint          normal cut     censored       left out")
    for mode in TRUTH:
        for unknown in (0.0, 0.3, 0.6):
            got = np.array([one(s, unknown, mode) for s in range(sets)])
            cells = []
            for column in got.T:
                v = column[~np.isnan(column)]
                cells.append(f"{(v <= 1).mean():6.1%} {np.median(v):5.2f} ({sets - v.size})")
            print(f"{mode:6} {unknown:5.0%}  " + "  ".join(cells), flush=True)
    print(f"{time.process_time() - begun:.0f} s CPU")


if __name__ == "__main__":
    main(*(int(v) for v in sys.argv[1:]))
