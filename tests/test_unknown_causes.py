"""Unknown modes and suspects in the answers of life and modes; shares against the joint fit itself."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from reliability.decisions.derating import Derate
from reliability.decisions.life import Life
from reliability.decisions.modes import Modes
from reliability.decisions.module import Module
from reliability.life.causes import fit_modes, fit_slots
from reliability.life.fit import fit_life
from reliability.notes import BadInput
from reliability.pool import Pool
from reliability.records import LifeRecords
from tests.benchmarks.masked import at_voltages
from tests.test_masked import two_modes
from tests.test_suspects import modules


def codes(answer):
    return [n.code for n in answer.notes]


def test_life_of_a_mode_is_the_joint_fit_not_the_censored_one():
    r = two_modes(1, n=60)
    a = Life(mode="wear", bound="likelihood").answer(Pool(r))
    fit = fit_modes(r)
    assert a.shape == pytest.approx(fit.phi[fit.index("wear")][0, 0])
    assert a.quantiles[0].shots < fit_life(r.of_mode("wear")).quantile(0.1)
    assert "unknown_cause" in codes(a) and "of unknown cause" in a.notes[0].text
    assert a.failed == fit.known[fit.index("wear")]
    assert 0 < a.empirical[-1].survival < 1


def test_all_known_is_the_usual_answer():
    r = two_modes(2, unknown=0.0)
    a = Life(mode="short", bound="likelihood").answer(Pool(r))
    assert a.shape == pytest.approx(fit_life(r.of_mode("short")).shape)
    assert "unknown_cause" not in codes(a)


def test_a_set_of_modes_names_its_members():
    r = two_modes(3, partial=True)
    a = Life(mode="short", bound="likelihood").answer(Pool(r))
    assert "unknown_cause" in codes(a)
    with pytest.raises(BadInput, match="there are: short, wear"):
        Life(mode="short|wear").answer(Pool(r))
    found = Modes().answer(Pool(r))
    assert "short|wear" in [m.mode for m in found.modes] and "(one of 2 modes)" in found.sentence


def test_modes_share_out_what_is_unknown():
    r = two_modes(4, n=60)
    a = Modes().answer(Pool(r))
    fit = fit_modes(r)
    rows = {m.mode: m for m in a.modes}
    assert set(rows) == {"short", "wear", "unknown"}
    assert sum(m.failed for m in a.modes) == a.failed
    for name in ("short", "wear"):
        assert rows[name].shape == pytest.approx(fit.phi[fit.index(name)][0, 0])
    # all that failed is shared out: the shares add up to the product-limit curve's fall
    dead = r.failures / r.units
    assert rows["short"].incidence + rows["wear"].incidence == pytest.approx(dead, abs=1e-6)
    assert np.isnan(rows["unknown"].incidence) and rows["unknown"].shares == ()
    with pytest.raises(BadInput, match="wald"):
        Modes(bound="wald").answer(Pool(r))


def test_only_unknown_modes_stand_by_themselves():
    r = two_modes(5, unknown=1.0)
    a = Modes().answer(Pool(r))
    assert [m.mode for m in a.modes] == ["unknown"] and a.modes[0].incidence > 0
    with pytest.raises(BadInput, match="there are: none"):
        Life(mode="short").answer(Pool(r))


def test_life_of_a_slot_with_suspects_is_the_joint_fit_of_the_slots():
    r = modules(6, n=40)
    a = Life(slot=("main_capacitor",), bound="likelihood").answer(Pool(r))
    fit = fit_slots(r)
    i = fit.index("main_capacitor")
    assert a.shape == pytest.approx(fit.phi[i][0, 0])
    own = r.select(r.slot == "main_capacitor")
    failed = fit_life(own).quantile(0.5)  # every suspect taken for the one: too short
    assert np.log(2) ** a.sigma * a.scale > failed
    assert "main_capacitor, switch" in next(n.text for n in a.notes if n.code == "unknown_cause")


def test_what_cannot_be_shared_out_is_counted_on_the_safe_side_and_said():
    r = modules(7, n=12)
    own = r.select(r.slot == "main_capacitor")
    a = Life(bound="likelihood").answer(Pool(own))
    assert "unknown_counted" in codes(a)
    assert a.shape == pytest.approx(fit_life(own).shape)


def test_units_that_looked_bad_count_as_failed_and_the_other_reading_stands_beside_it():
    good = [900, 1200, 1500, 1600, 2000, 2000]
    r = LifeRecords.of(
        good, [900, 1200, 1500, np.inf, np.inf, np.inf], slot=["igniter"] * 6, removed=["", "", "", "suspect", "", ""],
        module=[f"m{i}" for i in range(6)],
    )  # fmt: skip
    a = Life(bound="likelihood").answer(Pool(r))
    assert a.failed == 4
    note = next(n.text for n in a.notes if n.code == "looked_bad")
    other = fit_life(r).quantile(0.1)
    assert f"{other:,.0f}"[:3] in note and "safe side" in note


@pytest.mark.parametrize(
    "question", [Module(as_tested=True), Derate(shots=300), Life(use=("charge_V=1200",)), Modes()]
)
def test_every_answer_says_which_units_count_as_failed_because_they_looked_bad(question):
    rng = np.random.default_rng(14)
    volts = np.repeat([1200.0, 1400.0, 1600.0], 6)
    t = 2000.0 * (volts / 1400.0) ** -6 * rng.weibull(2.0, 18)
    bad = np.arange(18) % 6 == 5
    r = LifeRecords.of(
        t, np.where(bad, np.inf, t), slot=["main_capacitor"] * 18, mode=np.where(bad, "", "short"),
        removed=np.where(bad, "suspect", ""), covariates={"charge_V": volts},
    )  # fmt: skip
    said = [n.text for n in question.answer(Pool(r)).notes if n.code == "looked_bad"]
    assert len(said) == 1 and said[0].startswith(
        "3 units taken out because they looked bad count as failed"
    )
    good = question.answer(Pool(replace(r, removed=np.full(18, "", object))))
    assert "looked_bad" not in codes(good)


def direct_at_voltages(r):
    """-log-likelihood of shorts and wear-out, each with a power law of the voltage: plain numpy, in
    (ln scale at 1,400 V, exponent, ln shape) of both; failures of unknown mode add both hazards."""
    t, x = r.shots_good, np.log(r.covariates["charge_V"] / 1400.0)

    def minus(theta):
        total, hazard = np.zeros(t.size), {}
        for name, (mu, e, shape) in zip(("short", "wear"), theta.reshape(2, 3), strict=True):
            b = np.exp(shape)
            z = np.log(t) - mu + e * x
            total += np.exp(b * z)
            hazard[name] = b / t * np.exp(b * z)
        either = np.log(hazard["short"] + hazard["wear"])
        known = np.where(r.mode == "short", np.log(hazard["short"]), np.log(hazard["wear"]))
        return float((total - r.failed * np.where(r.mode == "unknown", either, known)).sum())

    return minus


def test_life_of_a_mode_at_a_voltage_sums_over_what_unknown_failures_may_have_been():
    r = at_voltages(3, unknown=0.4, n=300)
    minus = direct_at_voltages(r)
    start = np.array([np.log(3000), 6, 0.2, np.log(2000), 6, 1.0])
    found = minimize(minus, start, method="Nelder-Mead", options={"maxiter": 9000, "maxfev": 9000})
    for k, mode in enumerate(("short", "wear")):
        mu, e, shape = found.x[3 * k : 3 * k + 3]
        direct = np.exp(mu - e * np.log(1200 / 1400)) * (-np.log(0.9)) ** np.exp(-shape)
        a = Life(mode=mode, use=("charge_V=1200",)).answer(Pool(r))
        # priors and their mean against the maximum: near each other with 200 failures
        assert a.quantiles[0].shots == pytest.approx(direct, rel=0.12)
        assert a.quantiles[0].lower < direct < a.quantiles[0].upper
        assert a.failed == (r.mode == mode).sum()
        counted = replace(r, mode=np.where(r.mode == "unknown", mode, r.mode))
        safe = Life(mode=mode, use=("charge_V=1200",)).answer(Pool(counted))
        assert safe.quantiles[0].shots < a.quantiles[0].shots
        assert a.unclear == (r.mode == "unknown").sum()
        assert f"{a.unclear} more of unknown cause" in a.sentence
        text = next(n.text for n in a.notes if n.code == "unknown_cause")
        assert f"{(r.mode == 'unknown').sum()} failures of unknown cause" in text


def test_life_at_a_voltage_sums_over_suspects_in_other_slots():
    r = modules(6, n=40)
    volts = np.repeat(np.where(np.arange(40) % 2, 1300.0, 1400.0), 2)
    r = replace(r, covariates={"charge_V": volts})
    own = r.slot == "main_capacitor"
    hidden = int((r.event[own] != "").sum())
    point = ("charge_V=1400",)
    a = Life(slot=("main_capacitor",), use=point).answer(Pool(r))
    alone = Life(use=point).answer(Pool(r.select(own)))
    assert a.quantiles[0].shots > alone.quantiles[0].shots
    assert "unknown_cause" in codes(a) and "unknown_counted" not in codes(a)
    said = next(n.text for n in alone.notes if n.code == "unknown_counted")
    assert said.startswith(f"{hidden} failures with suspects count as failed by this slot")


def test_modes_and_modules_say_what_voltages_and_unknown_modes_do():
    r = at_voltages(4, unknown=0.4)
    assert "stress_mixed" in codes(Modes().answer(Pool(r)))
    text = next(n.text for n in Module().answer(Pool(r)).notes if n.code == "unknown_cause")
    hidden = (r.mode == "unknown").sum()
    assert (
        text.startswith(f"{hidden} failures of unknown mode")
        and "not knowing which" in text.lower()
    )


def test_two_suspects_of_one_slot_are_one_failure():
    """A bank of two capacitors, one of which shorted: the slot surely failed, once. Direct likelihood in scipy."""
    rng = np.random.default_rng(4)
    t, suspects, n = [], [], 14
    for m in range(n):
        life = 1500 * rng.weibull(1.8, 2)
        at = min(life.min(), 2500.0)
        hidden, dead = m % 2 == 1, life.min() < 2500
        t += [at, at]
        suspects += [(dead and (hidden or x == life.min()), hidden and dead) for x in life]
    t = np.array(t)
    dead, hidden = np.array(suspects).T
    r = LifeRecords.of(
        t, np.where(dead, t, np.inf), slot=["main_capacitor"] * 2 * n, module=[f"m{i // 2}" for i in range(2 * n)],
        unit=["a", "b"] * n, builder=["k"] * 2 * n, event=np.where(hidden, "e", ""), mode=np.where(dead, "short", ""),
    )  # fmt: skip
    a = Life(bound="likelihood").answer(Pool(r))

    def minus(theta):
        z = np.exp(theta[1]) * (np.log(t) - theta[0])
        # of two suspects with the same count either term stands for the failure
        once = dead / np.where(hidden, 2, 1)
        return np.exp(z).sum() - (once * (theta[1] - np.log(t) + z)).sum()

    found = minimize(
        minus, [7.0, 0.5], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}
    )
    assert (np.log(a.scale), np.log(a.shape)) == pytest.approx(tuple(found.x), abs=1e-5)
    assert a.failed == r.failures == n and a.unclear == 0
    assert "counted once each" in next(x.text for x in a.notes if x.code == "unknown_cause")
