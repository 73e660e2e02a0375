"""Many groups at once: one pass over the rows gives what a column for each group gives.

The outside reference is a likelihood written down anew and climbed by a general optimiser (scipy).
"""

import numpy as np
import pytest
from scipy.optimize import minimize

from reliability.decisions.builders import Builders, builders
from reliability.life import apart
from reliability.life.apart import ByGroup
from reliability.life.engine import fit_batch
from reliability.life.families import family
from reliability.life.groups import kinds_of_units, unit_labels
from reliability.life.sample import sample_of
from reliability.life.units import units_of
from reliability.records import LifeRecords

GROUPS = 6


def bench_of(seed, each=8, groups=GROUPS, spread=0.4):
    """Lives of groups that differ: exact, still good, between inspections, some with late entry."""
    rng = np.random.default_rng(seed)
    n = each * groups
    group = np.repeat(np.arange(groups), each)
    x = rng.normal(size=(n, 1))
    life = (
        1000 * np.exp(spread * rng.normal(size=groups)[group] - 0.8 * x[:, 0]) * rng.weibull(2, n)
    )
    end, inspected = 1500.0, rng.random(n) < 0.3
    start = np.where(rng.random(n) < 0.2, 0.3 * np.minimum(life, end), 0.0)
    good = np.minimum(life, end)
    failed = np.where(life <= end, life, np.inf)
    between = inspected & np.isfinite(failed)
    good = np.where(between, np.maximum(0.7 * life, start), good)
    failed = np.where(between, 1.2 * life, failed)
    names = [f"g{i}" for i in group]
    return LifeRecords.of(good, failed, shots_from=start, builder=names), x, group


def by_group(records, x, fam):
    units = units_of(records, x)
    sample = sample_of(records, x)
    fit = fit_batch(fam, sample, tol=1e-12)
    labels = np.array([int(v[1:]) for v in unit_labels(units, records.builder)])
    return ByGroup(fam, sample, kinds_of_units(units), labels, fit)


def log_survival(w, name):
    return -np.exp(w) if name != "loglogistic" else -np.logaddexp(0, w)


def direct(records, x, columns, name):
    """Largest log-likelihood (in log counts) of log life = column effects + sigma W, by a general optimiser."""
    r, design = records, np.column_stack((np.ones(len(records)), x, columns))
    exact, right = r.shots_failed == r.shots_good, np.isinf(r.shots_failed)
    fixed = name == "exponential"

    def minus(theta):
        beta = 1.0 if fixed else np.exp(theta[0])
        at = design @ theta[1:]
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            low, high = (beta * (np.log(v) - at) for v in (r.shots_good, r.shots_failed))
            entry = beta * (np.log(r.shots_from) - at)
            density = np.log(beta) + (
                low - np.exp(low) if name != "loglogistic" else low - 2 * np.logaddexp(0, low)
            )
            inside = np.log(
                np.exp(log_survival(low, name))
                - np.exp(np.where(right, -np.inf, log_survival(high, name)))
            )
            each = np.where(exact, density, np.where(right, log_survival(low, name), inside))
            each = each - np.where(r.shots_from > 0, log_survival(entry, name), 0.0)
        return -np.nan_to_num(each.sum(), nan=-1e9, neginf=-1e9)

    start = np.zeros(1 + design.shape[1])
    start[1] = np.log(1000.0)
    return -minimize(minus, start, method="BFGS", options={"gtol": 1e-8}).fun


@pytest.mark.parametrize("name", ["weibull", "exponential", "loglogistic"])
@pytest.mark.parametrize("seed", range(3))
def test_gains_equal_a_direct_likelihood(name, seed):
    """A location for each group, and one for one group, against columns of zeros and ones in scipy."""
    records, x, group = bench_of(seed)
    view = by_group(records, x, family(name))
    none = direct(records, x, np.empty((len(group), 0)), name)
    each = direct(records, x, (group[:, None] == np.arange(1, GROUPS)).astype(float), name)
    assert view.gain_of_all()[0] == pytest.approx(2 * (each - none), abs=1e-6)
    for g in (0, 3):
        one = direct(records, x, (group == g).astype(float)[:, None], name)
        assert not view.is_small(g)
        assert view.gain(g)[0] == pytest.approx(2 * (one - none), abs=1e-6)


@pytest.mark.parametrize("name", ["weibull", "lognormal"])
def test_small_groups_against_the_exact_fit(name, monkeypatch):
    """The rest held by its expansion: gains and lives as the exact fits have them, to what a reader sees."""
    records, x, _ = bench_of(11, each=10, groups=60)
    view = by_group(records, x, family(name))
    assert all(view.is_small(g) for g in range(60))
    quick = [(view.gain(g)[0], view.without(g)[:, 0]) for g in range(60)]
    monkeypatch.setattr(apart, "SMALL", 0.0)
    exact = [(view.gain(g)[0], view.without(g)[:, 0]) for g in range(60)]
    for (gain, phi), (true_gain, true_phi) in zip(quick, exact, strict=True):
        assert gain == pytest.approx(true_gain, rel=0.02, abs=0.01)
        # log life of the rest: the expansion is off by a part of what the group moves it by
        moved = abs(-true_phi[1] / true_phi[0] + view.fit.phi[1, 0] / view.fit.phi[0, 0])
        assert abs(phi[1] / phi[0] - true_phi[1] / true_phi[0]) < 2e-4 + 0.05 * moved


def test_leaving_a_group_out_is_the_fit_of_the_others():
    records, x, group = bench_of(5)
    fam = family("weibull")
    view = by_group(records, x, fam)
    rest = group != 2
    sample = sample_of(records.select(rest), x[rest], view.sample.centre)
    assert view.without(2)[:, 0] == pytest.approx(
        fit_batch(fam, sample, tol=1e-12).phi[:, 0], rel=1e-7
    )


def test_a_group_without_failure_or_without_rows_gains_what_it_can():
    """All good: its location runs off and the gain is what its survival had cost. No shots: no gain."""
    records, x, group = bench_of(3)
    good = np.where(group == 1, 800.0, records.shots_good)
    failed = np.where(group == 1, np.inf, records.shots_failed)
    start = np.where(group == 1, 0.0, records.shots_from)
    good, start = np.where(group == 4, 0.0, good), np.where(group == 4, 0.0, start)
    failed = np.where(group == 4, np.inf, failed)
    r = LifeRecords.of(good, failed, shots_from=start, builder=records.builder.tolist())
    view = by_group(r, x, family("weibull"))
    phi, c = view.fit.phi[:, 0], view.sample.centre
    w = phi[0] * (np.log(800.0) - c) + phi[1] + x[group == 1, 0] * phi[2]
    assert view.gain(1)[0] >= 2 * np.exp(w).sum()  # the others move a little too
    assert view.gain(4)[0] == 0.0
    assert np.isfinite(view.gain_of_all()[0])


def test_hundreds_of_builders_are_compared():
    """300 builders, one with a third of the life: it is named, few others are, curves are of a dozen."""
    rng = np.random.default_rng(8)
    names = [f"b{i:03d}" for i in range(300) for _ in range(20)]
    factor = np.where(np.array(names) == "b007", 0.33, 1.0)
    life = 4000 * factor * rng.weibull(2, len(names))
    good = np.minimum(life, 4500)
    a = builders(
        LifeRecords.of(good, np.where(life <= 4500, good, np.inf), builder=names), Builders()
    )
    found = [b.builder for b in a.builders if b.differs]
    assert "b007" in found and len(found) <= 3
    assert sum(bool(b.empirical) for b in a.builders) == 12
    assert any(n.code == "large_sample" for n in a.notes)
    assert all(b.without_shots == pytest.approx(a.pool_shots, rel=0.02) for b in a.builders)
