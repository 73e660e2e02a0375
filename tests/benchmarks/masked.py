"""Unknown modes: coverage and length of the bound at 0, 30 and 60 % unknown.

    python -m tests.benchmarks.masked [sets] [first seed]
    python -m tests.benchmarks.masked voltages [sets] [first seed]

Invented truth: shorts (Weibull 1.3, 3,000 shots) and wear-out (3.0, 2,200 shots), 30 units, test
ends at 2,500 shots; modes lost at random. 95 % lower bound on the 10 % life of each mode, from the
joint fit; beside it the two habits that it replaces: unknown failures censored, and left out.

``voltages``: ``life --mode`` as users ask it, at 1,200 V of tests at 1,200, 1,400 and 1,600 V (24 units; shorts
1.3, 3,000 shots at 1,400 V, exponent 7; wear-out 3.0, 2,200, 5).
"""

from __future__ import annotations

import sys
import time

import numpy as np
from scipy.optimize import minimize

from reliability.decisions.life import Life
from reliability.life.bounds import Bounder
from reliability.life.causes import fit_modes
from reliability.life.fit import fit_life
from reliability.life.masked_bounds import MaskedBounder
from reliability.life.targets import quantile_target
from reliability.notes import BadInput, CannotAnswer
from reliability.pool import Pool
from reliability.records import LifeRecords
from tests.benchmarks.step_voltage import newton
from tests.test_masked import direct_modes, theta_of, two_modes

LAWS = {"short": (1.3, 3000.0, 7.0), "wear": (3.0, 2200.0, 5.0)}
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


def agreement(sets=100, first=0):
    """Largest difference from scipy in (ln eta, ln shape) of both modes, over seeded sets."""
    far = 0.0
    for seed in range(first, first + sets):
        r = two_modes(seed, unknown=(0.0, 0.3, 0.6)[seed % 3])
        fit = fit_modes(r)
        if len(fit.causes) < 2:
            continue  # one of the modes is named nowhere
        ours = theta_of(fit)
        minus = direct_modes(r)
        found = minimize(minus, ours + 0.05, method="Nelder-Mead", options={"maxiter": 2000})
        far = max(far, float(np.abs(ours - newton(minus, found.x)).max()))
    return far


def main(sets=300, first=0):
    """Run and print."""
    print(f"largest difference from scipy on 100 sets: {agreement(first=first):.1e}", flush=True)
    begun = time.process_time()
    print(f"{sets} sets; share of bounds that hold / median bound over truth; (n) no answer")
    print("mode   unknown  joint          normal cut     censored       left out")
    for mode in TRUTH:
        for unknown in (0.0, 0.3, 0.6):
            got = np.array([one(s, unknown, mode) for s in range(first, first + sets)])
            cells = []
            for column in got.T:
                v = column[~np.isnan(column)]
                cells.append(f"{(v <= 1).mean():6.1%} {np.median(v):5.2f} ({sets - v.size})")
            print(f"{mode:6} {unknown:5.0%}  " + "  ".join(cells), flush=True)
    print(f"{time.process_time() - begun:.0f} s CPU")


def at_voltages(seed, unknown, n=24):
    """Tests of both modes at three voltages, modes lost at random."""
    rng = np.random.default_rng([20261126, 14, seed])
    volts = np.repeat([1200.0, 1400.0, 1600.0], n // 3)
    lives = {
        m: scale * (volts / 1400) ** -e * rng.weibull(shape, n)
        for m, (shape, scale, e) in LAWS.items()
    }
    first = np.minimum(lives["short"], lives["wear"])
    end = 3500 * (volts / 1400) ** -5
    dead = first < end
    mode = np.where(lives["short"] < lives["wear"], "short", "wear").astype(object)
    mode = np.where(rng.random(n) < unknown, "unknown", mode)
    t = np.minimum(first, end)
    return LifeRecords.of(
        t, np.where(dead, t, np.inf), slot=["main_capacitor"] * n, mode=np.where(dead, mode, "").astype(object),
        builder=["b"] * n, module=[f"m{i}" for i in range(n)], part=["film"] * n, covariates={"charge_V": volts},
    )  # fmt: skip


def voltages(sets=100, first=0):
    """Coverage and length of what ``life --mode`` says at 1,200 V."""
    begun = time.process_time()
    print(
        f"{sets} sets from seed {first}; share of bounds that hold / median bound over truth; (n) no answer"
    )
    for mode, (shape, scale, e) in LAWS.items():
        truth = scale * (1200 / 1400) ** -e * (-np.log(0.9)) ** (1 / shape)
        for unknown in (0.0, 0.3, 0.6):
            got = []
            for s in range(first, first + sets):
                try:
                    a = Life(mode=mode, use=("charge_V=1200",)).answer(
                        Pool(at_voltages(s, unknown))
                    )
                    got.append(a.quantiles[0].lower / truth)
                except (BadInput, CannotAnswer):
                    continue  # the mode is named nowhere
            v = np.array(got)
            kept = (v <= 1).mean()
            error = np.sqrt(kept * (1 - kept) / v.size)
            print(
                f"{mode:6} {unknown:4.0%}  {kept:6.1%} ({error:.1%}) {np.median(v):5.2f} ({sets - v.size})",
                flush=True,
            )
    print(f"{time.process_time() - begun:.0f} s CPU")


if __name__ == "__main__":
    if sys.argv[1:2] == ["voltages"]:
        voltages(*(int(v) for v in sys.argv[2:]))
    else:
        main(*(int(v) for v in sys.argv[1:]))
