"""Unknown causes: the sum over what may have failed, against a likelihood written out for scipy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize

from reliability.life.bounds import Bounder
from reliability.life.causes import fit_modes, fit_slots
from reliability.life.engine import fit_batch
from reliability.life.families import WEIBULL
from reliability.life.fit import fit_life
from reliability.life.masked_bounds import MaskedBounder, unknown_note
from reliability.life.targets import quantile_target
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from tests.test_exposure import step_test


def two_modes(seed, n=30, unknown=0.4, end=2500.0, inspect=0.0, partial=False):
    """Units with a short (shape 1.3) and a wear-out mode (shape 3); some modes not recorded."""
    rng = np.random.default_rng([14, 3, seed])
    t = np.column_stack((3000 * rng.weibull(1.3, n), 2200 * rng.weibull(3.0, n)))
    life, which = t.min(axis=1), t.argmin(axis=1)
    dead = life <= end
    names = np.array(["short", "wear"], object)[which]
    lost = rng.random(n) < unknown
    mode = np.where(lost, "short|wear" if partial else "unknown", names)
    good, failed = np.where(dead, life, end), np.where(dead, life, np.inf)
    if inspect:
        good = np.where(dead, np.floor(life / inspect) * inspect, end)
        failed = np.where(dead, good + inspect, np.inf)
    return LifeRecords.of(good, failed, mode=np.where(dead, mode, ""))


def direct_modes(r):
    """-log-likelihood in (ln eta, ln shape) of short, then of wear, in plain numpy."""
    dead = np.isfinite(r.shots_failed)
    exact = dead & (r.shots_good == r.shots_failed)
    may = np.array([r.mode != "wear", r.mode != "short"])

    def minus(theta):
        eta, shape = np.exp(theta[[0, 2]])[:, None], np.exp(theta[[1, 3]])[:, None]
        low = (r.shots_good / eta) ** shape
        rate = shape / eta * (np.where(exact, r.shots_good, 1.0) / eta) ** (shape - 1)
        found = -np.expm1(low - (np.where(dead, r.shots_failed, r.shots_good) / eta) ** shape)
        hazard = (np.where(exact, rate, found) * may).sum(axis=0)
        return low.sum() - np.log(hazard[dead]).sum()

    return lambda theta: minus(np.asarray(theta))


def theta_of(fit):
    out = []
    for f in fit.phi:
        out += [-f[1, 0] / f[0, 0] + fit.centre, np.log(f[0, 0])]
    return np.array(out)


def polished(minus, start):
    found = minimize(
        minus, start, method="Nelder-Mead", options={"maxiter": 6000, "xatol": 1e-8, "fatol": 1e-13}
    )
    again = minimize(minus, found.x, method="BFGS", options={"gtol": 1e-8})
    return again if again.fun < found.fun else found


@pytest.mark.parametrize("kind", [{}, {"inspect": 200.0}, {"partial": True}, {"unknown": 0.0}])
@pytest.mark.parametrize("seed", range(2))
def test_modes_equal_a_direct_likelihood(kind, seed):
    r = two_modes(seed, **kind)
    fit = fit_modes(r)
    assert [c.name for c in fit.causes] == ["short", "wear"]
    minus = direct_modes(r)
    assert -fit.loglik == pytest.approx(minus(theta_of(fit)), abs=1e-8)
    found = polished(minus, theta_of(fit) + 0.1)
    assert -fit.loglik <= found.fun + 1e-9
    assert -fit.loglik == pytest.approx(found.fun, abs=1e-6)
    np.testing.assert_allclose(theta_of(fit), found.x, atol=2e-5)
    assert sum(fit.failures) == pytest.approx(r.failures)


def test_no_unknown_mode_is_the_cause_specific_fit():
    r = two_modes(5, unknown=0.0)
    fit = fit_modes(r)
    for i, m in enumerate(("short", "wear")):
        one = fit_life(r.of_mode(m))
        f = fit.phi[i]
        assert 1 / f[0, 0] == pytest.approx(one.sigma, rel=1e-8)
        assert -f[1, 0] / f[0, 0] + fit.centre == pytest.approx(one.mu, abs=1e-8)


def suspects(seed, n=14):
    """Modules of two capacitors' slots; when the module stops, often nobody knows which it was."""
    rng = np.random.default_rng([14, 4, seed])
    rows = []
    for m in range(n):
        used = float(rng.integers(0, 2)) * 300.0  # the igniter may have run before
        t = 2000 * rng.weibull(2.0)
        s = 3000 * ((used / 3000) ** 1.2 - np.log(rng.random())) ** (1 / 1.2) - used
        stop = min(t, s, 2500.0)
        known = rng.random() < 0.5
        for slot, life, begun in (("main_capacitor", t, 0.0), ("igniter", s, used)):
            dead = stop < 2500 and (life == stop if known else True)
            event = "" if known or stop >= 2500 else "e"
            rows.append(
                (f"m{m}", slot, begun, begun + stop, begun + stop if dead else np.inf, event)
            )
    return LifeRecords.of(
        [r[3] for r in rows], [r[4] for r in rows], shots_from=[r[2] for r in rows], module=[r[0] for r in rows],
        slot=[r[1] for r in rows], unit=["u"] * len(rows), builder=["kite"] * len(rows), event=[r[5] for r in rows],
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(2))
def test_suspects_equal_a_direct_likelihood(seed):
    r = suspects(seed)
    fit = fit_slots(r)
    assert [c.name for c in fit.causes] == ["main_capacitor", "igniter"]

    def minus(theta):
        d = {
            "main_capacitor": stats.weibull_min(np.exp(theta[1]), scale=np.exp(theta[0])),
            "igniter": stats.weibull_min(np.exp(theta[3]), scale=np.exp(theta[2])),
        }
        total, hazards = 0.0, {}
        for i in range(len(r)):
            x, t = d[r.slot[i]], r.shots_good[i]
            total += x.logsf(t) - x.logsf(r.shots_from[i])
            hazard = x.pdf(t) / x.sf(t)
            if r.event[i]:
                hazards[r.module[i]] = hazards.get(r.module[i], 0.0) + hazard
            elif r.failed[i]:
                total += np.log(hazard)
        return -(total + sum(np.log(h) for h in hazards.values()))

    assert -fit.loglik == pytest.approx(minus(theta_of(fit)), abs=1e-8)
    found = polished(minus, theta_of(fit) - 0.1)
    assert -fit.loglik <= found.fun + 1e-9
    np.testing.assert_allclose(theta_of(fit), found.x, atol=2e-5)
    # each event is one failure, shared among its suspects
    stopped = len({r.module[i] for i in range(len(r)) if r.failed[i]})
    assert sum(fit.failures) == pytest.approx(stopped)
    assert fit.unknown == len({r.module[i] for i in range(len(r)) if r.event[i]})


def test_a_cause_that_nothing_fixes_is_named():
    r = LifeRecords.of([100, 200, 300, 150], [100, 200, 300, 150], mode=["a", "a", "a|b", "a"])
    with pytest.raises(CannotAnswer, match="b"):
        fit_modes(r)
    with pytest.raises(CannotAnswer, match="known mode"):
        fit_modes(LifeRecords.of([100, 200], [100, 200]))


def test_bounds_of_known_causes_are_those_of_the_cause_alone_and_unknown_ones_widen_them():
    whole, part = two_modes(7, unknown=0.0), two_modes(7, unknown=0.5)
    target = quantile_target(WEIBULL, 0.1)
    fits = [fit_modes(r) for r in (whole, part)]
    assert fits[0].widening(0, target) == pytest.approx(1.0) and not unknown_note(fits[0], 0)
    assert fits[1].widening(0, target) > 1.0  # information that is missing
    assert "times what it would be" in unknown_note(fits[1], 0)[0].text
    own = whole.of_mode("short")
    alone = Bounder(own, fit_life(own), effort=0.02).quantile(0.1)
    joint = MaskedBounder(fits[0], 0, effort=0.02).quantile(0.1)
    assert joint.lower == pytest.approx(alone.lower, rel=1e-3)
    assert joint.upper == pytest.approx(alone.upper, rel=1e-3)


def test_the_complete_sample_has_its_maximum_where_the_joint_fit_has():
    fit = fit_modes(two_modes(3))
    for i in range(2):
        again = fit_batch(WEIBULL, fit.complete_sample(i), tol=1e-15)
        np.testing.assert_allclose(again.phi, fit.phi[i], rtol=1e-6)


def test_the_root_of_the_profile_is_that_of_a_direct_one():
    r = two_modes(1)
    fit = fit_modes(r)
    b = MaskedBounder(fit, 0, method="likelihood")
    low = b.quantile(0.1).lower
    minus = direct_modes(r)

    def under(theta):  # ln eta of shorts such that their 10 % life is the bound
        shape = np.exp(theta[0])
        return minus([np.log(low) - np.log(-np.log(0.9)) / shape, theta[0], theta[1], theta[2]])

    found = minimize(
        under,
        theta_of(fit)[1:],
        method="Nelder-Mead",
        options={"maxiter": 3000, "xatol": 1e-8, "fatol": 1e-12},
    )
    assert np.sqrt(2 * (found.fun + fit.loglik)) == pytest.approx(1.645, abs=1e-3)


def test_modes_with_stretches_and_stress_and_shapes_held():
    """Steps of voltage, modes half unknown: one likelihood with both; and a shape that is held stays."""
    steps = step_test(np.random.default_rng(2), n=30)
    rng = np.random.default_rng(3)
    mode = np.where(steps.failed, rng.choice(["short", "wear", "unknown"], len(steps)), "")
    r = replace(steps, mode=mode)
    x = np.log(r.covariates["charge_V"] / 1400.0)[:, None]
    fit = fit_modes(r, x=x)
    assert sum(fit.failures) == pytest.approx(r.failures)
    # the hazards of both add up to the likelihood of the unit whatever the mode
    h = 1e-5
    theta = fit.model.theta(fit.phi)
    _, grad, curv, _ = fit.model.value(theta)
    assert np.abs(grad).max() < 1e-4
    for i in range(theta.size):
        e = h * np.eye(theta.size)[i]
        up, down = fit.model.value(theta + e), fit.model.value(theta - e)
        assert (up[0] - down[0]) / (2 * h) == pytest.approx(grad[i], abs=1e-4)
        np.testing.assert_allclose((up[1] - down[1]) / (2 * h), curv[i], rtol=1e-4, atol=1e-3)
    held = fit_modes(r, shapes={"wear": 3.0}, x=x)
    assert held.phi[1][0, 0] == 3.0 and held.loglik <= fit.loglik + 1e-9
    b = MaskedBounder(fit, 0, effort=0.01).quantile(0.1, (float(np.log(1300 / 1400)),))
    assert 0 < b.lower < b.estimate < b.upper
