"""Input that has no ordinary answer is answered in words."""

import json

import numpy as np
import pytest

from reliability.ask.plain import plain
from reliability.life.bounds import Bounder
from reliability.life.fit import NoMaximum, fit_life
from reliability.notes import CannotAnswer
from reliability.readings import WearReadings
from reliability.records import InvalidRecords, LifeRecords
from tests.asking import asked

INF = float("inf")
CASES = {
    "no_failures": ([1000, 2000, 3000], [INF, INF, INF]),
    "one_failure_count": ([7798, 7928, 12011, 13760], [INF, INF, INF, 13760]),
    "all_left_censored": ([0, 0, 0], [100, 200, 150]),
    "one_interval": ([100, 100, 100], [200, 200, 200]),
}


@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic"])
@pytest.mark.parametrize("code", list(CASES))
def test_no_maximum_is_said_before_optimising(code, family):
    with pytest.raises(NoMaximum) as e:
        fit_life(LifeRecords.of(*CASES[code]), family)
    assert e.value.code == code
    assert len(str(e.value)) > 40


@pytest.mark.parametrize("code", ["no_failures", "all_left_censored"])
def test_partial_answer_is_valid_json(code):
    with pytest.raises(CannotAnswer) as e:
        asked("life", LifeRecords.of(*CASES[code]), at=[500.0])
    out = json.loads(json.dumps(plain(e.value.partial), allow_nan=False))
    assert out["shape"] is None and out["scale"] is None
    assert any(n["code"] == code for n in out["notes"])
    if code == "no_failures":
        assert out["quantiles"][0]["lower"] > 0


@pytest.mark.parametrize("code", ["one_failure_count", "one_interval", "no_trend"])
def test_where_the_spread_cannot_be_told_life_and_module_say_the_same(code):
    """A prior holds the shape, as in a module of that one slot: one number for both, with or without a voltage."""
    good, failed = {**CASES, "no_trend": ([0] * 5 + [5000], [1000] * 5 + [INF])}[code]
    slot = ["main_capacitor"] * len(good)
    plain_, volts = (
        LifeRecords.of(good, failed, slot=slot, covariates=more)
        for more in ({}, {"charge_V": np.full(len(good), 1400.0)})
    )
    a = asked("life", plain_)
    b = a.quantiles[0]
    assert 0 < b.lower < b.shots < b.upper
    assert b.lower == asked("life", volts).quantiles[0].lower
    assert b.lower == asked("module", plain_).life.lower
    told = {n.code for n in a.notes}
    assert ("few_failures" if code == "one_failure_count" else code) in told


def test_all_failures_identical():
    with pytest.raises(NoMaximum) as e:
        fit_life(LifeRecords.of([500.0] * 6, [500.0] * 6))
    assert e.value.code == "one_failure_count"


def test_one_failure_among_five_has_an_answer():
    r = LifeRecords.of([900, 2000, 2000, 2000, 2000], [900, INF, INF, INF, INF])
    a = asked("life", r)
    assert 0 < a.quantiles[0].lower < a.quantiles[0].shots < 2000
    assert "few_failures" in {n.code for n in a.notes}


@pytest.mark.parametrize(
    ("good", "failed", "column"),
    [
        ([10], [5], "shots_failed"),
        ([-1], [5], "shots_good"),
        ([0], [0], "shots_failed"),
        ([INF], [INF], "shots_good"),
    ],
)
def test_impossible_records_are_refused(good, failed, column):
    with pytest.raises(InvalidRecords) as e:
        LifeRecords.of(good, failed)
    assert e.value.faults[0].column == column


def test_entry_rules():
    with pytest.raises(InvalidRecords):
        LifeRecords.of([100], [INF], shots_from=[200])
    with pytest.raises(InvalidRecords):
        LifeRecords.of([200], [200], shots_from=[200])
    with pytest.raises(InvalidRecords):
        LifeRecords.of([200], [300], count=[1.5])


def test_wide_intervals():
    r = LifeRecords.of([1, 10, 100], [10, 100, 1000])
    fit = fit_life(r, "lognormal")
    assert fit.scale == pytest.approx(np.exp(np.log([1, 1000]).mean()), rel=1e-6)  # by symmetry


def test_bounds_stay_in_range():
    r = LifeRecords.of([900, 1500, 2000, 2000], [900, 1500, INF, INF])
    for method in ("wald", "likelihood", "calibrated"):
        b = Bounder(r, fit_life(r), 0.99, method)
        for shots in (1.0, 500.0, 5000.0, 1e6):
            s = b.survival(shots)
            assert 0 <= s.lower <= s.estimate <= s.upper <= 1
        q = b.quantile(0.01)
        assert (
            0 <= q.lower <= q.shots
            if hasattr(q, "shots")
            else 0 <= q.lower <= q.estimate <= q.upper
        )


def test_a_million_records():
    rng = np.random.default_rng(1)
    t = 5000 * rng.weibull(1.5, 1_000_000)
    r = LifeRecords.of(np.minimum(t, 6000), np.where(t <= 6000, t, INF))
    a = asked("life", r)
    assert a.shape == pytest.approx(1.5, rel=0.01)
    assert "calibration_skipped" in {n.code for n in a.notes}


def never_working(good):
    """Capacitors at one voltage that were all dead at their first inspection, or never fired."""
    failed = [1000.0] * 6 if not good else [np.inf] * 6
    return LifeRecords.of(
        [0.0] * 6, failed, slot=["main_capacitor"] * 6, covariates={"charge_V": [1400.0] * 6}
    )


@pytest.mark.parametrize("good", [False, True])
@pytest.mark.parametrize(
    ("question", "more"),
    [
        ("module", {}),
        ("derate", {"shots": 100.0}),
        ("derate_mission", {"shots": 100.0}),
        ("next_test", {}),
    ],
)
def test_units_never_seen_working_carry_no_promise(question, more, good):
    """Six dead at the first look at 1,000 shots may all have died at the first: nothing is promised, and no voltage
    allowed (before: 1,524 V for 100 shots)."""
    with pytest.raises(CannotAnswer, match="seen working"):
        asked(question, never_working(good), **more)


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_running_demonstration_of_units_that_have_run_nothing_or_very_far():
    """Nothing run shows nothing: 29 units without failure are wanted (success run, ln 0.05 / ln 0.9 = 28.4), so six
    must each run 28.4 / 6 = 4.74 times the shots. One that ran a billion times as far shows it at any shape."""
    a = asked("progress", never_working(True), demonstrate_shots=100.0)
    assert a.shown == 0.0
    assert a.needed_each == pytest.approx(100 * np.log(0.05) / np.log(0.9) / 6, rel=1e-6)
    far = LifeRecords.of([1e9], [np.inf])
    assert asked("progress", far, demonstrate_shots=1.0, shape=50.0).shown == 1.0


@pytest.mark.parametrize(
    ("volts", "said"), [(6.3, "At 6.3 V"), (22000.0, "At 22,000 V"), (1400.0, "At 1,400 V")]
)
def test_voltages_are_said_as_they_are(volts, said):
    """Life at 6 V is 1.6 times that at 6.3 V where it falls as V^-10: a rounded voltage is another question."""
    lives = [900.0, 1400.0, 2000.0, 2600.0]
    r = LifeRecords.of(
        [*lives, *(4 * x for x in lives)], [*lives, *(4 * x for x in lives)], slot=["main_capacitor"] * 8,
        covariates={"charge_V": [volts] * 4 + [volts * 0.8] * 4},
    )  # fmt: skip
    a = asked("module", r, use=(f"charge_V={volts}",))
    assert a.sentence.startswith(said)
    allowed = asked("derate", r, slot=("main_capacitor",), shots=100.0).sentence
    assert "e+" not in allowed


def test_readings_that_rise_promise_no_shots():
    """A capacitance that rises never meets a limit below it: no "at least unbounded" is said of it."""
    shots = np.tile([0.0, 1000.0, 2000.0, 3000.0], 4)
    names = np.repeat([f"m{i}" for i in range(4)], 4).astype(object)
    noise = np.random.default_rng(3).normal(0, 1e-3, 16)

    def full(text):
        return np.full(16, text, object)

    wear = WearReadings(
        full("b"), names, full("main_capacitor"), full(""), full("capacitance_uF"), shots,
        0.5 * (1 + 1e-4 * shots) + noise,
    )  # fmt: skip
    said = asked("wear", wear=wear).sentence
    assert "unbounded" not in said
    assert "do not go towards" in said and "No bound of shots" in said


def test_no_plan_is_made_for_a_voltage_far_from_its_tests():
    """Tests at 4 to 6.3 V say nothing of 1,000 V (before: a plan, "a factor 1.6e+03 below the estimate")."""
    rng = np.random.default_rng(5)
    volts = np.repeat([4.0, 5.0, 6.3], 5)
    lives = 5000 * (5 / volts) ** 5 * rng.weibull(2, 15)
    r = LifeRecords.of(lives, lives, slot=["main_capacitor"] * 15, covariates={"charge_V": volts})
    with pytest.raises(CannotAnswer, match=r"more than 1.5 times beyond .* 4 to 6.3"):
        asked("accelerate", r, accelerate_to=1000.0)
    assert asked("accelerate", r, accelerate_to=3.0).sentence
