"""Test plans against published tables and simulation."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from reliability.decisions.bench import Bench
from reliability.decisions.plan_search import plan_sheet
from reliability.life.design import (
    Plan,
    asymptotic_error,
    shots_each,
    success_run,
    unit_information,
)
from reliability.life.families import FAMILIES, WEIBULL
from reliability.life.targets import LogQuantile
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords
from reliability.sheets.life import read_life
from tests.asking import asked
from tests.benchmarks import campaign as bench_campaign
from tests.command import run

ROOT = Path(__file__).parents[1]
INF = float("inf")


@pytest.mark.parametrize("failures", [0, 1, 2, 5])
@pytest.mark.parametrize(("survival", "confidence"), [(0.9, 0.9), (0.95, 0.95), (0.99, 0.8)])
def test_no_smaller_plan_would_do(survival, confidence, failures):
    """The binomial of scipy. (Units as tables print them: ledger.)"""
    units, p = success_run(survival, confidence, failures), 1 - survival
    assert stats.binom.cdf(failures, units, p) <= 1 - confidence + 1e-12
    assert stats.binom.cdf(failures, units - 1, p) > 1 - confidence


@pytest.mark.parametrize("shape", [1.0, 2.0, 3.5])
def test_weibull_extension(shape):
    """n = ln(1-C) / (ln R (T/N)^b): at the length found for n units the equation holds."""
    t = shots_each(0.9, 0.9, 6, 1000.0, shape)
    assert np.log(0.1) / (np.log(0.9) * (t / 1000) ** shape) == pytest.approx(6, rel=1e-9)
    assert success_run(0.9, 0.9, 0, (t / 1000) ** shape * (1 + 1e-9)) == 6


@pytest.mark.parametrize(
    ("r", "ninety", "ninety_five"),
    [
        (0, 2.303, 2.996),
        (1, 3.890, 4.744),
        (2, 5.322, 6.296),
        (3, 6.681, 7.754),
        (4, 7.994, 9.154),
        (5, 9.275, 10.513),
    ],
)
def test_exponential_test_length_factors(r, ninety, ninety_five):
    """chi2(C; 2r+2)/2: NIST/SEMATECH e-Handbook 8.3.1.2. A running test is shown when its exposure in
    units of the required mean life passes the factor."""
    for confidence, factor in ((0.90, ninety), (0.95, ninety_five)):
        mean = 1000.0
        n = 20
        total = factor * mean
        for scale, shown in ((1.001, True), (0.999, False)):
            each = scale * total / n
            good = [each] * n
            failed = [each] * r + [INF] * (n - r)
            p = asked(
                "progress", LifeRecords.of(good, failed), demonstrate_shots=mean, survival=np.exp(-1),
                confidence=confidence,
            )  # fmt: skip
            assert (p.shown >= confidence) == shown
            assert ("Stop: the requirement is shown" in p.advice) == shown


def test_pass_chance_is_seen_in_simulated_communities():
    told, seen = bench_campaign.pass_chance(2000)
    assert seen == pytest.approx(told, abs=4 * np.sqrt(told * (1 - told) / 2000))


def test_limits_are_never_exceeded():
    """Worked out anew for random limits; 1,000 cases by the benchmark."""
    broken, given = bench_campaign.limits_kept(15)
    assert given > 100 and broken == 0


def test_limits_of_learning_plans_are_never_exceeded():
    """The same; what bounds would look like is made up, so that the search goes every way."""
    broken, given = bench_campaign.learning_limits(30)
    assert given > 100 and broken == 0


def test_no_plan_of_a_coarse_grid_narrows_as_much_for_less():
    for mine, best in bench_campaign.narrowest_grid((2.5,), (9, 18, 27)):
        assert mine <= best * (1 + 1e-9)


def test_no_plan_of_a_coarse_grid_is_likelier():
    for mine, best in bench_campaign.beside_exhaustive():
        assert mine >= best - 1e-9


def test_a_plan_without_a_fair_chance_is_not_recommended():
    own = bench_campaign.demo_capacitors()
    a = asked("demonstrate", own, demonstrate_shots=3000, units=4, days=1)
    assert not a.recommended and not a.answered and a.pass_estimated < 0.5
    assert a.bench_days <= 1 and a.units <= 4
    assert 0 < a.shows_instead < 3000
    less = asked("demonstrate", own, demonstrate_shots=a.shows_instead, units=4, days=1)
    assert less.recommended and less.pass_estimated >= 0.5
    with pytest.raises(CannotAnswer, match="No plan keeps"):
        asked("demonstrate", own, demonstrate_shots=3000, days=1e-4)


def test_a_plan_of_a_length_that_is_said_tells_of_no_other_length():
    own = bench_campaign.demo_capacitors()
    a = asked("demonstrate", own, demonstrate_shots=500, shots_each=800)
    assert not a.recommended and a.shots_each == 800
    assert a.shows_instead == 0 and a.flown_lower is None and "instead" not in a.sentence
    assert "fixed_length" in [n.code for n in a.notes]


def test_plan_sheet_has_a_row_for_each_stretch():
    own = bench_campaign.demo_capacitors()
    a = asked("demonstrate", own, demonstrate_shots=400, use=("charge_V=1200",))
    step = next(p for p in a.plans if len(p.stretches) == 2)
    rows = plan_sheet(step, a.slot)
    assert len(rows) == 2 * step.units
    assert [r["charge_V"] for r in rows[:2]] == [s.charge_V for s in step.stretches]
    assert rows[1]["shots_from"] == round(step.stretches[0].shots)


def test_width_is_seen_in_simulated_communities():
    """Foretold factor of the bound against 2,000 other outcomes of the plan: within 5 %."""
    told, run, _ = bench_campaign.width(2000, 1)
    assert run == pytest.approx(told, rel=0.05)


def test_a_learning_plan_foretells_what_its_tests_give():
    """Median of estimate over bound of 60 tests drawn from the laws left open, bounded as ``life`` does, within
    three standard errors of the one foretold."""
    told, seen, error = bench_campaign.learning(60)
    assert abs(np.log(seen / told)) <= 3 * error
    assert error < 0.25


def test_a_learning_plan_needs_no_failure_and_takes_its_point():
    """With nothing failed a prior speaks; a hotter test needs fewer shots to see as many failures."""
    good = LifeRecords.of(np.full(9, 2000.0), np.full(9, np.inf))
    a = asked("narrow", good, within_factor=50)
    assert "half_failure" in [n.code for n in a.notes]
    own = bench_campaign.demo_capacitors()
    cool, hot = (
        asked("narrow", own, within_factor=3, use=(f"charge_V={v}",)).best.shots[0]
        for v in (1200, 1600)
    )
    assert hot < cool
    with pytest.raises(CannotAnswer, match="no law is trusted that far"):
        asked("accelerate", own, accelerate_to=4000)


def heated() -> LifeRecords:
    """Made up: lives of six units each at 40, 60, 80 deg C and 20, 30 % humidity, halved by 10 K and by 10 %."""
    rng = np.random.default_rng(8)
    warm, damp = (a.ravel() for a in np.meshgrid([40.0, 60.0, 80.0], [20.0, 30.0]))
    life = 9000 * 2 ** (-(warm - 40) / 10 - (damp - 20) / 10) * rng.weibull(2.5, (6, 6))
    stresses = {"temp_C": np.tile(warm, 6), "humidity": np.tile(damp, 6)}
    return LifeRecords.of(
        life.ravel(), life.ravel(), slot=["main_capacitor"] * 36, covariates=stresses
    )


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"accelerate_to": 25}, "main_capacitor: 25 deg C is more than 5 K beyond the tested 40 to 80 deg C"),
        ({"accelerate_to": 40, "levels": (60, 80, 95)}, "95 deg C is more than 5 K .* Plan with other levels"),
        ({"accelerate_to": 40, "use": ("humidity=50",)}, "Humidity 50 is more than 1.5 times beyond the tested 20 to 30; no law"),
    ],
)  # fmt: skip
def test_a_plan_by_a_stress_model_refuses_far_levels(settings, words):
    """A temperature as any other stress, the one bounded, one to be tested, and one held."""
    terms = ("temp_C:arrhenius", "humidity:linear")
    with pytest.raises(CannotAnswer, match=words):
        asked("accelerate", heated(), stress=terms, days_each=0.3, **settings)


def test_a_plan_by_a_stress_that_no_record_gives():
    for stress, words, error in (
        ("energy_J:power", "No record gives energy_J", CannotAnswer),
        ("builder:power", "builder holds texts", BadInput),
    ):
        with pytest.raises(error, match=words):
            asked("accelerate", heated(), stress=(stress,), accelerate_to=0.3)


def test_a_plan_by_a_stress_model_answers_near_its_tests():
    a = asked(
        "accelerate", heated(), stress=("temp_C:arrhenius", "humidity:linear"), accelerate_to=37, days_each=0.3
    )  # fmt: skip
    assert a.best.factor > 1 and "extrapolated" in [n.code for n in a.notes]


def test_accelerated_plan_beats_equal_allocation():
    assert bench_campaign.gain() >= 1.3


@pytest.mark.parametrize("name", ["weibull", "lognormal", "loglogistic"])
def test_expected_information_by_simulation(name):
    """Mean observed information of many single units (definition)."""
    fam = FAMILIES[name]
    phi = np.array([[1.7], [0.3], [0.8]])
    x, end = np.array([0.5]), 0.1
    plan = Plan(x[None, :], np.array([1]), np.array([end]))
    from reliability.life.likelihood import Problem

    sample = plan.draw(fam, phi, 60000, np.random.default_rng(2))
    _, _, curv = Problem(fam, sample, []).terms(np.repeat(phi, 60000, axis=1))
    seen = np.array([[-curv[max(i, j)][min(i, j)].mean() for j in range(3)] for i in range(3)])
    np.testing.assert_allclose(unit_information(fam, phi, x, end), seen, rtol=0.04, atol=0.01)


def test_large_sample_error_shrinks_with_units():
    phi = np.array([[2.0], [0.0]])
    target = LogQuantile(float(WEIBULL.quantile(np.array(0.1))))
    one = asymptotic_error(
        WEIBULL, phi, Plan(np.empty((1, 0)), np.array([10]), np.array([0.5])), target
    )
    four = asymptotic_error(
        WEIBULL, phi, Plan(np.empty((1, 0)), np.array([40]), np.array([0.5])), target
    )
    assert one == pytest.approx(2 * four, rel=1e-9)


def test_bench_time_and_cost():
    """One shot in three seconds: 28,800 shots a day (common practice, no source)."""
    b = Bench(1 / 3, 2, 40, 5, setup_hours=0)
    assert b.days(1, 28800) == pytest.approx(1.0)
    assert b.days(4, 28800) == pytest.approx(2.0)
    assert b.cost(4, 28800) == pytest.approx(4 * 40 + 2 * 5)


def test_setting_up_takes_its_time_each_time_the_stands_are_filled():
    """Three units on two stands are two fills of two hours each, and a shot in three seconds beside."""
    b = Bench(1 / 3, 2, setup_hours=2)
    assert b.days(3, 1200) == pytest.approx(2 * (2 + 1) / 24)
    assert b.longest(3, b.days(3, 1200)) == pytest.approx(1200)
    assert b.longest(3, 4 / 24) == b.longest(3, 1 / 24) == 0


def test_burn_in_counts_towards_the_shots():
    plain = asked("demonstrate", demonstrate_shots=1000, units=10, setup_hours=0)
    burnt = asked("demonstrate", demonstrate_shots=1000, units=10, setup_hours=0, burn_in=300)
    assert burnt.shots_each == plain.shots_each
    assert burnt.bench_days == pytest.approx(
        plain.bench_days * (plain.shots_each - 300) / plain.shots_each
    )


def test_settings_out_of_range():
    for bad in (
        {"survival": 1.5},
        {"confidence": 0.2},
        {"shape": 0},
        {"days": 0},
        {"failures": -1},
        {"units": 2, "failures": 2},
    ):
        with pytest.raises(BadInput):
            asked("demonstrate", demonstrate_shots=1000, **bad)
    own = bench_campaign.demo_capacitors()
    with pytest.raises(CannotAnswer, match=r"factor 1\.01"):
        asked("narrow", own, within_factor=1.01, most_units=4, where=("charge_V=1400",))
    with pytest.raises(BadInput):
        asked("accelerate", own, accelerate_to=1100, levels=[1400], units=9, days_each=1)


def test_plans_that_make_no_sense_are_refused_or_said():
    """A unit fires once at least; ten years of bench are no plan unless somebody says so; few shots may be thousands."""
    with pytest.raises(BadInput, match="at least 1 "):
        asked("demonstrate", demonstrate_shots=0.5)
    with pytest.raises(CannotAnswer, match="10 years of bench, the most where no days are given"):
        asked("demonstrate", demonstrate_shots=1e8)
    assert asked("demonstrate", demonstrate_shots=1e8, days=2e5).bench_days > 3650
    short = asked("demonstrate", demonstrate_shots=2, units=2000)
    assert short.shots_each == 1 and "for 1 shot each" in short.sentence
    assert [n.code for n in short.notes].count("few_shots") == 1
    assert "few_shots" not in [n.code for n in asked("demonstrate", demonstrate_shots=200).notes]
    thousands = LifeRecords.of([3.1, 4.2, 2.7, 5.5, 3.9, 6.1], [3.2, 4.3, 2.8, 5.6, INF, INF])
    for question, settings in (("narrow", {"within_factor": 9}), ("next_test", {})):
        assert "few_shots" in [n.code for n in asked(question, thousands, **settings).notes]


def test_json_keys_and_plan_sheet(tmp_path):
    sheet = tmp_path / "plan.csv"
    out = json.loads(
        run(
            "campaign",
            "--demonstrate-shots",
            1000,
            "--survival",
            0.95,
            "--confidence",
            0.9,
            "--sheet",
            sheet,
            "--json",
        ).stdout
    )
    assert (out["units"], out["shots_each"], out["failures_allowed"]) == (45, 1000, 0)
    filled = sheet.read_text().replace(",,,,", ",,1000,,")
    (tmp_path / "done.csv").write_text(filled)
    assert len(read_life(tmp_path / "done.csv").records) == 45
    run("campaign", code=3)
    run("campaign", "--demonstrate-shots", -1, code=2)
    run("campaign", "--demonstrate-shots", 1000, "--shots-each", 1, "--shape", 9, code=2)
