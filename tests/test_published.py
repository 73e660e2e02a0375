"""Published worked examples and tables; the source stands beside each check."""

import csv
from pathlib import Path

import lifelines
import numpy as np
import pytest
from scipy import integrate, optimize, stats

from reliability.life.bounds import Bounder
from reliability.life.empirical import empirical_curve, kaplan_meier, turnbull
from reliability.life.engine import fit_batch
from reliability.life.families import WEIBULL, family
from reliability.life.fit import fit_life
from reliability.life.incidence import cumulative_incidence
from reliability.life.priors import DEFAULT_SHAPE_PRIOR, zero_failure_quantile
from reliability.life.sample import Rows, Sample
from reliability.records import LifeRecords
from reliability.sheets.life import read_life
from tests.asking import asked

PUBLISHED = Path(__file__).parents[1] / "datasets" / "published"


def published(name):
    return read_life(PUBLISHED / f"{name}.csv").records


def test_turbine_wheels():
    """Meeker & Escobar (1998), table 1.5: every wheel inspected once; a direct likelihood in scipy."""
    r = published("turbine")
    assert r.units == 432
    fit = fit_life(r)

    def minus(theta):
        shape, scale = np.exp(theta)
        d = stats.weibull_min(shape, scale=scale)
        left = r.failed
        return -(
            (r.count[left] * d.logcdf(r.shots_failed[left])).sum()
            + (r.count[~left] * d.logsf(r.shots_good[~left])).sum()
        )

    best = optimize.minimize(
        minus, [0.5, 4.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}
    )
    assert fit.loglik == pytest.approx(-best.fun, abs=1e-7)
    assert fit.shape == pytest.approx(np.exp(best.x[0]), rel=1e-5)


@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.95])
@pytest.mark.parametrize("r_failed", [1, 2, 5, 10])
def test_exponential_failure_terminated_is_chi_square(confidence, r_failed):
    """2T/theta is chi-square with 2r degrees of freedom: Epstein & Sobel (1953); NIST/SEMATECH
    e-Handbook 8.4.5.1. Values from scipy.stats.chi2."""
    good = np.array(
        [100.0, 250.0, 400.0, 700.0, 900.0, 1200.0, 1300.0, 1500.0, 1700.0, 2000.0, 2500.0]
    )
    stop = good[r_failed - 1]
    r = LifeRecords.of(np.minimum(good, stop), np.where(good <= stop, good, np.inf))
    total = np.minimum(good, stop).sum()
    b = Bounder(r, fit_life(r, "exponential"), confidence).scale()
    assert b.lower == pytest.approx(2 * total / stats.chi2.ppf(confidence, 2 * r_failed), rel=1e-9)
    assert b.upper == pytest.approx(
        2 * total / stats.chi2.ppf(1 - confidence, 2 * r_failed), rel=1e-9
    )


@pytest.mark.parametrize(
    ("survival", "confidence", "units"),
    [(0.90, 0.90, 22), (0.90, 0.95, 29), (0.95, 0.90, 45), (0.95, 0.95, 59), (0.99, 0.90, 230)],
)
@pytest.mark.parametrize("shape", [1.0, 2.5])
def test_success_run(survival, confidence, units, shape):
    """Success run n = ln(1 - C) / ln R: NIST/SEMATECH e-Handbook 8.3.1, common tables. n units that
    reach N shots without failure prove the survival at N; one unit fewer does not."""
    enough = LifeRecords.of([1000.0], count=[units])
    fewer = LifeRecords.of([1000.0], count=[units - 1])
    assert zero_failure_quantile(enough, 1 - survival, confidence, shape) >= 1000.0
    assert zero_failure_quantile(fewer, 1 - survival, confidence, shape) < 1000.0


def test_pivot_percentage_points():
    """Distribution of shape-hat / shape in complete samples: Thoman, Bain & Antle (1969),
    Technometrics 11, table 1: 95 % points 1.807 (n = 10) and 1.449 (n = 20). From memory; the
    table itself was simulated."""
    rng = np.random.default_rng(5)
    for n, point in ((10, 1.807), (20, 1.449)):
        y = np.log(rng.weibull(1.0, (n, 40000)))
        sample = Sample(40000, Rows(y, np.empty((0, n, 1)), d=np.ones((n, 1))), None, None)
        ratio = fit_batch(WEIBULL, sample).phi[0]
        assert np.quantile(ratio, 0.95) == pytest.approx(point, rel=0.02)


@pytest.mark.parametrize("family_name", ["weibull", "lognormal", "loglogistic"])
def test_exact_bounds_are_the_conditional_distribution(family_name):
    """Lawless (2003), sec. 5.1 and app. E: tail areas of the pivots given the ancillaries, here by
    an independent integral in scipy over (mu, sigma) with weight 1/sigma."""
    t = np.array([1200.0, 2100.0, 2600.0, 3300.0])
    stop = 3300.0
    n = 7
    r = LifeRecords.of([*t, *[stop] * (n - 4)], [*t, *[np.inf] * (n - 4)])
    fit = fit_life(r, family_name)
    b = Bounder(r, fit, 0.95).quantile(0.1)
    fam = family(family_name)
    z = float(fam.quantile(np.array(0.1)))
    dist = {"weibull": stats.gumbel_l, "lognormal": stats.norm, "loglogistic": stats.logistic}[
        family_name
    ]
    y, ys = np.log(t), np.log(stop)

    def density(v, log_sigma):  # in the quantile v and ln sigma
        s = np.exp(log_sigma)
        mu = v - z * s
        return np.exp(
            dist.logpdf((y - mu) / s).sum()
            - 4 * np.log(s)
            + (n - 4) * dist.logsf((ys - mu) / s)
            + 12
        )

    total = integrate.dblquad(
        density, -4, 4, lambda _: np.log(b.estimate) - 40, lambda _: 12, epsabs=1e-9
    )[0]
    below = integrate.dblquad(
        density, -4, 4, lambda _: np.log(b.lower) - 40, lambda _: np.log(b.lower), epsabs=1e-9
    )[0]
    assert below / total == pytest.approx(0.05, abs=2e-3)


def test_delayed_entry_against_lifelines_and_scipy():
    """lifelines WeibullFitter(entry=) and a direct likelihood with scipy.stats."""
    rng = np.random.default_rng(3)
    begun = rng.uniform(0, 2000, 60) * (rng.random(60) < 0.6)
    life_ = 5000 * ((begun / 5000) ** 1.7 + rng.exponential(size=60)) ** (1 / 1.7)
    stop = begun + rng.uniform(500, 6000, 60)
    good, dead = np.minimum(life_, stop), life_ <= stop
    r = LifeRecords.of(good, np.where(dead, good, np.inf), shots_from=begun)
    fit = fit_life(r)
    other = lifelines.WeibullFitter().fit(good, dead, entry=begun)
    assert fit.shape == pytest.approx(other.rho_, rel=1e-4)
    assert fit.scale == pytest.approx(other.lambda_, rel=1e-4)

    def minus(theta):
        d = stats.weibull_min(np.exp(theta[0]), scale=np.exp(theta[1]))
        return -(np.where(dead, d.logpdf(good), d.logsf(good)) - d.logsf(begun)).sum()

    best = optimize.minimize(
        minus, [0.5, 8.5], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12}
    )
    assert fit.loglik == pytest.approx(-best.fun, abs=1e-8)
    assert np.log(fit.shape) == pytest.approx(best.x[0], abs=1e-6)


@pytest.mark.parametrize("family_name", ["weibull", "lognormal", "loglogistic"])
def test_against_scipy_censored_data(family_name):
    """scipy.stats.CensoredData with the distributions' own fit."""
    rng = np.random.default_rng(11)
    t = 800 * rng.weibull(1.6, 40)
    good, failed = t.copy(), t.copy()
    good[:10], failed[:10] = np.minimum(t[:10], 600), np.where(t[:10] <= 600, t[:10], np.inf)
    good[10:20] = np.floor(t[10:20] / 250) * 250
    failed[10:20] = good[10:20] + 250
    r = LifeRecords.of(good, failed)
    e, k = r.exact, r.failed & ~r.exact
    data = stats.CensoredData(
        uncensored=good[e],
        right=good[r.right],
        left=failed[k & (good == 0)],
        interval=np.column_stack((good, failed))[k & (good > 0)],
    )
    dist = {"weibull": stats.weibull_min, "lognormal": stats.lognorm, "loglogistic": stats.fisk}[
        family_name
    ]
    shape, _, scale = dist.fit(data, floc=0)
    fit = fit_life(r, family_name)
    assert fit.scale == pytest.approx(scale, rel=2e-4)
    assert (fit.sigma if family_name == "lognormal" else fit.shape) == pytest.approx(
        shape, rel=2e-4
    )


def test_kaplan_meier_with_entry_against_lifelines():
    rng = np.random.default_rng(2)
    begun = rng.uniform(0, 50, 80)
    t = begun + rng.exponential(100, 80)
    stop = begun + rng.uniform(20, 200, 80)
    good = np.minimum(t, stop)
    r = LifeRecords.of(good, np.where(t <= stop, good, np.inf), shots_from=begun)
    ours = kaplan_meier(r)
    other = lifelines.KaplanMeierFitter().fit(good, t <= stop, entry=begun)
    np.testing.assert_allclose(
        ours.survival, other.survival_function_at_times(ours.shots), rtol=1e-12
    )


def test_turnbull_on_cracks():
    """With common inspections Turnbull's estimate is the binomial share failed by each count:
    Nelson (1982); Meeker & Escobar (1998), sec. 3.3."""
    r = published("cracks")
    curve = empirical_curve(r)
    failed = np.array([5, 16, 12, 18, 18, 2, 6, 17]).cumsum()
    np.testing.assert_allclose(curve.survival, 1 - failed / 167, atol=1e-8)
    # and its limits come from the binomial variance there (log(-log) scale)
    s = 1 - failed / 167
    theta = 1.6448536 * np.sqrt((1 - s) / (167 * s)) / np.abs(np.log(s))
    np.testing.assert_allclose(curve.lower, s ** np.exp(theta), rtol=1e-5)


def test_turnbull_equals_kaplan_meier_on_exact_data():
    rng = np.random.default_rng(8)
    t, c = rng.weibull(1.4, 30), rng.uniform(0.2, 2, 30)
    r = LifeRecords.of(np.minimum(t, c), np.where(t <= c, t, np.inf))
    np.testing.assert_allclose(turnbull(r).survival, kaplan_meier(r).survival, atol=1e-8)


def test_aalen_johansen_against_lifelines():
    rng = np.random.default_rng(4)
    t, c = rng.exponential(10, 90), rng.uniform(0, 20, 90)
    modes = rng.choice(["short", "open"], 90)
    good = np.minimum(t, c)
    r = LifeRecords.of(good, np.where(t <= c, t, np.inf), mode=modes)
    ours = cumulative_incidence(r)
    code = np.where(t > c, 0, np.where(modes == "short", 1, 2))
    other = lifelines.AalenJohansenFitter().fit(good, code, event_of_interest=1)
    np.testing.assert_allclose(
        ours.by_mode["short"], other.cumulative_density_.iloc[:, 0].loc[ours.shots], rtol=1e-10
    )
    assert (sum(ours.by_mode.values()) + ours.survival) == pytest.approx(1.0)


def test_aalen_johansen_on_mgus2():
    """R survival 3.5-3, survfit on mgus2 with competing death: values in tests/reference/mgus2.R."""
    path = Path(__file__).parent / "reference" / "mgus2.csv"
    with path.open() as f:
        rows = list(csv.DictReader(f))
    t = np.array([float(x["time"]) for x in rows])
    event = np.array([x["event"] for x in rows])
    r = LifeRecords.of(t, np.where(event == "censor", np.inf, t), mode=event)
    ours = cumulative_incidence(r)
    at = np.searchsorted(ours.shots, [60, 120, 240], side="right") - 1
    np.testing.assert_allclose(ours.by_mode["pcm"][at], [0.034104, 0.063722, 0.099814], atol=1e-6)
    np.testing.assert_allclose(ours.by_mode["death"][at], [0.320367, 0.531818, 0.724028], atol=1e-6)


def test_default_prior_holds_the_published_shapes():
    """The Weibull shapes of the published sets lie within 95 % of the prior (a choice, by simulation)."""
    shapes = [
        fit_life(published(n)).shape
        for n in ("genfan", "turbine", "cracks", "aircondit", "bearing_cage")
    ]
    low, high = DEFAULT_SHAPE_PRIOR.quantile(0.025), DEFAULT_SHAPE_PRIOR.quantile(0.975)
    assert all(low < s < high for s in shapes)


def test_life_answer_carries_the_confidence():
    a = asked("life", published("genfan"), at=[1000.0], confidence=0.9, bound="likelihood")
    assert a.quantiles[0].lower < a.quantiles[0].shots < a.quantiles[0].upper
    assert a.survival[0].lower < a.survival[0].estimate < a.survival[0].upper
