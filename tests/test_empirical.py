"""Curves without a family against R survival, Turnbull's table, lifelines, and direct maximisation."""

import csv
from pathlib import Path

import numpy as np
import pytest

from reliability.life.empirical import empirical_curve, kaplan_meier, turnbull
from reliability.life.self_consistent import _loglik, innermost, masses
from reliability.records import LifeRecords

REFERENCE = Path(__file__).parent / "reference"


def test_doubly_censored_table_of_turnbull_1974():
    """Turnbull (1974, JASA 69, 169-173): 0.538, 0.295, 0.210, 0.095, as quoted in the tests of R's
    survival package."""
    deaths, losses, late = (12, 6, 2, 3), (3, 2, 0, 3), (2, 4, 2, 5)
    rows = []
    for t, d, c, e in zip((1, 2, 3, 4), deaths, losses, late):
        rows += [(t, t, d), (t, np.inf, c), (0, t, e)]
    good, failed, count = np.array([r for r in rows if r[2]], dtype=float).T
    curve = turnbull(LifeRecords.of(good, failed, count=count))
    assert curve.shots.tolist() == [1, 2, 3, 4]
    assert curve.survival.round(3).tolist() == [0.538, 0.295, 0.210, 0.095]


def sets():
    """The committed sets with ties, as records, and what R's survfit says of them."""
    found = {}
    with open(REFERENCE / "tied_intervals.csv") as f:
        for row in csv.DictReader(f):
            found.setdefault(row["set"], ([], []))[0].append(
                (float(row["good"]), float(row["failed"] or "inf"), float(row["count"]))
            )
    with open(REFERENCE / "tied_intervals_results.csv") as f:
        for row in csv.DictReader(f):
            found[row["set"]][1].append((float(row["shots"]), float(row["survival"])))
    return [(np.array(a).T, np.array(b).T) for a, b in found.values()]


def test_tied_intervals_as_survfit():
    """R survival 3.5-3, survfit on 50 seeded sets (tests/reference/tied_intervals.R)."""
    cases = sets()
    assert len(cases) == 50
    for (good, failed, count), (shots, survival) in cases:
        records = LifeRecords.of(good, failed, count=count)
        cells, seen = innermost(records)
        p = masses(seen, cells.left.size)
        ours = [1 - p[cells.right <= v].sum() for v in shots]
        np.testing.assert_allclose(ours, survival, atol=1e-7)


def test_stopped_good_at_a_count_takes_no_mass_that_fails_at_it():
    """Good at 10 says nothing about (5, 10]: half of four units failed by 10, by counting."""
    curve = turnbull(LifeRecords.of([5, 5, 10, 10], [10, 10, np.inf, np.inf]))
    assert curve.survival.tolist() == pytest.approx([0.5])


@pytest.mark.parametrize("seed", range(5))
def test_no_other_masses_are_likelier(seed):
    """Against scipy's general maximiser on continuous intervals with late entry."""
    from scipy.optimize import minimize
    from scipy.special import softmax

    g = np.random.default_rng(seed)
    life = 10 * g.weibull(2, 15)
    step = g.uniform(2, 5, 15)
    good = step * np.floor(life / step)
    failed = np.where(g.random(15) < 0.3, np.inf, good + step)
    begun = np.where(g.random(15) < 0.4, 0.5 * good, 0.0)
    cells, seen = innermost(LifeRecords.of(good, failed, shots_from=begun))
    m = cells.left.size
    ours = _loglik(seen, masses(seen, m))
    free = minimize(lambda x: -_loglik(seen, softmax(x)), np.zeros(m), method="BFGS")
    assert ours >= -free.fun - 1e-6


def test_many_exact_and_interval_lives_meet_the_conditions_of_a_maximum():
    """Gentleman & Geyer (1994, Biometrika 81, 618-623): no cell gains from more mass."""
    from reliability.life.self_consistent import _slopes

    g = np.random.default_rng(4)
    n = 2000
    life = 1000 * g.weibull(2, n)
    step = g.uniform(100, 300, n)
    good = step * np.floor(life / step)
    exact = g.random(n) < 0.5
    records = LifeRecords.of(np.where(exact, life, good), np.where(exact, life, good + step))
    cells, seen = innermost(records)
    up, down = _slopes(seen, masses(seen, cells.left.size))
    assert (up - down).max() < 1e-3 * n


def test_kaplan_meier_with_late_entry_ties_and_counts_by_hand():
    """Klein & Moeschberger (2003), section 4.6: at risk are those entered before and not gone."""
    records = LifeRecords.of(
        [2, 4, 4, 6, 6],
        [2, 4, np.inf, 6, np.inf],
        shots_from=[0, 0, 0, 2, 4],
        count=[1, 2, 1, 1, 3],
    )
    curve = kaplan_meier(records)
    assert curve.at_risk.tolist() == [4, 4, 4]
    assert curve.survival.tolist() == pytest.approx([3 / 4, 3 / 8, 9 / 32])
    assert empirical_curve(records).method == "kaplan_meier"


@pytest.mark.parametrize("seed", range(10))
def test_exact_lives_with_late_entry_are_the_product_limit(seed):
    """Turnbull's estimate of exact lives is Kaplan-Meier's (here lifelines'), also where all units then
    watched have failed and others enter later."""
    g = np.random.default_rng(seed)
    life = np.ceil(10 * g.weibull(2, 12)) + 1
    begun = np.where(g.random(12) < 0.7, np.floor(life * g.random(12) * 0.99), 0.0)
    records = LifeRecords.of(life, np.where(g.random(12) < 0.3, np.inf, life), shots_from=begun)
    km, ours = kaplan_meier(records), turnbull(records)
    at = np.searchsorted(ours.shots, km.shots, side="right")
    np.testing.assert_allclose(np.append(1.0, ours.survival)[at], km.survival, atol=1e-6)


def test_log_rank_and_incidence_where_lifelines_can():
    """lifelines: log-rank without late entry, cumulative incidence without ties."""
    from lifelines import AalenJohansenFitter
    from lifelines.statistics import multivariate_logrank_test

    from reliability.life.incidence import cumulative_incidence
    from reliability.life.logrank import log_rank

    g = np.random.default_rng(8)
    life, stop = 10 * g.weibull(2, 40), g.uniform(2, 20, 40)
    t, dead = np.minimum(life, stop), life <= stop
    begun, count = t * g.random(40) * (g.random(40) < 0.5), g.integers(1, 4, 40)
    cause = np.where(dead, g.integers(1, 3, 40), 0)
    mode = np.array(["", "short", "open"], dtype=object)[cause]
    known = {"count": count, "mode": mode}
    curve = cumulative_incidence(
        LifeRecords.of(t, np.where(dead, t, np.inf), shots_from=begun, **known)
    )
    theirs = AalenJohansenFitter().fit(t, cause, 1, entry=begun, weights=count)
    at = theirs.cumulative_density_.iloc[:, 0]
    expected = [at[at.index <= v].iloc[-1] for v in curve.shots]
    np.testing.assert_allclose(curve.by_mode["short"], expected, atol=1e-12)
    group = np.array(["a", "b"], dtype=object)[g.integers(0, 2, 40)]
    ours = log_rank(LifeRecords.of(t, np.where(dead, t, np.inf), **known), group)
    test = multivariate_logrank_test(t, group, dead, weights=count)
    assert ours.chi_square == pytest.approx(test.test_statistic, rel=1e-9)


def test_a_curve_at_nothing_stays_there_whoever_enters_later():
    """Found by hypothesis: all on test failed before the next unit entered (Kaplan & Meier 1958: S = 0)."""
    r = LifeRecords.of([1.0, 1.0, 4.0], [1.0, 1.0, 4.0], shots_from=[0.0, 0.0, 1.2])
    c = kaplan_meier(r)
    assert c.shots.tolist() == [1.0] and c.survival.tolist() == [0.0]
    later = LifeRecords.of([1.0, 1.0, 4.0], [1.0, np.inf, 4.0], shots_from=[0.0, 0.0, 0.5])
    assert kaplan_meier(later).survival.tolist() == pytest.approx([2 / 3, 0.0])
