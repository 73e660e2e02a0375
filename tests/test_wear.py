"""Wear paths and misfires against R, statsmodels, handbooks and simulation."""

import csv
import json
import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats

from reliability.decisions.remaining import Wear, limit_for, soft_failures
from reliability.notes import BadInput, CannotAnswer
from reliability.readings import Recurrences
from reliability.sheets.table import SheetError
from reliability.sheets.wear import read_misfires, read_wear
from reliability.wear.limits import DEFAULT_LIMITS, time_to_limit
from reliability.wear.misfires import (
    compare_groups,
    growth,
    mean_count,
    misfire_chance,
    misfire_model,
)
from reliability.wear.paths import fit_paths
from reliability.wear.wiener import fit_wiener, inverse_gaussian_sf
from tests.asking import asked
from tests.benchmarks.wear import community, one
from tests.command import run

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "datasets" / "demo"
REFERENCE = Path(__file__).parent / "reference"


def valve_seats():
    with (REFERENCE / "valve_seat.csv").open() as f:
        rows = list(csv.DictReader(f))
    systems = sorted({r["id"] for r in rows})
    end = [max(float(r["time"]) for r in rows if r["id"] == s) for s in systems]
    hit = [r for r in rows if r["status"] == "1"]
    return Recurrences.of([r["id"] for r in hit], [float(r["time"]) for r in hit], systems, end)


def test_mean_count_of_valve_seats_equals_r():
    """R survival 3.5-3, survfit with id on valveSeat (Nelson 1995): value and robust standard error
    (tests/reference/valve_seat.R)."""
    curve = mean_count(valve_seats())
    with (REFERENCE / "valve_seat_results.csv").open() as f:
        for r in csv.DictReader(f):
            k = np.searchsorted(curve.shots, float(r["time"]), side="right") - 1
            assert curve.mean[k] == pytest.approx(float(r["cumhaz"]), abs=1e-9)
            assert curve.se[k] == pytest.approx(float(r["se"]), abs=1e-9)


def test_trend_of_the_handbooks_repairs():
    """Trend test of MIL-HDBK-189 on the handbook's data: chi-square by scipy. (The estimates: ledger.)"""
    times = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
    g = growth(Recurrences.of(["a"] * 10, times, ["a"], [1500.0]))
    statistic = 2 * np.log(1500 / np.array(times)).sum()
    assert g.trend_p == pytest.approx(
        2 * min(stats.chi2.sf(statistic, 20), stats.chi2.cdf(statistic, 20)), rel=1e-9
    )


def test_growth_of_systems_with_unequal_watch_by_simulation():
    """The exponent of simulated power-law processes is recovered; with b = 1 the trend test is level."""
    rng = np.random.default_rng(4)

    def draw(b, n=60):
        names, end, system, shots = [], [], [], []
        for i in range(n):
            t = rng.uniform(500, 4000)
            k = rng.poisson((t / 800) ** b)
            names.append(f"s{i}")
            end.append(t)
            system += [f"s{i}"] * k
            shots += (t * rng.random(k) ** (1 / b)).tolist()
        return Recurrences.of(system, shots, names, end)

    assert growth(draw(1.6)).b == pytest.approx(1.6, abs=0.25)
    assert np.mean([growth(draw(1.0, 10)).trend_p < 0.05 for _ in range(200)]) < 0.11


def test_clopper_pearson():
    """Exact binomial bounds as scipy gives them."""
    c = misfire_chance(200, 3, 0.95)
    low, high = stats.binomtest(3, 200).proportion_ci(0.9, "exact")
    assert (c.lower, c.upper) == pytest.approx((low, high), rel=1e-10)
    assert misfire_chance(100, 0).upper == pytest.approx(1 - 0.05 ** (1 / 100))


def test_misfire_model_against_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(6)
    x = np.column_stack((np.repeat(np.arange(5) * 1000.0, 3), np.tile([6.0, 7.0, 8.0], 5)))
    n = np.full(15, 400.0)
    p = 1 / (1 + np.exp(-(-2 + 4e-4 * x[:, 0] - 0.3 * x[:, 1])))
    k = rng.binomial(400, p).astype(float)
    ours = misfire_model(x, n, k)
    theirs = sm.GLM(
        np.column_stack((k, n - k)), sm.add_constant(x), family=sm.families.Binomial()
    ).fit()
    np.testing.assert_allclose(ours.coef, theirs.params, rtol=1e-6)
    np.testing.assert_allclose(ours.se, theirs.bse, rtol=1e-5)


PSEUDO_FAILURES = [
    3702, 4194, 5847, 6172, 5301, 3592, 6051, 6538, 5110, 3306, 5326, 4995, 4721, 5689, 6102,
]  # fmt: skip


def test_laser_degradation():
    """GaAs lasers (Meeker & Escobar 1998, table C.17), limit 10 % more current: hours at which each
    laser's own line meets it, as printed by Meeker, Doganaksoy & Hahn (2001, Quality Progress), from
    memory and confirmed here by least squares. (Ours beside each: ledger.)"""
    data = read_wear(ROOT / "datasets" / "published" / "laser.csv")
    for unit, printed in zip(sorted(set(data.unit)), PSEUDO_FAILURES, strict=True):
        own = data.select(data.unit == unit)
        slope, start = np.polyfit(own.shots, own.value, 1)
        assert round((10 - start) / slope) == printed
    a = asked("wear", wear=data, quantity="current_increase_pct", limit=10.0)
    passed = [u.unit for u in a.units if u.estimate == 0]
    assert sorted(p.rsplit("/", 1)[1] for p in passed) == ["101", "106", "110"]
    assert all(0 < u.lower < u.estimate for u in a.units if u.estimate > 0)
    middle = float(np.median(PSEUDO_FAILURES))
    assert a.new_unit.median == pytest.approx(middle, rel=0.1)


def test_laser_paths_equal_a_mixed_model_library():
    """The same data by statsmodels MixedLM, maximum likelihood: where the models coincide, to 1e-4."""
    import statsmodels.api as sm

    data = read_wear(ROOT / "datasets" / "published" / "laser.csv")
    fit = fit_paths(data.of_quantity("current_increase_pct"))
    x = sm.add_constant(data.shots / 4000.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = sm.MixedLM(data.value, x, groups=data.unit.astype(str), exog_re=x).fit(
            reml=False, method=["lbfgs", "powell"], gtol=1e-10
        )
    scale = 4000.0 / fit.scale
    assert fit.loglik == pytest.approx(theirs.llf, rel=1e-4)
    np.testing.assert_allclose(fit.beta * [1, scale], theirs.fe_params, rtol=1e-4)
    assert fit.sigma == pytest.approx(np.sqrt(theirs.scale), rel=1e-3)


def test_rate_ratio_of_groups():
    """Conditional binomial test (Przyborowski & Wilenski 1940): scipy's binomtest by hand."""
    e = Recurrences.of(
        ["a"] * 12 + ["b"] * 3, range(1, 16), ["a", "b"], [1000.0, 1000.0], group=["x", "y"]
    )
    r = compare_groups(e, "x", "y")
    assert r.ratio == pytest.approx(4.0)
    assert r.p == pytest.approx(stats.binomtest(12, 15, 0.5).pvalue)


def test_paths_against_statsmodels():
    """Random-coefficient maximum likelihood: statsmodels MixedLM (reml=False)."""
    import statsmodels.api as sm

    w, _, _ = community(np.random.default_rng(5), 10, 6)
    fit = fit_paths(w)
    unit = np.unique(w.labels.astype(str), return_inverse=True)[1]
    x = sm.add_constant(w.shots / fit.scale)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = sm.MixedLM(w.value * 10, x, groups=unit, exog_re=x).fit(
            reml=False, method=["bfgs", "lbfgs"], gtol=1e-8
        )
    np.testing.assert_allclose(fit.beta * 10, theirs.params[:2], rtol=1e-4)
    np.testing.assert_allclose(fit.sigma * 10, np.sqrt(theirs.scale), rtol=1e-3)
    assert fit.loglik - len(w) * np.log(10) == pytest.approx(theirs.llf, abs=1e-4)


def test_fitted_power_finds_a_curved_path():
    w, start, _ = community(np.random.default_rng(2), 8, 8)
    bent = (
        start[np.repeat(np.arange(8), 8)]
        - 0.1 * (w.shots / 3000) ** 2
        + np.random.default_rng(1).normal(0, 0.001, 64)
    )
    from dataclasses import replace

    assert fit_paths(replace(w, value=bent), None).power == pytest.approx(2.0, abs=0.15)


def test_wiener_process():
    """Closed-form maximum likelihood on simulated increments; inverse Gaussian survival against the
    integral of scipy's density."""
    w, _, _ = community(np.random.default_rng(3), 6, 5)
    fit = fit_wiener(w)
    assert fit.drift == pytest.approx(
        np.diff(w.value.reshape(6, 5), axis=1).sum() / (6 * 3000), rel=1e-12
    )
    d, m, s = 2.0, 0.01, 0.15
    density = stats.invgauss(s**2 / (d * m), scale=(d / s) ** 2)
    assert inverse_gaussian_sf(150.0, d, m, s) == pytest.approx(density.sf(150.0), rel=1e-8)
    assert integrate.quad(density.pdf, 0, 150)[0] == pytest.approx(
        1 - inverse_gaussian_sf(150.0, d, m, s), rel=1e-6
    )


def test_fuel_budget():
    """A tenth of a gram at a microgram a shot is 100,000 shots (common practice, no source)."""
    rng = np.random.default_rng(7)
    w, _, _ = community(rng, 6, 5)
    from dataclasses import replace

    mass = 100.0 - 1e-3 * w.shots + rng.normal(0, 1e-3, len(w))
    fuel = replace(w, value=mass, quantity=np.full(len(w), "fuel_mass_mg", object))
    a = asked("wear", wear=fuel, quantity="fuel_mass_mg", limit=0.0)
    assert a.new_unit.median == pytest.approx(100_000, rel=0.01)


def test_time_to_limit_is_the_units_own():
    w, start, slope = community(np.random.default_rng(11), 30, 8)
    fit = fit_paths(w)
    truth = np.median(-0.2 * start / slope)
    assert time_to_limit(fit, DEFAULT_LIMITS["capacitance_uF"], np.array([0.5]))[
        0
    ] == pytest.approx(truth, rel=0.1)


def test_remaining_shots_bound_covers():
    """Small run of tests/benchmarks/wear.py: at least 16 of 20 (0.3 % point of the binomial at 95 %)."""
    assert sum(one((s, 8, 5, 0.95)) for s in range(20)) >= 16


def test_soft_failures_become_life_records():
    w = read_wear(DEMO / "wear.csv")
    r = soft_failures(w, "capacitance_uF", limit_for(Wear(limit_factor=0.93)))
    assert 0 < r.failures < r.units
    assert set(r.mode[r.failed]) == {"capacitance_uF_limit"}
    assert (r.interval | r.right).all()


def test_demo_truth_is_found():
    truth = json.loads((DEMO / "truth.json").read_text())
    a = asked("wear", wear=read_wear(DEMO / "wear.csv"), quantity="fuel_mass_mg")
    assert -a.slope == pytest.approx(truth["fuel_mg_per_shot"], rel=0.1)
    m = asked("misfires", misfires=read_misfires(DEMO / "misfires.csv"))
    assert m.growth.b == pytest.approx(truth["misfire_exponent"], abs=0.3)
    assert m.groups[0].ratio == pytest.approx(truth["misfire_ratio_moss"], rel=0.4)


def test_faulty_sheets_are_refused(tmp_path):
    def faults(text, read):
        path = tmp_path / "x.csv"
        path.write_text(text)
        with pytest.raises(SheetError) as e:
            read(path)
        return "\n".join(map(str, e.value.faults))

    assert "missing" in faults("builder,module\na,b\n", read_wear)
    got = faults("builder,module,slot,unit,shots,quantity,value\na,m,s,u,-1,q,x\n", read_wear)
    assert "x.csv:2:value:" in got and "x.csv:2:shots:" in got
    head = "builder,module,slot,unit,shots,event\n"
    assert "is not an event" in faults(head + "a,m,s,u,5,bang\n", read_misfires)
    assert "one is wanted" in faults(head + "a,m,s,u,5,misfire\n", read_misfires)
    assert "outside its watch" in faults(head + "a,m,s,u,9,misfire\na,m,s,u,5,end\n", read_misfires)


def test_what_cannot_be_answered():
    w = read_wear(DEMO / "wear.csv")
    with pytest.raises(BadInput, match="there are"):
        asked("wear", wear=w, quantity="colour")
    with pytest.raises(CannotAnswer, match="3 units"):
        fit_paths(w.select((w.module == "kite-01") & (w.quantity == "capacitance_uF")))


def test_commands(tmp_path):
    store = tmp_path / "s.duckdb"
    assert "rows of wear" in run("check", DEMO / "wear.csv").stdout
    run("add", DEMO / "wear.csv", DEMO / "misfires.csv", DEMO / "life_kite.csv", "--store", store)
    assert "already stored" in run("add", DEMO / "wear.csv", "--store", store).stdout
    out = json.loads(run("wear", "--quantity", "fuel_mass_mg", "--store", store, "--json").stdout)
    assert out["units"][0]["lower"] <= out["units"][0]["estimate"]
    assert json.loads(run("misfires", "--store", store, "--json").stdout)["events"] > 100
    run("wear", "--quantity", "colour", "--store", store, code=2)
    run("wear", "--limit", 1, "--limit-factor", 1, "--store", store, code=2)
