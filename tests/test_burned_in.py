"""The declaration that early failures are out: what it brings, where it is refused, where it has no effect."""

import numpy as np
import pytest

from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.draws import falling_odds
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.grid import SHAPES, exposed, fit_slot
from reliability.slots.promise import FALLS, ModuleModel
from tests.asking import asked

INF = np.inf


def run_of(shape, n=10, failures=4, seed=1, volts=None):
    t = np.sort(3000 * np.random.default_rng(seed).weibull(shape, n))
    end = np.minimum(t, t[failures - 1])
    more = {} if volts is None else {"covariates": {"charge_V": [volts] * n}}
    return LifeRecords.of(
        end,
        np.where(t <= end, t, INF),
        slot=["igniter"] * n,
        module=[f"m{i}" for i in range(n)],
        **more,
    )


def infants():
    t = 5000 * np.random.default_rng(4).weibull(6.0, 14)
    t[:3] = 20.0, 45.0, 90.0
    return LifeRecords.of(t, t, slot=["igniter"] * 14)


def slot_of(r):
    return slot_data("igniter", r, Asked())


def test_no_draw_falls_and_no_weak_unit_is_drawn():
    d = ModuleModel([slot_of(run_of(1.5))], burned_in=True).draws.slots[0]
    assert d.shape.min() >= 0.97 and not np.isin(d.law, (0, 1, 2)).any()
    plain = ModuleModel([slot_of(run_of(1.5))]).draws.slots[0]
    assert plain.shape.min() < 0.9


def test_it_is_named_in_the_sentence():
    r = run_of(3.0, n=8, failures=3)
    for name in ("life", "module"):
        a, plain = asked(name, r, no_early_failures=True), asked(name, r)
        assert a.sentence.startswith("With early failures declared out (burned in): ")
        assert "burned_in" in {n.code for n in a.notes} and a.no_early_failures
        assert "declared" not in plain.sentence
    of_life = asked("life", r, no_early_failures=True).quantiles[0].lower
    assert of_life == pytest.approx(asked("module", r, no_early_failures=True).life.lower)


def test_with_a_constant_hazard_bounds_are_longer_as_a_rule():
    """Medians of 20 tests: a falling hazard is what keeps them short."""
    slots = [slot_of(run_of(1.0, n=10, failures=3, seed=s)) for s in range(20)]
    ratios = [
        ModuleModel([s], burned_in=True).promise(0.9, 0.95) / ModuleModel([s]).promise(0.9, 0.95)
        for s in slots
    ]
    assert np.median(ratios) > 1.1


def test_what_could_have_gone_unseen_is_not_said_where_it_is_declared_out():
    r = run_of(3.0, n=8, failures=3)
    assert "gone unseen" in asked("module", r).sentence
    assert "gone unseen" not in asked("module", r, no_early_failures=True).sentence


@pytest.mark.parametrize("name", ["life", "module"])
def test_early_failures_that_were_seen_refuse_it(name):
    with pytest.raises(CannotAnswer, match="early failures of the igniter were seen"):
        asked(name, infants(), no_early_failures=True)


def test_a_falling_hazard_refuses_it_by_the_odds():
    """Odds by direct sums: likelihood b^r prod t^(b-1) / (sum t^b)^r times gamma(r + 1/4)'s constant, a
    lognormal(1, 0.7) prior halved on each side of 1."""
    r = run_of(0.6, n=12, failures=12, seed=2)
    t = r.shots_good / 1000
    log = [12 * np.log(b) + (b - 1) * np.log(t).sum() - 12 * np.log((t**b).sum()) for b in SHAPES]
    prior = np.exp(-0.5 * (np.log(SHAPES) / 0.7) ** 2)
    low = SHAPES < 0.97
    weight = np.exp(np.array(log) - max(log)) * prior
    odds = (weight[low].sum() / prior[low].sum()) / (weight[~low].sum() / prior[~low].sum())
    assert falling_odds(fit_slot(slot_of(r), exposed(slot_of(r)), early=False)) == pytest.approx(
        odds
    )
    assert odds > FALLS
    with pytest.raises(CannotAnswer, match="no_early_failures is contradicted"):
        asked("module", r, no_early_failures=True)


def test_a_flight_and_a_derating_take_it():
    pool = run_of(2.0, n=12, failures=5, volts=1400.0)
    flown = LifeRecords.of(
        [100.0], module=["f"], slot=["igniter"], covariates={"charge_V": [1400.0]}
    )
    from reliability.records import join

    a = asked(
        "flight", join([pool, flown]), module="f", shots=100, brief=True, no_early_failures=True
    )
    assert a.sentence.startswith("With early failures declared out (burned in): Module f ")
    d = asked("derate", pool, shots=300, no_early_failures=True)
    assert d.sentence.startswith("With early failures declared out (burned in): Charge to at most ")


@pytest.mark.parametrize(
    ("name", "settings"),
    [
        ("life", {"family": "lognormal"}),
        ("life", {"bound": "likelihood"}),
        ("life", {"next": 3}),
        ("life", {"as_tested": True}),
        ("derate", {}),
        ("derate", {"shots": 300, "family": "lognormal"}),
        ("derate", {"shots": 300, "prior": "film"}),
    ],
)
def test_where_it_would_change_nothing_it_is_refused(name, settings):
    with pytest.raises(BadInput, match="no_early_failures has no effect"):
        asked(name, run_of(2.0, volts=1400.0), no_early_failures=True, **settings)
