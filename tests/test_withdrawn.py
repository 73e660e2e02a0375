"""Units withdrawn at failures: exact conditional bounds (progressive type II censoring).

Data: the insulating fluid breakdowns at 34 kV of Nelson (1982), withdrawn as Viveros & Balakrishnan
(1994), Technometrics 36, 84-91, have it. Their integrals are checked against scipy's quadrature.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import dblquad
from scipy.optimize import minimize

from reliability.life.bounds import Bounder
from reliability.life.fit import fit_life
from reliability.life.scheme import kind_of, scheme_of
from reliability.life.stress import fit_stress, parse_term
from reliability.life.stress_bounds import StressBounder
from reliability.records import LifeRecords

FAILED = [0.19, 0.78, 0.96, 1.31, 2.78, 4.85, 6.50, 7.35]
LEAVE = [0, 0, 3, 0, 3, 0, 0, 5]


def fluid():
    good = FAILED + [t for t, k in zip(FAILED, LEAVE, strict=True) for _ in range(k)]
    n = len(good) - len(FAILED)
    return LifeRecords.of(good, FAILED + [np.inf] * n, removed=[""] * 8 + ["failure"] * n)


def progressive(rng, n=12, failures=5, shape=2.0, scale=1000.0):
    """A test from which units are withdrawn at each failure; it ends with the last one."""
    leave = np.bincount(rng.integers(0, failures, n - failures), minlength=failures)
    t = list(scale * rng.weibull(shape, n))
    rows = []
    for k in leave:
        now = min(t)
        t.remove(now)
        rows.append((now, now, ""))
        for _ in range(k):
            out = t.pop(int(rng.integers(len(t))))
            rows.append((now, np.inf, "failure"))
            assert out > now
    return LifeRecords.of([r[0] for r in rows], [r[1] for r in rows], removed=[r[2] for r in rows])


def test_the_fluid_data_give_the_published_estimates():
    """mu 2.222 and sigma 1.026 of ln t: Balakrishnan & Aggarwala (2000), Progressive Censoring; from memory."""
    fit = fit_life(fluid())
    assert fit.mu == pytest.approx(2.222, abs=6e-4)
    assert fit.sigma == pytest.approx(1.026, abs=6e-4)


@pytest.mark.parametrize("name", ["weibull", "lognormal", "loglogistic"])
def test_bounds_agree_with_direct_integration(name):
    dist = {"weibull": stats.gumbel_l, "lognormal": stats.norm, "loglogistic": stats.logistic}[name]
    r = fluid()
    assert kind_of(r) == "progressive"
    fit = fit_life(r, name)
    b = Bounder(r, fit)
    assert b.method == "exact"
    y, dead = np.log(r.shots_good), r.failed

    def loglik(mu, ln_sigma):
        sigma = np.exp(ln_sigma)
        w = (y - mu) / sigma
        return dist.logpdf(w[dead]).sum() - dead.sum() * ln_sigma + dist.logsf(w[~dead]).sum()

    top = -minimize(lambda p: -loglik(*p), [fit.mu, np.log(fit.sigma)]).fun
    z = dist.ppf(0.1)

    def mass(upper):
        return dblquad(
            lambda v, s: np.exp(loglik(v - z * np.exp(s), s) - top), np.log(fit.sigma) - 1.8, np.log(fit.sigma) + 2.8,
            -30.0, upper, epsabs=1e-7, epsrel=1e-5,
        )[0]  # fmt: skip

    # in (quantile, ln sigma) the inner integral runs over the quantile itself
    total = mass(6.0)
    found = np.log(b.quantile(0.1).lower)
    assert mass(found) / total == pytest.approx(0.05, abs=2e-4)
    if name == "weibull":
        # the bound itself is right to 1e-3 of its logarithm
        assert mass(found - 1e-3) / total < 0.05 < mass(found + 1e-3) / total


def test_what_is_and_is_not_progressive():
    def kind(good, failed, removed):
        return kind_of(LifeRecords.of(good, failed, removed=removed))

    inf = np.inf
    assert kind([5, 5, 9], [5, inf, 9], ["", "failure", ""]) == "progressive"
    assert kind([5, 5, 9, 9], [5, inf, 9, inf], ["", "failure", "", "end"]) == "progressive"
    assert (
        kind([5, 5, 9], [5, inf, 9], ["", "end", ""]) == "other"
    )  # not said to be withdrawn there
    assert kind([5, 6, 9], [5, inf, 9], ["", "failure", ""]) == "other"  # no failure at 6
    assert kind([5, 12, 9], [5, inf, 9], ["", "", ""]) == "other"
    assert kind([5, 9, 9], [5, inf, 9], ["", "", ""]) == "failure_terminated"


def test_withdrawals_are_drawn_again_at_the_same_ranks():
    r = progressive(np.random.default_rng(3))
    fit = fit_life(r)
    scheme = scheme_of(r, centre=fit.sample.centre)
    sample = scheme.draw(fit.family, fit.phi, 200, np.random.default_rng(1))
    d, y = sample.point.d, sample.point.y
    assert (d.sum(axis=0) == 5).all()
    times = np.sort(r.shots_good[r.failed])
    leave = [int((r.shots_good[r.right] == t).sum()) for t in times]
    for b in range(0, 200, 20):
        failed = np.sort(y[d[:, b] > 0, b])
        assert [int(np.isclose(y[d[:, b] == 0, b], t).sum()) for t in failed] == leave


def test_exact_bounds_hold():
    """A fast look at coverage; tests/benchmarks/withdrawn.py has the long one."""
    rng = np.random.default_rng(14)
    truth = 1000 * (-np.log(0.9)) ** 0.5
    kept = []
    for _ in range(60):
        r = progressive(rng)
        kept.append(Bounder(r, fit_life(r)).quantile(0.1).lower <= truth)
    assert np.mean(kept) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 60)


def stress_test(rng, withdrawn=True):
    """Three voltages; at each 6 units of which 4 fail and one is withdrawn on the way."""
    parts = []
    for v in (1300.0, 1500.0, 1700.0):
        r = progressive(rng, 6, 4, 2.0, 2000.0 * (v / 1400.0) ** -6.0)
        why = r.removed if withdrawn else [""] * 6
        parts.append((r.shots_good, r.shots_failed, why, np.full(6, v)))
    good, failed, why, volts = (np.concatenate([np.asarray(p[k]) for p in parts]) for k in range(4))
    return LifeRecords.of(good, failed, removed=why, covariates={"charge_V": volts})


def test_stress_bounds_are_exact_and_agree_with_direct_integration():
    """The integral over exponent, location and ln sigma on a plain grid, without the project's engine."""
    r = stress_test(np.random.default_rng(2))
    fit = fit_stress(r, [parse_term("charge_V:power")])
    b = StressBounder(fit)
    use = {"charge_V": 1200.0}
    bound = b.life(0.1, use)
    assert bound.method == "exact" and bound.mc_error < 0.01
    x = -np.log(r.covariates["charge_V"] / 1200.0)
    y, dead = np.log(r.shots_good), r.failed
    z = np.log(-np.log(0.9))
    # coordinates: the quantile asked for, the exponent, ln sigma
    q = np.linspace(*np.log([bound.estimate / 60, bound.estimate * 12]), 141)
    n = np.linspace(fit.coefficients[0] - 14, fit.coefficients[0] + 14, 141)
    s = np.linspace(np.log(fit.sigma) - 1.6, np.log(fit.sigma) + 2.2, 101)
    mass = np.zeros(q.size)
    for ln_sigma in s:
        sigma = np.exp(ln_sigma)
        w = [
            (yi - (q[:, None] - z * sigma + n[None, :] * xi)) / sigma
            for yi, xi in zip(y, x, strict=True)
        ]
        log = sum(
            (wi - ln_sigma if di else 0.0) - np.exp(wi) for wi, di in zip(w, dead, strict=True)
        )
        mass += np.exp(log + 80.0 - y[dead].size).sum(axis=1)
    cdf = np.cumsum(mass) - 0.5 * mass
    direct = np.interp(0.05, cdf / mass.sum(), q)
    assert np.log(bound.lower) == pytest.approx(direct, abs=4 * bound.mc_error + 1e-3)
    # the bound along the stress passes through it
    cut = b.cut_for("charge_V", 1200.0, 0.1, {})
    along = b.lower_along("charge_V", np.array([1200.0]), 0.1, {}, np.array([cut]))
    assert along[0] == pytest.approx(bound.lower, rel=1e-3)


def test_stress_tests_with_other_ends_are_not_called_exact():
    r = stress_test(np.random.default_rng(2), withdrawn=False)
    assert StressBounder(fit_stress(r, [parse_term("charge_V:power")])).draws is None
