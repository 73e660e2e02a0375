"""What would help most: what a test is foretold to make of an answer is what it makes once its records are in."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from reliability.decisions.derating_level import PromisedLevels
from reliability.decisions.more_tests import best_first
from reliability.decisions.slot_tests import SlotTest
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords, join
from reliability.slots import grid
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.first_tests import carried_by_good
from reliability.slots.promise import ModuleModel
from reliability.words import shots_text
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
        match=r"5 units good there for 1,000 shots each \(4.2 hours of firing in all\) would carry",
    ):
        asked("module", tested, use=("charge_V=4000",))


def test_limits_of_a_test_that_estimates():
    rng = np.random.default_rng(2)
    lives = 3000 * rng.weibull(2, 12)
    own = LifeRecords.of(lives, lives)
    free = asked("narrow", own, within_factor=2.5)
    days = free.best.bench_days
    limited = asked("narrow", own, within_factor=2.5, days=days * 1.01)
    assert all(p.bench_days <= days * 1.01 for p in limited.plans)
    with pytest.raises(CannotAnswer, match="None of the plans looked at within"):
        asked("narrow", own, within_factor=2.5, days=days * 0.7)
    with pytest.raises(CannotAnswer, match=r"Within 36 units and 0\.001 bench days too few"):
        asked("narrow", own, within_factor=2.5, days=0.001)
    with pytest.raises(BadInput, match="money limits nothing"):
        asked("narrow", own, within_factor=2.5, budget=100)


def test_records_at_several_voltages_plan_a_test_at_one_of_them(tested):
    a = asked("narrow", tested, within_factor=5, use=("charge_V=1400",))
    assert a.use == 1400 and a.best.factor <= 5


def test_what_helps_a_life_is_what_it_then_is(tested):
    own = tested.select(tested.covariates["charge_V"] == 1400)
    a = asked("life", own)
    assert a.more and a.quantiles[0].lower * 1.5 < a.quantiles[0].shots
    test = a.more[0]
    good = LifeRecords.of(
        np.full(test.units, test.shots), np.full(test.units, np.inf),
        covariates={"charge_V": np.full(test.units, 1400.0)},
    )  # fmt: skip
    then = asked("life", join([own, good]))
    # the bound of few failures is another one than the draws that foretell; the factor is alike
    gained = then.quantiles[0].lower / a.quantiles[0].lower
    assert gained > 1.03
    assert test.promise / a.quantiles[0].lower == pytest.approx(gained, rel=0.2)


@pytest.fixture
def of_modes():
    """Forty units at two voltages of which 18 failed short, 9 by loss, and 5 nobody knows how."""
    rng = np.random.default_rng(11)
    lives = 1500 * rng.weibull(1.5, 40)
    mode = np.array(["short"] * 18 + ["loss"] * 9 + ["unknown"] * 5 + [""] * 8, object)
    return LifeRecords.of(
        lives, np.where(mode == "", np.inf, lives), mode=mode.tolist(), covariates={"charge_V": np.tile([1200.0, 1400.0], 20)}
    )  # fmt: skip


def test_what_helps_a_mode_of_which_some_failures_are_unknown_is_told(of_modes):
    a = asked("life", of_modes, mode="short", use=("charge_V=1400",))
    assert a.unclear == 5 and a.more
    assert all(t.promise > a.quantiles[0].lower for t in a.more)


def test_a_model_of_one_mode_stays_one_flown_or_aged_otherwise(of_modes):
    whole = ModuleModel([slot_data("main", of_modes, Asked(1400.0))], apart="short")
    assert whole.causes.events
    own = whole.of_mode("short")
    for same in (own.flown_at(0.0), own.after_burn_in(0.0), own.new()):
        assert same.promise(0.9, 0.95) == own.promise(0.9, 0.95)
        assert same.life(0.1) == pytest.approx(own.life(0.1), rel=1e-9)


def test_a_life_without_failures_is_withheld_with_what_would_help():
    own = LifeRecords.of(np.full(6, 1000.0), np.full(6, np.inf))
    with pytest.raises(
        CannotAnswer, match=r"No unit has failed.*What would help most: 2 more units for 1,000"
    ) as e:
        asked("life", own)
    partial = e.value.partial
    assert {t.shots for t in partial.more} == {1000.0, 2000.0}
    for t in partial.more:
        assert t.promise > partial.quantiles[0].lower
        if t.shots == 1000:
            # six units as long: whatever the shape, Laplace's rule of succession for a rate
            assert t.survives_it == pytest.approx(6 / (6 + t.units), abs=0.03)


def test_two_not_shown_to_differ_are_shown_as_often_as_not_after_the_test_that_helps():
    def two(rng, first, second, ratio):
        lives = np.concatenate(
            [1000 * ratio * rng.weibull(2, first), 1000 * rng.weibull(2, second)]
        )
        return LifeRecords.of(lives, lives, part=["a"] * first + ["b"] * second)

    a = asked("compare", two(np.random.default_rng(5), 6, 6, 1.5), first="a", second="b")
    assert not a.shown and a.more is not None
    sizes = 6 + a.more.longer, 6 + a.more.other
    shown = 0
    for seed in range(40):
        then = two(np.random.default_rng(3000 + seed), *sizes, a.ratio)
        shown += asked("compare", then, first="a", second="b").lower > 1
    assert 0.3 <= shown / 40 <= 0.75


def test_nothing_failed_tells_no_two_apart():
    own = LifeRecords.of(np.full(6, 1000.0), np.full(6, np.inf), part=["a", "b"] * 3)
    with pytest.raises(CannotAnswer, match="nothing tells how many times as long"):
        asked("compare", own, first="a", second="b")


def test_the_next_test_is_the_best_of_those_looked_at_and_keeps_its_limits(tested):
    a = asked("next_test", tested, use=("charge_V=1400",))
    assert a.best.gain_a_day == max(t.gain_a_day for t in a.tests)
    assert a.longest.promise == max(t.promise for t in a.tests)
    # the best by the day is a short test here: the farther one is told too
    assert a.longest is not a.best
    assert f"longest promise, {shots_text(a.longest.promise)} shots" in a.sentence
    then = asked("module", with_units(tested, a.best), use=("charge_V=1400",))
    assert a.best.promise == pytest.approx(then.life.lower, rel=0.1)
    days = a.best.days / 2
    b = asked("next_test", tested, use=("charge_V=1400",), days=days, units=3, setup_hours=0)
    assert all(t.days <= days and t.units <= 3 for t in b.tests)
    c = asked("next_test", tested, use=("charge_V=1400",), budget=50, unit_cost=10, day_cost=100)
    assert all(10 * t.units + 100 * t.days <= 50 for t in c.tests)
    with pytest.raises(CannotAnswer, match="to set it up alone takes more"):
        asked("next_test", tested, use=("charge_V=1400",), days=1e-6)


def test_prices_without_a_budget_are_told(tested):
    """Ten of money a unit and a hundred a bench day; without prices nothing is told."""
    priced = asked("next_test", tested, use=("charge_V=1400",), unit_cost=10, day_cost=100)
    assert all(t.cost == pytest.approx(10 * t.units + 100 * t.days) for t in priced.tests)
    assert f"{priced.best.cost:,.4g} of money" in priced.sentence
    plain = asked("next_test", tested, use=("charge_V=1400",))
    assert [(t.what, t.shots) for t in plain.tests] == [(t.what, t.shots) for t in priced.tests]
    assert all(t.cost == 0 for t in plain.tests) and "money" not in plain.sentence


def test_no_longer_test_is_offered_that_promises_no_more(tested):
    """Made up: of two tests alike but for their length the longer is worth running only if it promises more."""
    made = [
        SlotTest(units, volts, shots, 1.0, 0.5, promise, math.nan, gain)
        for units, volts, shots, promise, gain in (
            (2, 1400, 900, 500, 3.0), (2, 1400, 2000, 499, 1.0), (2, 1400, 3000, 501, 0.5), (5, 1400, 2000, 450, 2.0), (2, 1600, 2000, 450, 4.0),
        )
    ]  # fmt: skip
    kept = [(t.units, t.charge_V, t.shots) for t in best_first(made)]
    assert kept == [(2, 1600, 2000), (2, 1400, 900), (5, 1400, 2000), (2, 1400, 3000)]
    for shots in (500, 3000):
        tests = asked("derate", tested, shots=shots).more
        assert not any(
            (a.units, a.charge_V) == (b.units, b.charge_V) and a.shots < b.shots and a.promise >= b.promise
            for a in tests for b in tests
        )  # fmt: skip


def with_units(records, test):
    """The records with the units of a test at 1,400 V good to its end."""
    n = test.units
    more = LifeRecords.of(
        np.full(n, test.shots), np.full(n, np.inf), covariates={"charge_V": np.full(n, 1400.0)}
    )
    return join([records, more])


def test_a_life_that_cannot_be_shown_is_shown_lower(tested):
    a = asked("demonstrate", tested, demonstrate_shots=2000, use=("charge_V=1700",))
    low = a.flown_lower
    assert not a.recommended and low.charge_V in (1200, 1400, 1600)
    assert low.plan.pass_estimated >= 0.5
    b = asked("demonstrate", tested, demonstrate_shots=2000, use=(f"charge_V={low.charge_V:g}",))
    assert b.recommended and b.best.pass_estimated >= low.plan.pass_estimated - 0.05
    assert f"flown at {low.charge_V:,.0f} V instead" in a.sentence


def test_limits_of_an_accelerated_test(tested):
    free = asked("accelerate", tested, accelerate_to=1300, units=12, days_each=0.4)
    days = free.best.bench_days / 2
    cut = asked(
        "accelerate", tested, accelerate_to=1300, units=12, days_each=0.4, days=days, most_units=9
    )
    assert all(p.bench_days <= days and sum(p.units) <= 9 for p in (*cut.plans, cut.equal))
    assert cut.best.factor > free.best.factor
    priced = asked(
        "accelerate", tested, accelerate_to=1300, units=12, days_each=0.4, budget=150, unit_cost=10, day_cost=20
    )  # fmt: skip
    assert all(p.cost <= 150 for p in priced.plans)
    with pytest.raises(CannotAnswer, match="within 40 of money"):
        asked("accelerate", tested, accelerate_to=1300, budget=40, unit_cost=10, day_cost=20)


@pytest.mark.parametrize("name", ["life", "demonstrate"])
def test_a_part_of_another_slot_is_refused(name):
    own = LifeRecords.of(
        [100.0, 200.0, 300.0], [100.0, 200.0, np.inf], slot=["igniter"] * 3, part=["i"] * 3
    )
    other = LifeRecords.of(
        [90.0, 190.0], [90.0, np.inf], slot=["main_capacitor"] * 2, part=["film"] * 2
    )
    given = {"demonstrate_shots": 50} if name == "demonstrate" else {}
    with pytest.raises(CannotAnswer, match="part film was tested in no igniter; there are: i"):
        asked(name, join([own, other]), slot=("igniter",), use=("part=film",), **given)


def test_a_cause_found_out_makes_of_the_promise_what_its_record_then_makes(of_modes):
    """Foretold from the readings in which the failure was of that mode, and asked again with the mode on record."""
    model = ModuleModel([slot_data("main", of_modes, Asked(1400.0))])
    row = next(row for _, row in model.causes.events[0].suspects)
    assert of_modes.mode[row] == "unknown"
    for k, (part, _) in enumerate(model.causes.events[0].suspects):
        mode = of_modes.mode.copy()
        mode[row] = model.causes.mode[part]
        if not mode[row]:
            continue
        then = ModuleModel([slot_data("main", replace(of_modes, mode=mode), Asked(1400.0))])
        chance, weight = model.if_known(0)[k]
        assert chance > 0.2 and weight is not None
        foretold = model.given(weight).promise(0.9, 0.95)
        assert foretold == pytest.approx(then.promise(0.9, 0.95), rel=0.1)


def test_a_source_for_the_exponent_is_a_narrower_prior(tested, monkeypatch):
    """Two normal densities of one number are one, of their precisions and weighted mean (definition)."""
    own = slot_data("main_capacitor", tested, Asked(1100.0))
    model = ModuleModel([own])
    said = 8.0
    drawn = model.draws.slots[0].exponent
    foretold = model.given(np.exp(-0.5 * (drawn - said) ** 2)).promise(0.9, 0.95)
    precision = 1 / grid.EXPONENT_SD**2 + 1
    monkeypatch.setattr(grid, "EXPONENT_MEAN", (grid.EXPONENT_MEAN / grid.EXPONENT_SD**2 + said) / precision)  # fmt: skip
    monkeypatch.setattr(grid, "EXPONENT_SD", precision**-0.5)
    assert foretold == pytest.approx(ModuleModel([own]).promise(0.9, 0.95), rel=0.05)


def test_a_voltage_found_out_is_expected_over_those_tested(tested):
    """The mean of what the answer is with the voltage written in, each as common as it is on record."""
    volts = tested.covariates["charge_V"].copy()
    volts[12:] = np.nan
    lacking = replace(tested, covariates={"charge_V": volts})
    a = asked("module", lacking, use=("charge_V=1200",))
    then = []
    for v in (1200.0, 1400.0):
        filled = np.where(np.isnan(volts), v, volts)
        own = replace(tested, covariates={"charge_V": filled})
        then.append(asked("module", own, use=("charge_V=1200",)).life.lower)
    found = [f for f in a.found if "the voltage of 6 units" in f.what]
    gain = np.mean(then) - a.life.lower
    assert bool(found) == (gain > 0.03 * a.life.lower)
    if found:
        assert found[0].promise == pytest.approx(np.mean(then), rel=1e-9)
        assert found[0].longer == np.mean(np.array(then) > a.life.lower)


def test_what_is_found_out_helps_and_is_ordered(tested):
    a = asked("module", tested, use=("charge_V=1100",))
    assert all(f.gain > 0.03 * a.life.lower for f in a.found)
    assert [f.gain for f in a.found] == sorted((f.gain for f in a.found), reverse=True)


def flown_with(lives, failed, own=20.0, shots=200):
    """A module of one capacitor with ``own`` shots so far, beside others that lived so."""
    n = len(lives) + 1
    r = LifeRecords.of(
        [*lives, own], [*failed, np.inf], module=[*(f"m{i}" for i in range(n - 1)), "flight"],
        slot=["main_capacitor"] * n, covariates={"charge_V": np.full(n, 1200.0)},
    )  # fmt: skip
    return asked("flight", r, module="flight", shots=shots)


def burn_in_of(a):
    return [t for t in a.more if t.what == "more burn-in"]


def test_more_burn_in_is_offered_where_weak_units_fail_early():
    """A tenth that fails among the first shots beside wear-out: what burn-in is for (common practice, no source)."""
    lives = np.concatenate((3000 * np.random.default_rng(3).weibull(3, 14), [5, 12, 30, 8]))
    a = flown_with(lives, lives)
    (t,) = burn_in_of(a)
    assert t.survival > a.survival.estimate and t.survives_it >= 0.8
    assert 1 - t.survival < 0.9 * (1 - a.survival.estimate)
    assert "burn_in_not_worth" not in [n.code for n in a.notes]


def test_more_burn_in_is_not_offered_where_it_only_wears_the_module_out():
    """With wear-out each shot on the bench makes the next mission less sure, though the bound may rise by a good unit."""
    lives = 1500 * np.random.default_rng(3).weibull(1.3, 10)
    a = flown_with(lives, lives)
    assert not burn_in_of(a)
    (note,) = [n.text for n in a.notes if n.code == "burn_in_not_worth"]
    assert "lower the chance to last the mission" in note
    good = flown_with([1000.0] * 3, [np.inf] * 3)
    assert not burn_in_of(good)
    assert "fewer than they take" in next(n.text for n in good.notes if n.code == "burn_in_not_worth")  # fmt: skip


def lacking_voltages(tested):
    """The same, six of the units without their voltage."""
    volts = tested.covariates["charge_V"].copy()
    volts[:6] = np.nan
    return replace(tested, covariates={"charge_V": volts})


def test_a_voltage_found_out_beside_an_allowed_one(tested):
    """The mean of what is promised at the allowed voltage with the voltage written in, each as common as on record."""
    a = asked("derate", lacking_voltages(tested), shots=500)
    level, then = a.allowed.charge_V, []
    for v in (1400.0, 1600.0):
        volts = lacking_voltages(tested).covariates["charge_V"]
        own = replace(tested, covariates={"charge_V": np.where(np.isnan(volts), v, volts)})
        then.append(float(PromisedLevels(own).course(0.9, 0.95).at(np.array([level]))[0]))
    found = [f for f in a.found if "the voltage of 6 units without one" in f.what]
    assert found and found[0].promise == pytest.approx(np.mean(then), rel=0.02)
    assert [f.gain for f in a.found] == sorted((f.gain for f in a.found), reverse=True)


def test_what_is_found_out_is_told_of_each_of_two(tested):
    """By voltage of the promise at each, by pool of the promise on each, as ``module`` and ``life`` have it."""
    few = tested.select(np.arange(18) % 3 == 0)
    a = asked("compare", few, by="voltage", first="1200", second="1400")
    for side in (a.first, a.second):
        alone = asked(
            "module", few, use=(f"charge_V={float(side.name.split()[0].replace(',', '')):g}",)
        )
        own = [f for f in a.found if f.what.startswith(f"at {side.name}: a source")]
        assert alone.life.lower == pytest.approx(side.lower, rel=1e-6)
        assert [f.gain for f in own] == pytest.approx(
            [f.gain for f in alone.found if "a source" in f.what], rel=1e-6
        )
    assert a.found and [f.gain for f in a.found] == sorted((f.gain for f in a.found), reverse=True)
    two = replace(
        tested,
        builder=np.array(["ash", "elm"] * 9, dtype=object),
        slot=np.array(["igniter"] * 18, dtype=object),
    )
    b = asked("compare", two, by="pool", first="ash", second="all", use=("charge_V=1400",))
    lives = {
        name: asked("life", two, use=("charge_V=1400",), builder=own)
        for name, own in (("ash", ("ash",)), ("all", ()))
    }
    assert {f.what: f.promise for f in b.found} == {
        f"on {name}: {f.what}": f.promise for name, life in lives.items() for f in life.found
    }
