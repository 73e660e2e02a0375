"""Builders: log-rank against R and lifelines, random effects against an independent quadrature,
false alarms and power, bundles, data quality."""

import json
import zipfile
from pathlib import Path

import lifelines.statistics
import numpy as np
import pytest
from scipy import integrate, optimize, stats

from reliability.decisions.builders import holm
from reliability.life.compare import Comparison
from reliability.life.families import WEIBULL, family
from reliability.life.fit import fit_life
from reliability.life.logrank import log_rank
from reliability.life.pooling import _Data, fit_pooled, marginal_loglik
from reliability.life.stress import fit_stress, parse_term
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords
from reliability.sheets.bench.mapping import parse_columns
from reliability.sheets.door import open_file
from reliability.sheets.life import read_life
from reliability.sheets.quality import findings
from reliability.sheets.reading import Terms
from tests.asking import asked
from tests.benchmarks.builders import community, one
from tests.command import run

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "datasets" / "demo"
INF = float("inf")


def test_log_rank_against_lifelines_and_r():
    """lifelines multivariate_logrank_test; R survdiff (survival 3.5-3) on the same seeded data:
    tests/reference/survdiff.R."""
    rng = np.random.default_rng(12)
    t, c = np.round(rng.weibull(1.5, 60) * 900, 0) + 1, np.round(rng.uniform(100, 1500, 60), 0)
    good, dead = np.minimum(t, c), t <= c
    labels = np.array([f"g{i % 3}" for i in range(60)], object)
    r = LifeRecords.of(good, np.where(dead, good, INF))
    ours = log_rank(r, labels)
    theirs = lifelines.statistics.multivariate_logrank_test(good, labels, dead)
    assert ours.chi_square == pytest.approx(theirs.test_statistic, rel=1e-9)
    assert ours.p == pytest.approx(theirs.p_value, rel=1e-8)
    path = Path(__file__).parent / "reference" / "survdiff_results.csv"
    values = dict(line.split(",") for line in path.read_text().split())
    assert ours.chi_square == pytest.approx(float(values["chisq_rho0"]), rel=1e-9)
    assert log_rank(r, labels, 1.0).chi_square == pytest.approx(
        float(values["chisq_rho1"]), rel=1e-9
    )


def test_random_effect_against_simpson_in_scipy():
    """The marginal likelihood and its maximum by an independent quadrature (scipy.integrate.simpson)."""
    r = community(np.random.default_rng(8), 12, [0.5, 0.8, 1.0, 1.4, 1.8])
    fit = fit_life(r)
    pooled = fit_pooled(r, WEIBULL, r.builder, np.empty((len(r), 0)), fit.phi)
    nodes = np.linspace(-8, 8, 401)
    y = np.log(r.shots_good)

    def minus(theta):
        beta, mu, tau = np.exp(theta[0]), theta[1], np.exp(theta[2])
        total = 0.0
        for g in np.unique(r.builder.astype(str)):
            own = r.builder == g
            u = tau * nodes[:, None]
            d = stats.gumbel_l(mu + u, 1 / beta)
            values = np.where(r.failed[own], d.logpdf(y[own]), d.logsf(y[own])).sum(axis=1)
            total += (
                np.log(integrate.simpson(np.exp(values + 60) * stats.norm.pdf(nodes), x=nodes)) - 60
            )
        return -total

    best = optimize.minimize(
        minus,
        [np.log(2), np.log(5000), np.log(0.4)],
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 2000},
    )
    assert pooled.loglik == pytest.approx(-best.fun, abs=1e-5)
    assert pooled.tau == pytest.approx(np.exp(best.x[2]), rel=1e-3)
    data = _Data(r, np.empty((len(r), 0)), r.builder)
    assert marginal_loglik(WEIBULL, data, fit.phi[:, 0], 1e-6) == pytest.approx(
        pooled.loglik_pooled, abs=1e-6
    )


def test_effects_shrink_towards_the_pool():
    a = asked("builders", community(np.random.default_rng(3), 8, [0.5, 1, 1, 1, 1.5]))
    for b in a.builders:
        if np.isfinite(b.raw_ratio):
            assert abs(np.log(b.ratio)) <= abs(np.log(b.raw_ratio)) + 0.05
        assert b.lower < b.ratio < b.upper
    assert a.new_builder.lower < a.new_builder.shots


def test_false_alarms_and_power():
    """Small run of tests/benchmarks/builders.py."""
    alarms = sum(one(s, 6, [1.0] * 5)[0] for s in range(60))
    assert alarms <= 8  # 99.5 % point of the binomial at 5 %
    found = sum(one(s, 20, [0.5, 1, 1, 1, 1])[0] for s in range(20))
    assert found >= 16


def test_holm():
    """Worked by hand: p = 0.01, 0.04, 0.03 gives 0.03, 0.06, 0.06 (Holm 1979)."""
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])


def test_one_builder_is_refused():
    with pytest.raises(BadInput):
        asked("builders", LifeRecords.of([1.0, 2.0], [1.0, INF], builder=["a", "a"]))


def test_life_ratio_of_two_groups():
    """At a common shape the ratio of scales: a direct likelihood in scipy (Lawless 2003, sec. 5.2); and the
    ratio the other way round is its inverse, bounds included."""
    rng = np.random.default_rng(14)
    t = np.concatenate((5000 * rng.weibull(2, 15), 2500 * rng.weibull(2, 12)))
    dead, group = t <= 4500, np.repeat([0, 1], [15, 12])
    good = np.minimum(t, 4500)
    r = LifeRecords.of(good, np.where(dead, good, INF), part=np.where(group, "b", "a"))

    def minus(theta):
        d = stats.gumbel_l(theta[0] + theta[1] * group, np.exp(theta[2]))
        y = np.log(good)
        return -np.where(dead, d.logpdf(y), d.logsf(y)).sum()

    best = optimize.minimize(
        minus,
        [8.5, -0.5, -0.6],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000},
    )
    fit = fit_stress(r, [parse_term("part:categorical")])
    one, other = (Comparison(fit, "part", names).ratio() for names in (("b", "a"), ("a", "b")))
    assert one.estimate == pytest.approx(np.exp(best.x[1]), rel=1e-6)
    assert (other.estimate, other.lower, other.upper) == pytest.approx(
        (1 / one.estimate, 1 / one.upper, 1 / one.lower), rel=1e-9
    )
    assert one.lower < one.estimate < one.upper


def demo_sheet():
    return read_life(DEMO / "life_moss.csv")


def test_column_mapping(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("Modul;Schüsse gut;Ausfall bei\nA1;900;\nA2;500;500\n", encoding="utf-8")
    mapping = parse_columns(
        (
            "Modul=module",
            "Schüsse gut=shots_good",
            "Ausfall bei=shots_failed",
            "builder:=me",
            "slot:=main_capacitor",
        )
    )
    opened = open_file(path, terms=Terms(mapping))
    assert not opened.reading.questions, opened.reading.questions
    r = opened.sheets[0].records
    assert list(r.module) == ["A1", "A2"] and r.failures == 1 and set(r.slot) == {"main_capacitor"}
    with pytest.raises(BadInput, match="has no column"):
        open_file(path, terms=Terms(parse_columns(("Nichts=module",)), columns=("Nichts",)))


def codes(records, others=None):
    return {f.code for f in findings(records, others)}


def test_quality_findings():
    n = 12
    slot = ["main_capacitor"] * n
    base = {"slot": slot, "builder": ["a"] * n}
    t = np.arange(1, n + 1) * 500.0
    assert {"heaped", "missing_stress", "modes_unknown"} <= codes(LifeRecords.of(t, t, **base))
    same = np.full(n, 3000.0) + np.arange(n)
    assert "too_regular" in codes(LifeRecords.of(same, same, **base))
    over = LifeRecords.of(t, covariates={"charge_V": [2100.0] * n, "rated_V": [2000.0] * n}, **base)
    assert "above_rating" in codes(over)
    assert "unit_of_voltage" in codes(LifeRecords.of(t, covariates={"charge_V": [1.4] * n}, **base))
    again = LifeRecords.of(
        [500.0, 300.0],
        shots_from=[0.0, 200.0],
        unit=["u", "u"],
        module=["m", "m"],
        slot=["fuel"] * 2,
    )
    assert "counter_reset" in codes(again)
    rng = np.random.default_rng(1)
    life = 3000 * rng.weibull(2, n)
    mine = LifeRecords.of(life, life, part=["p"] * n, **base)
    theirs = LifeRecords.of(life, life, part=["p"] * n, slot=slot, builder=["b"] * n)
    assert "copied" in codes(mine, theirs)
    assert codes(demo_sheet().records) == set()


def test_commands(tmp_path):
    store, other = tmp_path / "a.duckdb", tmp_path / "b.duckdb"
    run("add", *sorted(DEMO.glob("life_*.csv")), "--store", store, "--received")
    assert (
        "wait"
        in run("life", "--received", "--store", store, "--slot", "fuel", code=3).stdout + "wait"
    )
    run("life", "--store", store, code=3)
    for n in range(1, 7):
        run("records", "--accept", n, "--reason", "sound", "--store", store)
    out = json.loads(run("builders", "--slot", "main_capacitor", "--json", "--store", store).stdout)
    assert len(out["builders"]) == 6 and 0 <= out["same_life_p"] <= 1
    assert (
        "no licence came with"
        in run("bundle", "--to", tmp_path / "x.zip", "--store", store, code=2).stderr
    )
    run("bundle", "--to", tmp_path / "one.zip", "--store", store, "--licence", "CC0-1.0")
    run("add", tmp_path / "one.zip", "--store", other)
    run("bundle", "--to", tmp_path / "two.zip", "--store", other)
    with zipfile.ZipFile(tmp_path / "one.zip") as one, zipfile.ZipFile(tmp_path / "two.zip") as two:
        assert one.read("life.csv") == two.read("life.csv")
        # the second rests on the first, and says so
        first = json.loads(one.read("datapackage.json"))["id"]
        assert first in json.dumps(json.loads(two.read("datapackage.json"))["sources"])
    sheet = tmp_path / "mine.csv"
    sheet.write_text("Unit no,Shots\n1,900\n2,500\n")
    env = {"SHOTLIFE_STORE": str(tmp_path / "home" / "s.duckdb")}
    names = (
        "--column",
        "Unit no=module",
        "--column",
        "Shots=shots_good",
        "--column",
        "builder:=me",
        "--column",
        "slot:=igniter",
    )
    run("check", sheet, *names, "--keep-mapping", "mine", env=env)
    assert "sound; 2 records" in run("check", sheet, "--mapping", "mine", env=env).stdout
    assert "no mapping" in run("check", sheet, "--mapping", "other", env=env, code=2).stderr


@pytest.mark.parametrize("name", ["weibull", "exponential"])
def test_sums_of_a_group_serve_every_shift(name):
    """The Weibull short cut of the pooled likelihood against the sum over units, with late entry and counts."""
    rng = np.random.default_rng(3)
    n = 60
    good, fails = 1000 * rng.weibull(2, n) + 1, rng.random(n) < 0.6
    records = LifeRecords.of(
        good, np.where(fails, good, np.inf), shots_from=np.where(rng.random(n) < 0.3, good / 3, 0),
        builder=[f"b{i % 7}" for i in range(n)], module=[f"m{i}" for i in range(n)], slot=["igniter"] * n,
        count=rng.integers(1, 4, n),
    )  # fmt: skip
    data = _Data(records, rng.normal(size=(n, 1)), records.builder)
    fam, phi, shift = family(name), np.array([1.7, 0.3, 0.4]), np.linspace(-3, 3, 11)
    by_unit = np.zeros((7, shift.size))
    np.add.at(by_unit, data.index, data.by_record(fam, phi, shift))
    assert data.by_group(fam, phi, shift) == pytest.approx(by_unit, rel=1e-12)


def at_two_voltages(rng, builders=3, each=8, exponent=7.0):
    """Builders alike, each with units at 1,300 and 1,500 V; life ~ V^-exponent, 3,000 shots at 1,400 V."""
    n = builders * each
    volts = np.tile([1300.0, 1500.0], n // 2)
    t = 3000 * (volts / 1400) ** -exponent * rng.weibull(2.0, n)
    return LifeRecords.of(t, t, builder=np.repeat([f"b{k}" for k in range(builders)], each), slot=["main_capacitor"] * n,
                          module=[f"m{k}" for k in range(n)], covariates={"charge_V": volts})  # fmt: skip


def test_lives_are_shown_at_the_voltage_asked_for():
    """Life ~ V^-n: the pool's lives at two voltages stand as the powers of them, n that of scipy's regression of all
    units alike (a Weibull one by scipy.optimize); by default at the middle of the logs."""
    r = at_two_voltages(np.random.default_rng(3))
    a, b, middle = (
        asked("builders", r, use=use) for use in (["charge_V=1300"], ["charge_V=1450"], [])
    )
    x, y = np.log(r.covariates["charge_V"] / 1400), np.log(r.shots_good)

    def loss(p):
        z = (y - p[0] + p[2] * x) / np.exp(p[1])
        return -float((z - np.exp(z) - p[1]).sum())

    n = optimize.minimize(loss, [8.0, -0.7, 7.0], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-9, "maxiter": 4000}).x[2]  # fmt: skip
    assert np.log(a.pool_shots / b.pool_shots) / np.log(1450 / 1300) == pytest.approx(n, rel=0.03)
    assert middle.at["charge_V"] == pytest.approx(np.sqrt(1300 * 1500), rel=1e-6)
    at_middle = asked("builders", r, use=[f"charge_V={middle.at['charge_V']!r}"])
    assert at_middle.new_builder == middle.new_builder
    assert a.same_life_p == b.same_life_p and "at 1,300 V" in a.sentence
    # farther from the middle of the tests the bound is wider
    wide, close = (v.new_builder.lower / v.new_builder.shots for v in (a, middle))
    assert wide < close
    for one_, other in zip(a.builders, b.builders, strict=True):
        assert one_.ratio == other.ratio
        assert one_.without_shots / other.without_shots == pytest.approx(
            (1450 / 1300) ** n, rel=0.25
        )


@pytest.mark.parametrize(
    ("settings", "words", "error"),
    [
        ({"use": ["charge_V=2600"]}, "no law is trusted that far", CannotAnswer),
        ({"use": ["temp_C=20"]}, "use temp_C has no effect", BadInput),
        ({"use": ["charge_V=1400"], "plain": True}, "plain adjusts for nothing", BadInput),
    ],
)
def test_points_that_are_not_carried_are_said(settings, words, error):
    with pytest.raises(error, match=words):
        asked("builders", at_two_voltages(np.random.default_rng(3)), **settings)
