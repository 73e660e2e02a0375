"""Step-voltage tests: estimates against scipy, bias of the exponent, coverage of the bound.

    python -m tests.benchmarks.step_voltage [sets] [effort] [first seed]

Invented truth: Weibull of shape 2.2, 2,000 shots at 1,400 V, life ~ V^-6; 24 units in turn on two
plans: 1,100, 1,300 and 1,500 V, raised after 2,500 and 4,000 shots, and 1,600, 1,700 and 1,800 V,
raised after 300 and 600 shots; both end when all have failed or the last step is over. The bound
is the 95 % lower one on the 10 % life at 1,000 V, below every test.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from scipy.optimize import minimize

from reliability.life.calibrated import calibrate
from reliability.life.stress import fit_stress, parse_term
from reliability.life.stress_bounds import StressBounder

UNITS, ETA, EXPONENT, SHAPE, USE = 24, 2000.0, 6.0, 2.2, 1000.0
SLOW = ((1100.0, 1300.0, 1500.0), (2500.0, 4000.0, 5000.0))
FAST = ((1600.0, 1700.0, 1800.0), (300.0, 600.0, 1000.0))
TRUTH = ETA * (USE / 1400.0) ** -EXPONENT * (-np.log(0.9)) ** (1 / SHAPE)


def direct(records):
    """-log-likelihood in (mu, n, ln sigma) at 1400 V from shots by unit and voltage, plain numpy."""
    names = list(dict.fromkeys(records.unit))
    shots, volts = np.zeros((len(names), 3)), np.ones((len(names), 3))
    last, dead, at = np.ones(len(names)), np.zeros(len(names)), np.zeros(len(names), int)
    for i in range(len(records)):
        u = names.index(records.unit[i])
        shots[u, at[u]] = records.shots_good[i] - records.shots_from[i]
        volts[u, at[u]] = last[u] = records.covariates["charge_V"][i] / 1400.0
        dead[u] = records.failed[i]
        at[u] += 1

    def minus(theta):
        mu, n, shape = theta[0], theta[1], np.exp(-theta[2])
        e = (shots * volts**n).sum(axis=1) * np.exp(-mu)
        hazard = np.log(shape) + (shape - 1) * np.log(e) + n * np.log(last) - mu
        return -(dead * hazard - e**shape).sum()

    return minus


def newton(minus, theta, steps=8):
    """Polish a minimum by Newton steps with fourth-order central differences."""
    h = 2e-3

    def slope(f, t):
        e = np.eye(theta.size) * h
        return np.array(
            [(8 * (f(t + v) - f(t - v)) - f(t + 2 * v) + f(t - 2 * v)) / (12 * h) for v in e]
        )

    for _ in range(steps):
        hess = slope(lambda t: slope(minus, t), theta)
        theta = theta - np.linalg.solve(0.5 * (hess + hess.T), slope(minus, theta))
    return theta


def draw(seed):
    """One of the data sets."""
    from tests.test_exposure import step_test

    return step_test(
        np.random.default_rng([20261126, seed]), UNITS, ETA, EXPONENT, SHAPE, plans=(SLOW, FAST)
    )


def by_scipy(records):
    """(mu, n, ln sigma) of the direct likelihood."""
    minus = direct(records)
    found = minimize(
        minus, [np.log(2000.0), 5.0, -0.5], method="Nelder-Mead", options={"maxiter": 600}
    )
    return newton(minus, found.x)


def one(seed, effort):
    """Difference from scipy in the estimates, exponent, and bounds over truth."""
    r = draw(seed)
    fit = fit_stress(r, [parse_term("charge_V:power")])
    theta = by_scipy(r)
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
        np.abs(ours - theta).max(), fit.coefficients[0], np.exp(cut.v + fit.sample.centre) / TRUTH, plain / TRUTH
    )  # fmt: skip


def main(sets=300, effort=0.05, first=0):
    """Run and print."""
    begun = time.process_time()
    far, exponent, ratio, plain = np.array([one(first + s, effort) for s in range(sets)]).T
    print(f"{sets} sets of {UNITS} units, {time.process_time() - begun:.0f} s CPU")
    print(f"largest difference from scipy (mu, n, ln sigma): {far.max():.1e}")
    bias = exponent.mean() / EXPONENT - 1
    print(f"exponent: mean {exponent.mean():.3f} (truth {EXPONENT}), bias {bias:+.2%}, "
          f"s.e. {exponent.std() / EXPONENT / np.sqrt(sets):.2%}")  # fmt: skip
    for name, v in (("calibrated", ratio), ("plain likelihood ratio", plain)):
        kept = (v <= 1).mean()
        print(f"{name}: covers {kept:.1%} (s.e. {np.sqrt(kept * (1 - kept) / sets):.1%}), "
              f"median bound / truth {np.median(v):.2f}")  # fmt: skip


if __name__ == "__main__":
    main(*(t(v) for t, v in zip((int, float, int), sys.argv[1:], strict=False)))
