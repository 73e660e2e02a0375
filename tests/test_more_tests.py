"""What would help most: what a test is foretold to make of an answer is what it makes once its records are in."""

import math

import numpy as np
import pytest
from scipy import stats

from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords, join
from reliability.slots.first_tests import carried_by_good
from tests.asking import asked
from tests.benchmarks.derating import campaign


@pytest.fixture(scope="module")
def tested():
    """Eighteen units at three voltages, half of them failed."""
    return campaign(np.random.default_rng(4))


def with_good(records, test):
    """The records with the units of a test good to its end."""
    n = test.units
    more = LifeRecords.of(
        np.full(n, test.shots),
        np.full(n, np.inf),
        covariates={"charge_V": np.full(n, test.charge_V)},
    )
    return join([records, more])


def test_what_helps_the_voltage_is_what_it_then_is(tested):
    a = asked("derate", tested, stress=("charge_V:power",), shots=3000)
    assert a.more and "would_help" in [n.code for n in a.notes]
    assert [t.gain_a_day for t in a.more] == sorted((t.gain_a_day for t in a.more), reverse=True)
    test = max(a.more, key=lambda t: t.highest_V)
    then = asked("derate", with_good(tested, test), stress=("charge_V:power",), shots=3000)
    assert then.allowed.charge_V > a.allowed.charge_V
    assert test.highest_V == pytest.approx(then.allowed.charge_V, rel=0.02)


def test_a_voltage_that_is_withheld_says_what_would_help(tested):
    a = asked("derate", tested, stress=("charge_V:power",), shots=3_000_000)
    assert not a.answered and math.isnan(a.allowed.charge_V)
    assert a.more and all(math.isnan(t.highest_V) for t in a.more)


def test_a_plan_makes_of_the_promise_what_it_says(tested):
    a = asked("demonstrate", tested, demonstrate_shots=500, units=6, use=("charge_V=1400",))
    plan = next(p for p in a.plans if len(p.stretches) == 1 and p.stretches[0].charge_V == 1400)
    stretch = plan.stretches[0]
    more = LifeRecords.of(
        np.full(plan.units, stretch.shots), np.full(plan.units, np.inf),
        covariates={"charge_V": np.full(plan.units, 1400.0)},
    )  # fmt: skip
    then = asked(
        "demonstrate", join([tested, more]), demonstrate_shots=500, units=6, use=("charge_V=1400",)
    )
    assert plan.then.promise == pytest.approx(then.promise_now, rel=0.1)
    assert plan.then.highest_V == pytest.approx(then.highest_V_now, rel=0.02)
    assert a.highest_V_now < plan.then.highest_V


def test_the_voltage_of_a_plan_is_the_one_derate_allows(tested):
    """Two questions, one number."""
    a = asked("demonstrate", tested, demonstrate_shots=3000, units=6, use=("charge_V=1400",))
    b = asked("derate", tested, stress=("charge_V:power",), shots=3000)
    assert a.highest_V_now == pytest.approx(b.allowed.charge_V, rel=0.01)


@pytest.mark.parametrize("units", [29, 59])
def test_a_first_test_as_large_as_a_success_run_carries_its_length(units):
    """The binomial: units that all lasted show 90 % survival at 95 % confidence where 0.9^n <= 0.05."""
    assert stats.binom.pmf(0, units, 0.1) <= 0.05
    assert carried_by_good(units) > 0.9
    assert carried_by_good(5) < carried_by_good(20) < carried_by_good(units)


def test_a_wide_module_life_says_what_would_help(tested):
    a = asked("module", tested, use=("charge_V=1400",))
    assert a.life.lower * 1.5 < a.life.shots
    assert a.more and all(t.promise > a.life.lower for t in a.more)
    assert any(n.code == "would_help" and a.more[0].what in n.text for n in a.notes)


def test_a_refusal_says_how_far_a_first_test_carries(tested):
    with pytest.raises(
        CannotAnswer,
        match=r"5 units good there for 1,000 shots each \(0.17 bench days\) would carry",
    ):
        asked("module", tested, use=("charge_V=4000",))


def test_limits_of_a_test_that_estimates():
    rng = np.random.default_rng(2)
    lives = 3000 * rng.weibull(2, 12)
    own = LifeRecords.of(lives, lives)
    free = asked("narrow", own, within_factor=2.5)
    days = free.best.bench_days
    assert asked("narrow", own, within_factor=2.5, days=days * 1.01).best == free.best
    with pytest.raises(CannotAnswer, match="None of the plans looked at within"):
        asked("narrow", own, within_factor=2.5, days=days * 0.99)
    with pytest.raises(
        CannotAnswer, match=r"No plan looked at keeps 36 units and 0\.001 bench days"
    ):
        asked("narrow", own, within_factor=2.5, days=0.001)
    with pytest.raises(BadInput, match="nothing costs anything"):
        asked("narrow", own, within_factor=2.5, budget=100)


def test_no_test_is_planned_for_a_mixture_of_voltages(tested):
    with pytest.raises(CannotAnswer, match="a test runs at one"):
        asked("narrow", tested, within_factor=3)
