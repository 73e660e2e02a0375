"""Step-voltage tests: estimates against scipy, bias of the exponent, coverage of the bound.

    python -m tests.benchmarks.step_voltage [sets] [effort]

Invented truth: Weibull of shape 2.2, 2,000 shots at 1,400 V, life ~ V^-6; 24 units, voltage raised
by 200 V after 500 and after 900 shots, the third level until 1,500 shots; a third begins 300 V
higher. The bound is the 95 % lower one on the 10 % life at 1,200 V.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from scipy.optimize import approx_fprime, minimize

from reliability.life.calibrated import calibrate
from reliability.life.stress import fit_stress
from reliability.life.stress_bounds import StressBounder
from tests.test_exposure import POWER, direct, step_test

UNITS, ETA, EXPONENT, SHAPE, USE = 24, 2000.0, 6.0, 2.2, 1200.0
TRUTH = ETA * (USE / 1400.0) ** -EXPONENT * (-np.log(0.9)) ** (1 / SHAPE)


def newton(minus, theta, steps=6):
    """Polish a minimum by Newton steps with central differences."""
    h = 1e-4
    for _ in range(steps):

        def gradient(t):
            return np.array([(minus(t + h * e) - minus(t - h * e)) / (2 * h) for e in np.eye(3)])

        hess = np.array([approx_fprime(theta, lambda t, i=i: gradient(t)[i], h) for i in range(3)])
        theta = theta - np.linalg.solve(0.5 * (hess + hess.T), gradient(theta))
    return theta


def one(seed, effort):
    """Difference from scipy in the estimates, exponent, and bound over truth."""
    r = step_test(
        np.random.default_rng([20261126, seed]), UNITS, ETA, EXPONENT, SHAPE, higher=300.0
    )
    fit = fit_stress(r, POWER)
    minus = direct(r, "weibull")
    found = minimize(
        minus, [np.log(2000.0), 5.0, -0.5], method="Nelder-Mead", options={"maxiter": 600}
    )
    theta = newton(minus, found.x)
    mu = np.log(fit.quantile(1 - np.exp(-1.0), {"charge_V": 1400.0})[0])
    ours = np.array([mu, fit.coefficients[0], np.log(fit.sigma)])
    b = StressBounder(fit, effort=effort)
    target = fit.quantile_target(0.1, {"charge_V": USE})
    cut = calibrate(
        fit.family, fit.sample, b.scheme, target, fit.phi, b.loglik, b.standard_error(target), 0.95, True,
        np.random.default_rng([seed, 1]), b.max_work,
    )  # fmt: skip
    plain = StressBounder(fit, method="likelihood").life(0.1, {"charge_V": USE}).lower
    return (
        np.abs(ours - theta).max(),
        fit.coefficients[0],
        np.exp(cut.v + fit.sample.centre) / TRUTH,
        plain / TRUTH,
    )


def main(sets=300, effort=0.1):
    """Run and print."""
    begun = time.process_time()
    out = np.array([one(s, effort) for s in range(sets)])
    far, exponent, ratio, plain = out.T
    print(f"{sets} sets of {UNITS} units, {time.process_time() - begun:.0f} s CPU")
    print(f"largest difference from scipy: {far.max():.1e}")
    bias = exponent.mean() / EXPONENT - 1
    print(f"exponent: mean {exponent.mean():.3f} (truth {EXPONENT}), bias {bias:+.2%}, "
          f"s.e. {exponent.std() / EXPONENT / np.sqrt(sets):.2%}")  # fmt: skip
    for name, v in (("calibrated", ratio), ("plain likelihood ratio", plain)):
        kept = (v <= 1).mean()
        print(f"{name}: covers {kept:.1%} (s.e. {np.sqrt(kept * (1 - kept) / sets):.1%}), "
              f"median bound / truth {np.median(v):.2f}")  # fmt: skip


if __name__ == "__main__":
    main(*(t(v) for t, v in zip((int, float), sys.argv[1:], strict=False)))
