"""Stretches at different stresses: cumulative exposure in the one likelihood.

Against a likelihood written out from Nelson (1990), Accelerated Testing, ch. 10, and maximised by
scipy; and against the single-stretch fits, to which it must reduce.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize

from reliability.life.engine import loglik_at
from reliability.life.exposure import log_life
from reliability.life.families import FAMILIES
from reliability.life.fit import fit_life
from reliability.life.likelihood import Held, Problem
from reliability.life.pooling import _Data
from reliability.life.sample import sample_of
from reliability.life.scheme import scheme_of
from reliability.life.stress import fit_stress, parse_term
from reliability.life.stress_bounds import StressBounder
from reliability.life.units import units_of
from reliability.notes import BadInput
from reliability.records import LifeRecords
from tests.benchmarks import step_voltage

POWER = [parse_term("charge_V:power")]
STANDARD = {
    "weibull": stats.gumbel_l, "exponential": stats.gumbel_l, "lognormal": stats.norm, "loglogistic": stats.logistic,
}  # fmt: skip


MILD = ((1200.0, 1400.0, 1600.0), (500.0, 900.0, 1500.0))
HARD = ((1300.0, 1500.0, 1700.0), (500.0, 900.0, 1500.0))
"""voltages of the steps, and the counts at which they end"""


def step_test(
    rng, n=24, eta=2000.0, exponent=6.0, shape=2.2, interval=0.0, late=0.0, plans=(HARD, MILD, MILD)
):
    """Units whose voltage is raised twice, as the rows a bench would write; plans take turns."""
    rows = []
    for u in range(n):
        volts, ends = (np.array(v) for v in plans[u % len(plans)])
        begun = float(rng.integers(50, 200)) if rng.random() < late else 0.0
        need = rng.weibull(shape)
        edges = np.concatenate(([0.0], ends))
        scale = eta * (volts / 1400.0) ** -exponent
        while begun and (begun / scale[0]) >= need:
            need = rng.weibull(shape)
        for k in range(volts.size):
            room = (edges[k + 1] - edges[k]) / scale[k]
            start = max(edges[k], begun) if k == 0 else edges[k]
            if need > room:
                rows.append((f"u{u}", start, edges[k + 1], np.inf, volts[k]))
                need -= room
                continue
            t = edges[k] + need * scale[k]
            if rng.random() < interval:
                low = max(start, np.floor(t / 100) * 100)
                rows.append((f"u{u}", start, low, np.ceil(t / 100) * 100, volts[k]))
            else:
                rows.append((f"u{u}", start, t, t, volts[k]))
            break
    return LifeRecords.of(
        [r[2] for r in rows], [r[3] for r in rows], shots_from=[r[1] for r in rows],
        unit=[r[0] for r in rows], builder=["kite"] * len(rows), module=["m"] * len(rows),
        slot=["main_capacitor"] * len(rows), covariates={"charge_V": [r[4] for r in rows]},
    )  # fmt: skip


def direct(records, name):
    """-log-likelihood in (mu, n, ln sigma) at 1400 V, row by row as the book has it."""
    dist = STANDARD[name]
    units = {}
    for i, u in enumerate(records.unit):
        units.setdefault(u, []).append(i)

    def minus(theta):
        mu, n, ln_sigma = theta
        sigma = 1.0 if name == "exponential" else np.exp(ln_sigma)
        total = 0.0
        for rows in units.values():
            rows = sorted(rows, key=lambda i: records.shots_from[i])
            eta = np.exp(mu) * (records.covariates["charge_V"][rows] / 1400.0) ** -n
            first = records.shots_from[rows[0]]
            e = 0.0
            if first > 0:
                e = first / eta[0]
                total -= dist.logsf(np.log(e) / sigma)
            for i, scale in zip(rows[:-1], eta[:-1], strict=True):
                e += (records.shots_good[i] - records.shots_from[i]) / scale
            i, scale = rows[-1], eta[-1]
            good = e + (records.shots_good[i] - records.shots_from[i]) / scale
            if not records.failed[i]:
                total += dist.logsf(np.log(good) / sigma)
            elif records.exact[i]:
                w = np.log(good) / sigma
                total += dist.logpdf(w) - np.log(sigma * good * scale)
            else:
                bad = e + (records.shots_failed[i] - records.shots_from[i]) / scale
                low = dist.sf(np.log(good) / sigma) if good > 0 else 1.0
                total += np.log(low - dist.sf(np.log(bad) / sigma))
        return -total

    return minus


@pytest.mark.parametrize("name", FAMILIES)
@pytest.mark.parametrize(("interval", "late"), [(0, 0), (0.6, 0.5)])
def test_estimates_equal_a_direct_likelihood(name, interval, late):
    for seed in range(2):
        r = step_test(np.random.default_rng([14, seed]), interval=interval, late=late)
        fit = fit_stress(r, POWER, name)
        minus = direct(r, name)
        start = [np.log(2000.0), 5.0, -0.5]
        found = minimize(
            minus,
            start,
            method="Nelder-Mead",
            options={"maxiter": 4000, "xatol": 1e-9, "fatol": 1e-12},
        )
        found = minimize(minus, found.x, method="BFGS", options={"gtol": 1e-7})
        assert fit.loglik == pytest.approx(-found.fun, abs=1e-6)
        assert fit.coefficients[0] == pytest.approx(found.x[1], rel=2e-5)
        mu = np.log(fit.quantile(1 - np.exp(-1.0), {"charge_V": 1400.0})[0])
        if name == "weibull":
            assert fit.sigma == pytest.approx(np.exp(found.x[2]), rel=2e-5)
            assert mu == pytest.approx(found.x[0], rel=1e-5)
        ours = [np.log(fit.quantile(float(STANDARD[name].cdf(0.0)), {"charge_V": 1400.0})[0]),
                fit.coefficients[0], np.log(fit.sigma)]  # fmt: skip
        assert minus(ours) <= found.fun + 1e-8
        assert fit.units == 24


@pytest.mark.parametrize("name", FAMILIES)
def test_gradient_and_curvature_are_those_of_the_value(name):
    r = step_test(np.random.default_rng(3), interval=0.4, late=0.4)
    fit = fit_stress(r, POWER, "weibull")
    s = fit.sample
    assert s.path is not None and s.path_between is not None
    phi = fit.phi * np.array([[1.1], [0.9], [1.05]])
    problem = Problem(FAMILIES[name], s, [])
    _, grad, curv = problem.terms(phi)
    h = 1e-5
    for i in range(3):
        step = h * np.eye(3)[:, i : i + 1]
        up, down = (loglik_at(FAMILIES[name], s, phi + k * step)[0] for k in (1, -1))
        assert grad[i][0] == pytest.approx((up - down) / (2 * h), rel=1e-5, abs=1e-5)
        g_up, g_down = (problem.terms(phi + k * step)[1] for k in (1, -1))
        for j in range(i + 1):
            slope = (g_up[j][0] - g_down[j][0]) / (2 * h)
            assert curv[i][j][0] == pytest.approx(slope, rel=1e-5, abs=1e-5)
    # under a hypothesis the derivatives are those of what stays free
    held = Problem(FAMILIES[name], s, [Held(1, -0.3, {0: 0.2, 2: -0.4})])
    free = phi[[0, 2]]
    _, grad, curv = held.terms(free)
    for i in range(2):
        step = h * np.eye(2)[:, i : i + 1]
        (up, gu, _), (down, gd, _) = (held.terms(free + k * step) for k in (1, -1))
        assert grad[i][0] == pytest.approx((up[0] - down[0]) / (2 * h), rel=1e-5, abs=1e-5)
        assert curv[i][i][0] == pytest.approx((gu[i][0] - gd[i][0]) / (2 * h), rel=1e-5, abs=1e-5)


def test_stretches_at_one_stress_are_one_row():
    whole = LifeRecords.of(
        [900, 1500, 700], [900, np.inf, 800], shots_from=[100, 0, 0], unit=list("abc")
    )
    cut = LifeRecords.of(
        [400, 900, 600, 1000, 1500, 700], [np.inf, 900, np.inf, np.inf, np.inf, 800],
        shots_from=[100, 400, 0, 600, 1000, 0], unit=list("aabbbc"),
    )  # fmt: skip
    for name in FAMILIES:
        one, two = fit_life(whole, name), fit_life(cut, name)
        assert (one.loglik, one.mu, one.sigma, one.n, one.failed) == (
            two.loglik, two.mu, two.sigma, two.n, two.failed
        )  # fmt: skip
    x = np.array([1.0, 1.0, -1.0, -1.0, -1.0, 0.5])[:, None]
    s = sample_of(cut, x)
    t = sample_of(whole, x[[0, 2, 5]])
    assert s.path is None
    assert np.array_equal(s.point.x, t.point.x) and np.array_equal(s.entry.y, t.entry.y)


def test_the_second_row_of_a_survivor_is_not_a_second_unit():
    r = step_test(np.random.default_rng(5))
    naive = LifeRecords.of(
        r.shots_good, r.shots_failed, shots_from=r.shots_from, covariates=r.covariates
    )
    fit = fit_stress(r, POWER)
    assert fit.units == 24 == r.units and fit_stress(naive, POWER).units == len(r) > 24
    assert fit_life(r).n == 24


def test_contradictions_are_refused():
    r = LifeRecords.of([500, 900], unit=["a", "a"], shots_from=[0, 600])
    with pytest.raises(BadInput, match="100 shots are missing"):
        fit_life(r)


def test_units_are_drawn_again_through_their_planned_stretches():
    r = step_test(np.random.default_rng(8), n=60)
    fit = fit_stress(r, POWER)
    scheme = scheme_of(fit.records, fit.x, fit.sample.centre)
    assert scheme.plans.varying.all()  # those that failed in their first stretch would have gone on
    raw = scheme.plans.ends[:, :, 0]
    assert set(raw[0]) == {500.0} and set(raw[1]) == {900.0}
    # to the end of every unit's watch, exposures of the drawn units have the fitted distribution
    free = replace(scheme, end=np.full(scheme.size, np.inf), mass=np.zeros_like(scheme.mass))
    sample = free.draw(fit.family, fit.phi, 200, np.random.default_rng(1))
    w = log_life(sample.path.x, sample.path.dose, fit.phi)
    assert stats.kstest(w.ravel(), stats.gumbel_l.cdf).pvalue > 0.001
    spent = np.exp(sample.path.dose).sum(axis=0)
    np.testing.assert_allclose(np.log(spent), sample.path.y, atol=1e-9)
    # and a drawn test is what the bench would have written down: the same likelihood from its rows
    drawn = scheme.draw(fit.family, fit.phi, 3, np.random.default_rng(2))
    for b in range(3):
        rows = []
        for u in range(scheme.size):
            t = float(np.exp(drawn.path.y[u, b] + scheme.centre))
            edges = [0.0, *[e for e in raw[:, u] if e < t * (1 - 1e-12)]]
            for k, begun in enumerate(edges):
                last = k == len(edges) - 1
                dead = last and drawn.path.d[u, b] > 0
                rows.append((f"u{u}", begun, t if last else edges[k + 1], t if dead else np.inf,
                             scheme.plans.x[0, k, u, 0]))  # fmt: skip
        again = LifeRecords.of(
            [v[2] for v in rows], [v[3] for v in rows], shots_from=[v[1] for v in rows], unit=[v[0] for v in rows]
        )  # fmt: skip
        one = sample_of(again, np.array([[v[4]] for v in rows]), scheme.centre)
        assert loglik_at(fit.family, one, fit.phi)[0] == pytest.approx(
            loglik_at(fit.family, drawn.columns(slice(b, b + 1), 1), fit.phi)[0], abs=1e-8
        )


def test_inspected_step_tests_are_drawn_as_inspected():
    r = step_test(np.random.default_rng(9), n=30, interval=1.0)
    fit = fit_stress(r, POWER)
    scheme = scheme_of(fit.records, fit.x, fit.sample.centre)
    sample = scheme.draw(fit.family, fit.phi, 50, np.random.default_rng(1))
    assert sample.path is None and sample.path_between.y.shape == (30, 50)
    assert np.isfinite(loglik_at(fit.family, sample, np.repeat(fit.phi, 50, axis=1))).all()
    bound = StressBounder(fit, effort=0.02).life(0.1, {"charge_V": 1200.0})
    assert 0 < bound.lower < bound.estimate < bound.upper


def test_residuals_are_logs_of_exposure_over_sigma():
    r = step_test(np.random.default_rng(4))
    fit = fit_stress(r, POWER)
    low, high = fit.residuals()
    assert low.size == 24
    minus = direct(r, "weibull")
    theta = [
        np.log(fit.quantile(1 - np.exp(-1.0), {"charge_V": 1400.0})[0]),
        fit.coefficients[0],
        np.log(fit.sigma),
    ]
    # the failed units' densities and the others' survivals add up to the likelihood
    dead = np.isfinite(high)
    eta_last = np.exp(theta[0]) * (units_of(r).records.covariates["charge_V"] / 1400.0) ** -theta[1]
    total = (
        stats.gumbel_l.logpdf(low[dead])
        - np.log(fit.sigma)
        - low[dead] * fit.sigma
        - np.log(eta_last[dead])
    ).sum()
    total += stats.gumbel_l.logsf(low[~dead]).sum()
    assert total == pytest.approx(-minus(theta), abs=1e-8)


@pytest.mark.parametrize("seed", range(10))
def test_sets_of_the_step_voltage_benchmark_equal_scipy(seed):
    """Ten of the 300 sets of tests/benchmarks/step_voltage.py."""
    r = step_voltage.draw(seed)
    fit = fit_stress(r, POWER)
    theta = step_voltage.by_scipy(r)
    mu = np.log(fit.quantile(1 - np.exp(-1.0), {"charge_V": 1400.0})[0])
    np.testing.assert_allclose([mu, fit.coefficients[0], np.log(fit.sigma)], theta, atol=1e-6)


@pytest.mark.parametrize("name", FAMILIES)
def test_the_random_effect_model_sees_the_same_likelihood(name):
    """Group sums at no effect are the joint likelihood; a common shift of ln life is one of mu."""
    r = step_test(np.random.default_rng(6), interval=0.4, late=0.4)
    fit = fit_stress(r, POWER, name)
    labels = np.array([f"g{int(u[1:]) % 4}" for u in r.unit], object)
    data = _Data(r, fit.x, labels)
    assert data.centre == pytest.approx(fit.sample.centre)
    here = data.by_group(fit.family, fit.phi[:, 0], np.array([0.0, 0.2]))
    assert here.shape == (4, 2)
    assert here[:, 0].sum() == pytest.approx(
        loglik_at(fit.family, fit.sample, fit.phi)[0], abs=1e-8
    )
    moved = fit.phi.copy()
    moved[1] -= moved[0] * 0.2
    assert here[:, 1].sum() == pytest.approx(loglik_at(fit.family, fit.sample, moved)[0], abs=1e-8)
