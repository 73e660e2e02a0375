"""What speaks against a family of lives comes first, and the bound is then the safer one; few failures."""

import numpy as np
import pytest

from reliability.life.bounds import Bounder
from reliability.life.fit import fit_life
from reliability.records import LifeRecords
from reliability.words import shots_text
from tests.asking import asked
from tests.benchmarks.coverage import SCALE, draw

INF = np.inf


def codes(a):
    return {n.code for n in a.notes}


@pytest.mark.parametrize("shape", [0.7, 3.0])
def test_one_or_two_failures_keep_their_word_at_low_and_high_shapes(shape):
    """Nominal 95 %: at least 34 of 40 (1 % point of the binomial), at a shape below 1 too."""
    rng = np.random.default_rng(int(shape * 10))
    truth = SCALE * (-np.log(0.9)) ** (1 / shape)
    lows = []
    while len(lows) < 40:
        r = draw("time", 12, 2, shape, "weibull", rng)
        if 1 <= r.failures <= 2:
            a = asked("life", r)
            assert a.bound == "drawn" and "few_failures" in codes(a)
            lows.append(a.quantiles[0].lower)
    assert sum(low <= truth for low in lows) >= 34
    # and of use: a shape left free ends far below
    assert np.median(lows) > 0.05 * truth


def test_one_failure_has_no_free_shape():
    r = LifeRecords.of([200, 900, 900, 900, 900], [200, INF, INF, INF, INF])
    a = asked("life", r)
    free = Bounder(r, fit_life(r), 0.95, "calibrated").quantile(0.1).lower
    assert a.quantiles[0].lower > 3 * free
    assert a.curve.lower[0] <= a.curve.estimate[0] <= a.curve.upper[0]


def infants(n=14):
    t = 5000 * np.random.default_rng(4).weibull(6.0, n)
    t[:3] = 20.0, 45.0, 90.0
    return LifeRecords.of(t, t, slot=["main_capacitor"] * n)


def test_early_failures_come_first_and_the_bound_is_no_larger_than_the_plain_one():
    """3 of 14 dead within 100 shots: a share of 1 in 5, so that 10 % are gone among the first."""
    r = infants()
    a = asked("life", r)
    assert a.sentence.startswith("Early failures of the main capacitor stand apart")
    plain = Bounder(r, fit_life(r), 0.95, "calibrated").quantile(0.1).lower
    assert a.quantiles[0].lower <= plain
    assert a.quantiles[0].lower < 90


def test_plain_wear_out_raises_no_doubt_and_keeps_the_exact_bound():
    t = 5000 * np.random.default_rng(8).weibull(2.5, 10)
    r = LifeRecords.of(t, t)
    a = asked("life", r)
    assert a.doubts == "" and a.early == ()
    assert a.quantiles[0].lower == pytest.approx(Bounder(r, fit_life(r), 0.95).quantile(0.1).lower)


def test_a_share_that_few_units_cannot_show_is_said():
    """1 % of eight units: below 1 in 18."""
    t = 5000 * np.random.default_rng(8).weibull(2.5, 8)
    r = LifeRecords.of(t, t)
    one, ten = asked("life", r, fraction=[0.01]), asked("life", r)
    assert "below what 8 units can show" in one.sentence
    assert "can show" not in ten.sentence
    plain = Bounder(r, fit_life(r), 0.95).quantile(0.01).lower
    assert one.quantiles[0].lower <= plain


def test_the_first_failure_without_a_family():
    """All of n units lasted to the first failure: share s does with probability s^n, so s >= 0.05^(1/n)
    (success run, from memory); whatever the family."""
    a = asked("life", LifeRecords.of([500, 900, 1300, 1300], [500, 900, INF, INF]))
    assert a.first_failure.shots == 500 and a.first_failure.units == 4
    assert a.first_failure.lower == pytest.approx(0.05**0.25)
    late = asked("life", LifeRecords.of([500, 900, 1300], [500, 900, INF], shots_from=[100, 0, 0]))
    assert late.first_failure.shots == 900 and late.first_failure.units == 2


def test_the_slots_own_bound_stands_beside_a_calibrated_headline_and_is_that_of_the_module():
    t = 5000 * np.random.default_rng(8).weibull(2.5, 10)
    end = np.minimum(t, 4500)
    r = LifeRecords.of(end, np.where(t <= 4500, t, INF), slot=["igniter"] * 10)
    a, m = asked("life", r), asked("module", r)
    assert a.bound == "calibrated"
    (text,) = [n.text for n in a.notes if n.code == "own_model"]
    assert (
        f"would be {shots_text(m.life.lower)} shots, not {shots_text(a.quantiles[0].lower)}" in text
    )
    # a test run to failure completely has one exact bound in both
    whole = LifeRecords.of(t, t, slot=["igniter"] * 10)
    assert "own_model" not in codes(asked("life", whole))


def test_a_run_in_at_another_voltage_is_told_with_what_it_counts_as():
    """Nelson (1990), ch. 10: 500 shots at 1,000 V are 500 (1000/1400)^e at 1,400 V."""
    n = 8
    t = 3000 * np.random.default_rng(5).weibull(2.0, n)
    r = LifeRecords.of(
        [500.0] * n + list(500 + t), [INF] * n + list(500 + t), shots_from=[0.0] * n + [500.0] * n,
        unit=[f"u{i}" for i in range(n)] * 2, module=["m"] * 2 * n, slot=["main_capacitor"] * 2 * n,
        covariates={"charge_V": [1000.0] * n + [1400.0] * n},
    )  # fmt: skip
    a = asked("life", r)
    (text,) = [n.text for n in a.notes if n.code == "run_in"]
    e = float(text.split("exponent ")[1].split(" ")[0])
    counted = float(text.split("count as ")[1].split(" ")[0].replace(",", ""))
    assert "8 units ran at another voltage (1,000 V)" in text and "those 4,000 shots" in text
    assert counted == pytest.approx(4000 * (1000 / 1400) ** e, rel=0.03)
    assert "run_in" not in codes(asked("life", r.select(r.shots_from > 0)))


def test_another_prior_than_that_of_the_plain_question_is_said():
    r = LifeRecords.of(
        [2500, 4200, 3000, 4000, 5000], [2500, 4200, INF, INF, INF], slot=["igniter"] * 5
    )
    assert "other_prior" not in codes(asked("life", r))
    for settings in ({"next": 3}, {"family": "lognormal"}):
        assert "other_prior" in codes(asked("life", r, **settings))
