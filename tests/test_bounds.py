"""Bounds: what they are made of, and small coverage runs (the full grid is a benchmark)."""

import warnings

import numpy as np
import pytest
from scipy import stats

from reliability.life.bounds import Bounder, survival_curve
from reliability.life.engine import fit_batch, information, loglik_at
from reliability.life.families import FAMILIES, WEIBULL, family
from reliability.life.fit import fit_life
from reliability.life.likelihood import Held
from reliability.life.priors import DEFAULT_SHAPE_PRIOR, posterior_quantile
from reliability.life.quadrature import plane
from reliability.life.sample import sample_of
from reliability.life.scheme import kind_of, scheme_of
from reliability.life.targets import LogLife, LogQuantile
from reliability.records import LifeRecords
from tests.benchmarks import coverage

INF = float("inf")


def mixed_records(seed=0, n=25):
    rng = np.random.default_rng(seed)
    t = 3000 * rng.weibull(1.8, n)
    good, failed = t.copy(), t.copy()
    good[:8] = np.minimum(t[:8], 2500)
    failed[:8] = np.where(t[:8] <= 2500, t[:8], INF)
    good[8:16] = np.floor(t[8:16] / 700) * 700
    failed[8:16] = good[8:16] + 700
    begun = np.zeros(n)
    begun[16:20] = 0.3 * t[16:20]
    return LifeRecords.of(good, failed, shots_from=begun, count=rng.integers(1, 3, n))


@pytest.mark.parametrize("name", ["weibull", "lognormal", "loglogistic"])
def test_gradient_and_curvature(name):
    """Analytic derivatives against central differences."""
    fam = FAMILIES[name]
    sample = sample_of(mixed_records())
    phi = np.array([[1.3], [0.2]])
    h = 1e-4
    info = information(fam, sample, phi)

    def ll(a, b):
        return loglik_at(fam, sample, np.array([[a], [b]]))[0]

    a, b = 1.3, 0.2
    numeric = -np.array(
        [
            [
                (ll(a + h, b) - 2 * ll(a, b) + ll(a - h, b)) / h**2,
                (ll(a + h, b + h) - ll(a + h, b - h) - ll(a - h, b + h) + ll(a - h, b - h))
                / (4 * h * h),
            ],
            [0, (ll(a, b + h) - 2 * ll(a, b) + ll(a, b - h)) / h**2],
        ]
    )
    numeric[1, 0] = numeric[0, 1]
    np.testing.assert_allclose(info, numeric, rtol=2e-4, atol=1e-3)


@pytest.mark.parametrize("name", list(FAMILIES))
def test_batch_equals_one_by_one(name):
    """A batch gives each sample the fit it has alone; held fits meet their hypothesis."""
    fam = FAMILIES[name]
    records = mixed_records(3)
    scheme = scheme_of(records)
    phi = np.array([[1.5], [-0.2]])
    batch = scheme.draw(fam, phi, 40, np.random.default_rng(1))
    together = fit_batch(fam, batch)
    target = LogQuantile(float(fam.quantile(np.array(0.1))))
    held = fit_batch(fam, batch, target.held(-1.0), together.phi)
    assert together.converged.all()
    np.testing.assert_allclose(target.value(held.phi), -1.0, atol=1e-10)
    assert (held.loglik <= together.loglik + 1e-9).all()
    for i in range(0, 40, 7):
        alone = fit_batch(fam, batch.columns(np.array([i]), 1), tol=1e-18)
        np.testing.assert_allclose(alone.phi[:, 0], together.phi[:, i], rtol=1e-7, atol=1e-8)


def test_same_input_same_bound():
    r = mixed_records(2)
    a = Bounder(r, fit_life(r), 0.95, seed=4).quantile(0.1)
    b = Bounder(r, fit_life(r), 0.95, seed=4).quantile(0.1)
    c = Bounder(r, fit_life(r), 0.95, seed=5).quantile(0.1)
    assert a == b
    assert a.lower == pytest.approx(c.lower, rel=6 * max(a.mc_error, c.mc_error))
    assert a.mc_error < 0.02


def test_unit_of_shots_does_not_move_the_bound():
    r = mixed_records(2)
    k = 1e6
    other = LifeRecords.of(
        r.shots_good * k, r.shots_failed * k, shots_from=r.shots_from * k, count=r.count
    )
    for method in ("calibrated", "likelihood", "wald"):
        a = Bounder(r, fit_life(r), 0.95, method).quantile(0.1)
        b = Bounder(other, fit_life(other), 0.95, method).quantile(0.1)
        assert b.lower == pytest.approx(k * a.lower, rel=1e-6)


def test_exact_bounds_of_quantile_and_survival_agree():
    """The lower bound on survival at the lower bound of the 10 % life is 90 %."""
    r = LifeRecords.of([800, 1500, 2200, 2200, 2200], [800, 1500, 2200, INF, INF])
    assert kind_of(r) == "failure_terminated"
    b = Bounder(r, fit_life(r), 0.95)
    low = b.quantile(0.1).lower
    assert b.survival(low).lower == pytest.approx(0.9, abs=1e-5)


def test_curve_passes_through_its_bounds():
    r = mixed_records(2)
    b = Bounder(r, fit_life(r), 0.95, "likelihood")
    shots = np.geomspace(200, 5000, 9)
    estimate, lower, upper = survival_curve(b, shots, knots=9)
    for s, e, lo, up in zip(shots, estimate, lower, upper):
        one = b.survival(float(s))
        assert (e, lo, up) == pytest.approx((one.estimate, one.lower, one.upper), abs=1e-6)


@pytest.mark.parametrize(
    ("scheme", "n", "failures"), [("complete", 5, 5), ("failure", 8, 4), ("time", 12, 4), ("inspected", 12, 4), ("late", 12, 4), ("random", 12, 4)]
)  # fmt: skip
def test_coverage_of_the_lower_bound(scheme, n, failures):
    """95 % lower bound on the 10 % life, 300 tests a scheme: within 3.3 standard errors of 95 %, while
    the Wald bound is far below. Full grid: tests/benchmarks/coverage.py."""
    _, cover, _ = coverage.cell((scheme, n, failures, 2.0, "weibull", "weibull", 300, 199))
    assert 0.909 <= cover["calibrated"] <= 0.99
    assert cover["wald"] < 0.93


def test_inverted_test_is_the_bound():
    """What coverage.py tests at the truth is what the bound solves for: at the bound the observed
    root sits at the 95 % point of the simulated roots."""
    from reliability.life.calibrated import simulated_roots
    from reliability.life.signed_root import signed_root

    r = coverage.draw("time", 12, 4, 2.0, "weibull", np.random.default_rng(6))
    fit = fit_life(r)
    b = Bounder(r, fit, 0.95)
    target = LogQuantile(float(WEIBULL.quantile(np.array(0.1))))
    low = b.bound(target).lower
    root, phi = signed_root(WEIBULL, fit.sample, target, np.array([low]), fit.phi, b.loglik)
    draws = simulated_roots(
        WEIBULL,
        scheme_of(r, centre=fit.sample.centre),
        target,
        low,
        phi,
        20000,
        np.random.default_rng(9),
    )
    assert (draws >= root[0]).mean() == pytest.approx(0.05, abs=0.005)


def test_posterior_with_a_sharp_prior_is_the_gamma_posterior():
    """With the shape known, exposure ~ gamma: lower bound of the scale = T / gamma quantile (conjugate
    form; compare NIST/SEMATECH e-Handbook 8.4.6)."""
    from dataclasses import replace

    sharp = replace(DEFAULT_SHAPE_PRIOR, median=1.0, log_sd=1e-3)
    r = LifeRecords.of([500, 900, 1400, 2000], [500, 900, INF, INF])
    got = posterior_quantile(r, WEIBULL, 1 - np.exp(-1), 0.9, sharp)
    total = 500 + 900 + 1400 + 2000
    assert got.lower == pytest.approx(total / stats.gamma.ppf(0.9, 2), rel=2e-3)
    assert got.shots == pytest.approx(total / stats.gamma.ppf(0.5, 2), rel=2e-3)


def test_plane_is_normalised():
    r = LifeRecords.of([800, 1500, 2200], [800, 1500, 2200])
    fit = fit_life(r)
    p = plane(WEIBULL, fit.sample, fit.phi)
    assert p.probability_below(LogQuantile(0.0), 1e7) == pytest.approx(1, abs=1e-6)
    assert p.probability_below(LogLife(0.0), -80.0) == pytest.approx(0, abs=1e-6)
    assert p.expect(lambda b, a: np.ones_like(a)) == pytest.approx(1, abs=1e-6)


def test_held_shape_is_the_exponential():
    r = mixed_records(1)
    fam = family("weibull")
    out = fit_batch(fam, sample_of(r), Held(0, 1.0), np.array([[1.0], [0.0]]), tol=1e-18)
    assert np.exp(-out.phi[1, 0] + sample_of(r).centre) == pytest.approx(
        fit_life(r, "exponential").scale, rel=1e-9
    )


@pytest.mark.filterwarnings("error::RuntimeWarning")
@pytest.mark.parametrize(
    ("name", "law"),
    [("weibull", "gumbel_l"), ("exponential", "gumbel_l"), ("lognormal", "norm"), ("loglogistic", "logistic")],
)  # fmt: skip
def test_survival_far_out_is_all_or_nothing_without_a_warning(name, law):
    """Against scipy's laws of the log life; at ends where exp overflows, as a steep shape far beyond its scale has."""
    w = np.array([-np.inf, -1e9, -800.0, -3.0, 0.0, 2.0, 6.0, 40.0, 709.0, 800.0, 1e9, np.inf])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        known = getattr(stats, law).sf(w)
    assert family(name).survival(w) == pytest.approx(known, rel=1e-12, abs=1e-300)
    log, first, second = family("weibull").survive(np.array([800.0, np.inf]))
    assert np.all(np.exp(log) == 0) and np.all(np.isfinite([log, first, second]))
