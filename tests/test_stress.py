"""Stress models and derating against published fits, hand-computable cases and simulation."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reliability.decisions.bank import Bank, discharge
from reliability.decisions.named_prior import prior_for
from reliability.life.fit import fit_life
from reliability.life.stress import OneLevel, fit_stress, parse_term
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords
from reliability.sheets.life import read_life
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.promise import ModuleModel
from tests.asking import asked
from tests.command import run

ROOT = Path(__file__).parents[1]
PUBLISHED = ROOT / "datasets" / "published"
INF = float("inf")


def published(name):
    return read_life(PUBLISHED / f"{name}.csv").records


def terms(*texts):
    return [parse_term(t) for t in texts]


def campaign(seed=1, volts=(1200.0, 1400.0, 1600.0), each=8, exponent=7.0, end=6000.0):
    rng = np.random.default_rng(seed)
    v = np.repeat(volts, each)
    t = 5000 * (v / 1400) ** -exponent * rng.weibull(2, v.size)
    return LifeRecords.of(
        np.minimum(t, end), np.where(t <= end, t, INF), covariates={"charge_V": v, "rated_V": np.full(v.size, 2000.0), "capacitance_uF": np.full(v.size, 0.5)},
    )  # fmt: skip


def test_categories_equal_separate_groups():
    """With a free level for each group and a common shape, the levels' difference is the log ratio of
    scales (property of the model)."""
    r = campaign(3)
    part = np.where(np.arange(len(r)) % 2 == 0, "a", "b")
    good = r.shots_good * np.where(part == "b", 2.0, 1.0)
    failed = r.shots_failed * np.where(part == "b", 2.0, 1.0)
    two = LifeRecords.of(good, failed, part=part, covariates=dict(r.covariates))
    one = LifeRecords.of(r.shots_good, r.shots_failed, part=part, covariates=dict(r.covariates))
    f2 = fit_stress(two, terms("charge_V:power", "part:categorical"))
    f1 = fit_stress(one, terms("charge_V:power", "part:categorical"))
    assert f2.coefficients[1] - f1.coefficients[1] == pytest.approx(
        np.log(2) * (1 if f1.design[1].level == "b" else -1), rel=1e-6
    )


@pytest.mark.parametrize("stress", [("part:categorical",), ("charge_V:power", "part:categorical")])
def test_one_category_alone_tells_nothing(stress):
    """A category that all tests share is refused in words, alone or beside a stress (common practice, no source)."""
    r = campaign(3)
    r = LifeRecords.of(r.shots_good, r.shots_failed, part=np.full(len(r), "a"), covariates=dict(r.covariates))  # fmt: skip
    with pytest.raises(CannotAnswer, match="All tests have one part, a"):
        asked("derate", r, shots=3000, stress=stress)


@pytest.mark.parametrize("factor", [1e-6, 1e9])
def test_unit_of_shots_does_not_matter(factor):
    r = campaign(5)
    k = LifeRecords.of(
        r.shots_good * factor, r.shots_failed * factor, covariates=dict(r.covariates)
    )
    a, b = (fit_stress(x, terms("charge_V:power")) for x in (r, k))
    assert b.coefficients[0] == pytest.approx(a.coefficients[0], rel=1e-7)
    assert b.sigma == pytest.approx(a.sigma, rel=1e-8)


def test_headline_curve_and_table_are_one_computation():
    """The allowed voltage is a point of the curve, with exactly the shots required, and on the curve's line."""
    for more in ({}, {"family": "lognormal"}):
        a = asked("derate", campaign(2), stress=["charge_V:power"], shots=2000, **more)
        at = next(p for p in a.curve if p.level == a.allowed.charge_V)
        assert at.lower == 2000
        rest = [p for p in a.curve if p.level != at.level]
        line = np.interp(
            np.log(at.level), [np.log(p.level) for p in rest], [np.log(p.lower) for p in rest]
        )
        assert np.exp(line) == pytest.approx(2000, rel=0.01)
        lower = [p.lower for p in a.curve]
        assert lower == sorted(lower, reverse=True)


def test_allowed_voltage_is_what_the_module_question_promises():
    """derate turned round: at the voltage that it allows, `module` promises the shots that were required, but
    for what lies between levels of the curve and the draws' own error (they are drawn at another voltage)."""
    r = campaign(2, each=12)
    r = replace(r, slot=np.full(len(r), "main_capacitor", object))
    a = asked("derate", r, stress=["charge_V:power"], shots=2000)
    m = asked("module", r, use=[f"charge_V={a.allowed.charge_V}"])
    assert m.life.lower == pytest.approx(2000, rel=0.03)


def test_promise_along_the_voltage_with_a_known_shape_and_exponent(monkeypatch):
    """Nothing failed, shape and exponent known: the promise at V is Buehler's exp(-h T / g) = 1 - C, here
    g = (N v^e)^b, T = sum of (t v^e)^b, so N = (T h / -ln(1 - C))^(1/b) / v^e (hand-computable)."""
    from reliability.slots import draws, grid

    b, e = 1.7, 7.0
    monkeypatch.setattr(grid, "SHAPES", np.array([b]))
    monkeypatch.setattr(draws, "SHAPES", np.array([b]))
    monkeypatch.setattr(grid, "EXPONENTS", np.array([e]))
    good = np.array([3000.0, 4000.0, 5000.0])
    r = LifeRecords.of(good, np.full(3, INF), covariates={"charge_V": np.full(3, 1400.0)})
    model = ModuleModel([replace(slot_data("c", r, Asked(1400.0)), law=True, doubt=0.0)])
    volts = np.array([1200.0, 1300.0, 1400.0])
    want = ((good**b).sum() * -np.log(0.9) / -np.log(0.05)) ** (1 / b) / (volts / 1400) ** e
    got = model.along(np.log(volts / 1400), 0.9, 0.95)
    np.testing.assert_allclose(got, want, rtol=2e-3)  # draws: stratified, 8,192


def test_allowed_voltage_is_monotone():
    """More shots, more survival or more confidence never allow more voltage (500 cases:
    tests/benchmarks/derating.py --monotone)."""
    from tests.benchmarks.derating import crossings

    assert crossings(40, seed=5) == []


def test_energy_ratio_and_impulse():
    """E = C V^2 / 2; ratio to the rating; total impulse = impulse bit x promised shots."""
    a = asked(
        "derate",
        campaign(2),
        stress=["charge_V:power"],
        shots=2000,
        impulse="0.65@0.5",
    )
    v = a.allowed.charge_V
    assert a.allowed.energy_J == pytest.approx(0.5 * 0.5e-6 * v**2)
    assert a.allowed.ratio == pytest.approx(v / 2000)
    p = a.curve[3]
    assert p.impulse_Ns == pytest.approx(0.65e-6 * (0.5 * 0.5e-6 * p.level**2) / 0.5 * p.lower)
    assert a.best_total.impulse_Ns == max(p.impulse_Ns for p in a.curve if not p.extrapolated)


def test_bank_arrangements():
    """k in parallel: survival to the power k; m in series share the voltage (stated assumption)."""
    bank = Bank(1.0, parallel=2, series=2)
    assert bank.total_uF == 1.0 and bank.units == 4
    assert bank.record_survival(0.9) == pytest.approx(0.9**0.25)
    assert bank.record_voltage(2000) == 1000
    assert Bank(1.0, 1, 2, unequal=0.1).record_voltage(2000) == pytest.approx(1100)
    single = asked(
        "derate",
        campaign(2),
        stress=["charge_V:power"],
        shots=2000,
        capacitance_uf=0.5,
        parallel=1,
        bound="likelihood",
    )
    four = asked(
        "derate",
        campaign(2),
        stress=["charge_V:power"],
        shots=2000,
        capacitance_uf=0.5,
        parallel=4,
        bound="likelihood",
    )
    assert four.allowed.charge_V < single.allowed.charge_V


def test_discharge():
    """Peak current V sqrt(C/L) undamped; reversal exp(-pi alpha / omega); hundreds of amperes are usual
    (common practice, no source). Reversal 0.5 is Q = 2.266 (Vr = exp(-pi/(2Q)) for small damping)."""
    d = discharge(1400, 1.0, 100)
    assert d.peak_A == pytest.approx(1400 * np.sqrt(1e-6 / 100e-9))
    assert d.reversal == 1.0
    q = 10.0
    r = np.sqrt(100e-9 / 1e-6) / q * 1e3
    assert discharge(1400, 1.0, 100, r).reversal == pytest.approx(
        np.exp(-np.pi / (2 * q)), rel=2e-3
    )
    heavy = discharge(1400, 1.0, 100, 5000)
    assert heavy.reversal == 0 and heavy.peak_A < 1400 / 5.0
    with pytest.raises(ValueError):
        discharge(1400, 0, 100)


def note_codes(answer):
    return {n.code for n in answer.notes}


def test_notes_of_derating():
    far = asked(
        "derate",
        campaign(2),
        stress=["charge_V:power"],
        shots=15000,
        bound="likelihood",
    )
    assert "extrapolated" in note_codes(far) and far.allowed.charge_V < 1200
    beyond = asked("derate", campaign(2), stress=["charge_V:power"], shots=60000)
    assert "none_allowed" in note_codes(beyond) and np.isnan(beyond.allowed.charge_V)
    high = asked(
        "derate",
        campaign(2),
        stress=["charge_V:power"],
        shots=600,
        rated_v=1300,
        bound="likelihood",
    )
    assert "above_rating" in note_codes(high)
    reversed_ = asked(
        "derate",
        campaign(2, exponent=-5.0, end=9000),
        stress=["charge_V:power"],
        shots=1000,
        bound="likelihood",
    )
    assert "reversed_exponent" in note_codes(reversed_)
    assert np.isnan(reversed_.allowed.charge_V)
    with pytest.raises(OneLevel, match="Test some units at another"):
        asked("derate", campaign(2, volts=(1400.0,)), shots=1000, bound="likelihood")
    with pytest.raises(CannotAnswer, match="No record gives"):
        asked("derate", LifeRecords.of([1.0], [1.0]), stress=["charge_V:power"], shots=1)
    with pytest.raises(CannotAnswer, match="changed together"):
        r = campaign(2)
        both = LifeRecords.of(
            r.shots_good,
            r.shots_failed,
            covariates={**r.covariates, "peak_A": r.covariates["charge_V"] * 2},
        )
        asked("derate", both, stress=["charge_V:power", "peak_A:power"], shots=1)
    with pytest.raises(BadInput, match="cannot read the stress"):
        asked("derate", campaign(2), stress=["charge_V"], shots=1)


def test_at_one_voltage_the_promise_engine_speaks_alone():
    """No stress model: the level allowed is where a module of the slot, flown there, is promised the shots."""
    one = campaign(2, volts=(1400.0,), end=3000.0)
    r = LifeRecords.of(
        one.shots_good, one.shots_failed, slot=["main_capacitor"] * len(one), covariates=dict(one.covariates),
    )  # fmt: skip
    a = asked("derate", r, shots=900)
    assert "prior_stress" in note_codes(a) and a.allowed.charge_V < 1400
    there = asked("module", r, use=[f"charge_V={a.allowed.charge_V}"])
    assert there.life.lower == pytest.approx(900, rel=0.01)
    assert a.coefficients[0].lower < 7 < a.coefficients[0].upper
    at = min(a.curve, key=lambda p: abs(p.level - a.allowed.charge_V))
    assert at.lower == pytest.approx(900)


def test_with_few_failures_the_promise_engine_speaks_alone():
    """Records without a maximum of the stress model (all failures at one voltage), or without any failure."""
    v = np.repeat([1200.0, 1600.0], 5)
    good = np.array([3000.0] * 5 + [800, 900, 1000, 1100, 1200])
    for failed in (np.where(v > 1500, good, INF), np.full(10, INF)):
        r = LifeRecords.of(good, failed, slot=["main_capacitor"] * 10, covariates={"charge_V": v})
        a = asked("derate", r, shots=100)
        assert 0 < a.allowed.charge_V < 1800 and "prior_stress" in note_codes(a)
        with pytest.raises(CannotAnswer):
            asked("derate", r, shots=100, bound="likelihood")
    assert np.isnan(a.curve[0].shots) and np.isfinite(a.curve[0].lower)


def test_scatter_of_the_voltage_is_no_stress():
    r = campaign(2, volts=(1400.0, 1410.0))
    with pytest.raises(OneLevel, match="All tests ran at one"):
        asked("derate", r, shots=1000, bound="likelihood")


def test_no_failures_at_the_low_voltage_has_no_maximum():
    v = np.repeat([1200.0, 1600.0], 5)
    good = np.array([3000.0] * 5 + [800, 900, 1000, 1100, 1200])
    r = LifeRecords.of(good, np.where(v > 1500, good, INF), covariates={"charge_V": v})
    with pytest.raises(CannotAnswer, match="too few stress levels"):
        fit_stress(r, terms("charge_V:power"))


def test_prior_exponent_moves_the_life_it_should():
    """With a sharp prior n the allowed voltage is V0 (bound at V0 / N)^(1/n): hand-computable."""
    rng = np.random.default_rng(4)
    t = 5000 * rng.weibull(2, 9)
    r = LifeRecords.of(t, t, covariates={"charge_V": np.full(9, 1400.0)})
    a = asked("derate", r, stress=["charge_V:power"], prior="7,0.001", shots=1000)
    from reliability.life.bounds import Bounder

    low = Bounder(r, fit_life(r), 0.95).quantile(0.1).lower
    assert a.allowed.charge_V == pytest.approx(1400 * (low / 1000) ** (1 / 7), rel=1e-3)
    assert {"prior_stress", "extrapolated"} <= note_codes(a)
    assert (
        a.allowed.charge_V
        > asked("derate", r, stress=["charge_V:power"], prior="7,2", shots=1000).allowed.charge_V
    )
    with pytest.raises(BadInput):
        prior_for("paper", "power")


def test_safe_in_simulated_campaigns():
    """Small run of tests/benchmarks/derating.py: at most 5 of 40 unsafe (binomial 99 % point at 5 %)."""
    from tests.benchmarks.derating import one

    assert sum(one(s) > 1 for s in range(40)) <= 5


def test_derate_json_keeps_its_keys():
    out = json.loads(
        run(
            "derate",
            "--from",
            PUBLISHED / "capacitor.csv",
            "--stress",
            "charge_V:power",
            "--stress",
            "temp_C:arrhenius",
            "--shots",
            400,
            "--bound",
            "likelihood",
            "--json",
        ).stdout
    )
    for key in ("shape", "sigma", "loglik", "coefficients", "allowed", "curve", "notes"):
        assert key in out
    assert set(out["coefficients"][0]) == {"column", "form", "estimate", "lower", "upper"}
    assert [c["form"] for c in out["coefficients"]] == ["power", "arrhenius"]
    assert {"charge_V", "ratio", "energy_J"} <= set(out["allowed"])
    assert 0 < out["allowed"]["charge_V"] < 350
    heat = json.loads(
        run(
            "derate",
            "--from",
            PUBLISHED / "imotor.csv",
            "--shots",
            3000,
            "--bound",
            "likelihood",
            "--json",
        ).stdout
    )
    assert heat["allowed"]["level"] > 100


def test_derate_exit_codes(tmp_path):
    one = tmp_path / "one.csv"
    one.write_text(
        "builder,module,slot,shots_good,shots_failed,charge_V\n"
        + "".join(f"a,m{i},c,{900 + 70 * i},{900 + 70 * i},1400\n" for i in range(6))
    )
    p = run("derate", "--from", one, "--shots", 500, "--bound", "likelihood", "--json", code=3)
    assert "another charge_V" in p.stderr
    out = json.loads(
        run(
            "derate",
            "--from",
            one,
            "--stress",
            "charge_V:power",
            "--shots",
            500,
            "--prior",
            "film",
            "--json",
        ).stdout
    )
    assert out["allowed"]["charge_V"] > 0
    run("derate", "--from", one, "--stress", "charge_V:root", "--shots", 500, code=2)
    run(
        "derate",
        "--from",
        one,
        "--stress",
        "charge_V:power",
        "--shots",
        500,
        "--impulse",
        "x",
        code=2,
    )


def demo_capacitors():
    from reliability.records import join

    r = join(read_life(f).records for f in sorted((ROOT / "datasets" / "demo").glob("life_*.csv")))
    return r


def test_impulse_fitted_from_readings():
    """Least squares on logs: scipy linregress and its mean-response limit (any textbook); the demo's truth."""
    from scipy import stats

    from reliability.decisions.derating import Derate, derate
    from reliability.decisions.impulse import energies, fit_impulse
    from reliability.sheets.wear import read_wear

    w = read_wear(ROOT / "datasets" / "demo" / "wear.csv")
    fit = fit_impulse(w, demo_capacitors())
    known = energies(demo_capacitors())
    own = w.of_quantity("impulse_bit_uNs")
    x, y = np.log([known[m] for m in own.module]), np.log(own.value)
    line = stats.linregress(x, y)
    assert fit.exponent == pytest.approx(line.slope, rel=1e-9)
    assert np.log(fit.bit_uNs(1.0)) == pytest.approx(line.intercept, rel=1e-9)
    at = np.log(2.0)
    n = len(x)
    s = np.sqrt(((y - line.intercept - line.slope * x) ** 2).sum() / (n - 2))
    half = (
        stats.t.ppf(0.95, n - 2)
        * s
        * np.sqrt(1 / n + (at - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum())
    )
    assert np.log(fit.lower_uNs(2.0, 0.95)) == pytest.approx(
        line.intercept + line.slope * at - half, rel=1e-9
    )
    assert fit.exponent == pytest.approx(1.2, abs=0.1)
    a = derate(
        campaign(2),
        Derate(stress=("charge_V:power",), shots=2000, bound="likelihood"),
        fit,
    )
    assert all(0 < p.impulse_lower_Ns < p.impulse_Ns for p in a.curve)


def test_a_new_builder_is_allowed_less():
    r = demo_capacitors()
    own = r.select((r.slot == "main_capacitor") & (r.part == "film-a"))
    common = {"shots": 3000, "bound": "likelihood"}
    pool = asked("derate", own, stress=["charge_V:power"], **common)
    new = asked("derate", own, stress=["charge_V:power"], new_builder=True, **common)
    assert new.allowed.charge_V < pool.allowed.charge_V
    assert new.shots == 3000 and "builder_effect" in note_codes(new)
    with pytest.raises(BadInput, match="allows for builders that differ as it is"):
        asked("derate", own, stress=["charge_V:power"], shots=3000, new_builder=True)
    assert "groups" in note_codes(asked("derate", own, stress=["charge_V:power"], shots=3000))
