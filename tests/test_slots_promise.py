"""The promise engine against bounds known from elsewhere, and what must never turn round."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from reliability.life.families import family
from reliability.life.fit import fit_life
from reliability.life.quadrature import plane
from reliability.life.targets import LogQuantile
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords, join
from reliability.sheets.life import read_life
from reliability.slots.cells import Cells, Penalty
from reliability.slots.exposure import Units, module_clocks
from reliability.slots.model import Choices, Point, commonest_point, flight_module, fresh_module
from reliability.slots.promise import Ask, allowed, carried_span, promise, survival
from reliability.slots.worth import one_more_test

DEMO = Path(__file__).parent.parent / "datasets" / "demo"
FAST, QUICK = Ask(draws=100), Ask(draws=60)


def rig(slots, modules, failures=(), end=1000.0):
    """Modules of equal slots run to ``end``; ``failures`` are (slot, module, shots), swapped there."""
    rows = []
    dead = {(s, m): y for s, m, y in failures}
    for s in slots:
        for m in range(modules):
            y = dead.get((s, m))
            if y is not None:
                rows += [(s, f"m{m}", y, y), (s, f"m{m}", end - y, np.inf)]
            else:
                rows.append((s, f"m{m}", end, np.inf))
    slot, module, good, failed = zip(*rows)
    return LifeRecords.of(good, failed, slot=slot, module=module)


def community(seed, extra=False):
    rng = np.random.default_rng(seed)
    rows = []
    names = ("main_capacitor", "igniter", "switch")[: int(rng.integers(1, 4))]
    for j, name in enumerate(names):
        shape, scale = np.exp(rng.uniform(np.log(0.8), np.log(4))), np.exp(rng.uniform(8, 10.3))
        for m in range(6):
            volts = (1300.0, 1500.0)[m % 2]
            a = scale * (volts / 1300) ** (-7.0 if j == 0 else 0.0)
            end, y = rng.uniform(2000, 6000), a * rng.exponential() ** (1 / shape)
            rows.append((f"m{m}", name, min(y, end), y if y <= end else np.inf, volts))
    module, slot, good, failed, v = zip(*rows)
    return LifeRecords.of(
        good, failed, module=module, slot=slot, part=["p"] * len(rows), covariates={"charge_V": v}
    )  # fmt: skip


@pytest.mark.parametrize("failures", [0, 1, 2, 3, 5])
def test_exponential_slots_of_equal_exposure_have_the_chi_square_bound(failures):
    """chi2(C; 2r+2)/2T: NIST/SEMATECH e-Handbook 8.4.5.1 and 8.3.1; each of three slots ran T = 10,000."""
    dead = [("abc"[i % 3], i, 100.0 + 50 * i) for i in range(failures)]
    m = fresh_module(rig("abc", 10, dead), Point(), Choices(fixed_shape=1.0))
    p = promise(m, Ask())
    rate = chi2.ppf(0.95, 2 * failures + 2) / (2 * 10_000)
    assert p.shots == pytest.approx(-np.log(0.9) / rate, rel=0.02)
    assert survival(m, [p.shots], Ask())[0].lower == pytest.approx(0.9, abs=1e-6)


def test_no_failure_at_all_is_the_success_run():
    """At the tested count: survival at least 0.05^(1/n) (success run, ln(1-C)/ln R; MIL-HDBK-781 practice).

    Several slots that never failed do not add up: the least tried one bounds what they may hide.
    """
    m = fresh_module(rig("ab", 20), Point(), Choices(shape=None))
    s = survival(m, [1000.0], Ask())[0]
    assert s.lower == pytest.approx(0.05 ** (1 / 20), rel=0.01)


@pytest.mark.parametrize("n", [4, 8, 15])
def test_one_slot_tested_to_the_end_has_the_exact_conditional_bound(n):
    """Lawless (2003) sec. 5.1, by the quadrature of life/, itself checked against published tables."""
    y = 900 * np.random.default_rng(n).weibull(2.0, n)
    r = LifeRecords.of(y, y, slot=["a"] * n)
    fit = fit_life(r, "weibull")
    pl = plane(family("weibull"), fit.sample, fit.phi)
    z = float(np.log(-np.log(0.9)))
    v = pl.quantile(LogQuantile(z), 0.05, 0.0, 1.0)
    p = promise(fresh_module(r, Point()), Ask())
    if not fresh_module(r, Point()).misfit:
        assert p.shots == pytest.approx(np.exp(v + fit.sample.centre), rel=0.02)


def test_simulated_cut_comes_near_the_exact_bound(monkeypatch):
    """Without the exact path, at 15 failures: within 15 % of it (the shape penalty is left in)."""
    from reliability.slots import promise as module

    y = 900 * np.random.default_rng(3).weibull(2.0, 15)
    m = fresh_module(LifeRecords.of(y, y, slot=["a"] * 15), Point())
    exact = promise(m, Ask()).shots
    monkeypatch.setattr(module, "conditional_of", lambda m: None)
    simulated = module._promise(m, Ask(draws=2000))
    assert simulated.shots == pytest.approx(exact, rel=0.15)
    assert simulated.cut > 1.645


def test_tally_is_the_weibull_likelihood():
    """R ln lambda + D - lambda T against scipy's Weibull density and survival."""
    from scipy.stats import weibull_min

    r = LifeRecords.of([300, 500, 800], [300, np.inf, 800], shots_from=[0, 100, 0])
    cells = Cells.of(None, shapes=(0.5, 3.0, 6))
    t = Units.of(r, np.zeros((3, 0))).tally(cells, 1.0)
    values = []
    for i, beta in enumerate(cells.beta):
        a = 700.0
        own = 2 * -beta * np.log(a) + t.events[0, i, 0] - a**-beta * t.exposure[0, i, 0]
        d = weibull_min(beta, scale=a)
        values.append(own - (d.logpdf(300) + d.logpdf(800) + d.logsf(500) - d.logsf(100)))
    assert np.ptp(values) < 1e-9


def test_stretches_age_by_cumulative_exposure():
    """1,000 shots at V/2 with exponent n count as 1,000 x 2^-n at V (Nelson 1990, ch. 10)."""
    cells = Cells.of(None, ((np.array([3.0]), Penalty(0, 1, "")),), shapes=(1.0, 2.0, 2))
    r = LifeRecords.of(
        [1000, 1500], [np.inf, 1500], shots_from=[0, 1000], module=["m"] * 2, slot=["s"] * 2, unit=["u"] * 2
    )  # fmt: skip
    t = Units.of(r, np.array([[-np.log(2.0)], [0.0]])).tally(cells, 1.0)
    age = 1000 / 8 + 500
    assert t.exposure[0, :, 0] == pytest.approx([age, age**2], rel=1e-12)


def test_interval_statistic_is_near_the_exact_interval_likelihood():
    """ln(1 - exp(-u)) against ln u - u/2: within u^2/24 (its Taylor series)."""
    cells = Cells.of(None, shapes=(1.0, 2.0, 2))
    r = LifeRecords.of([400.0], [900.0])
    t = Units.of(r, np.zeros((1, 0))).tally(cells, 1000.0)
    for i, beta in enumerate(cells.beta):
        rate = 0.8
        u = rate * (0.9**beta - 0.4**beta)
        own = np.log(rate) + t.events[0, i, 0] - rate * t.exposure[0, i, 0]
        assert own == pytest.approx(np.log(-np.expm1(-u)) - rate * 0.4**beta, abs=u * u / 20)


def test_simulated_benches_follow_their_law():
    """Mean failures of redrawn benches: the renewal count of exponential lives, T / mean each."""
    r = rig("a", 12, [("a", 1, 400.0)])
    cells = Cells.of(None, fixed_shape=1.0)
    u = Units.of(r, np.zeros((len(r), 0)))
    drawn = u.benches(1.0, module_clocks(r)).draw(
        cells, 1.0, np.zeros(0), 1 / 2000.0, 4000, np.random.default_rng(5)
    )  # fmt: skip
    assert drawn.failures.mean() == pytest.approx(12 * 1000 / 2000, rel=0.02)
    assert drawn.failures.var() == pytest.approx(6.0, rel=0.08)
    assert drawn.exposure[:, 0, 0] == pytest.approx(12_000.0)


def shots_of(records, volts=1300.0, ask=FAST):
    """Promised shots, 0 where nothing can be promised."""
    try:
        return promise(fresh_module(records, Point({"charge_V": volts})), ask).shots
    except CannotAnswer:
        return 0.0


def test_never_longer_at_higher_voltage_confidence_survival_or_mission():
    """Seeded communities; every comparison is exact, not on average (hundreds more by
    tests/benchmarks/monotone.py)."""
    compared = 0
    for seed in range(10):
        r = community(seed)
        base = fresh_module(r, Point({"charge_V": 1300.0}))
        chains = [
            [shots_of(r, v, QUICK) for v in (1300.0, 1330.0, 1500.0)],
            [shots_of(r, ask=Ask(0.9, c, 60)) for c in (0.8, 0.95, 0.97)],
            [shots_of(r, ask=QUICK), shots_of(r, ask=Ask(0.95, 0.95, 60))],
            [s.lower for s in survival(base, [100.0, 130.0, 400.0, 2000.0], QUICK)],
        ]
        for chain in chains:
            assert all(b <= a * (1 + 1e-9) for a, b in pairwise(chain)), (seed, chain)
            compared += len(chain) - 1
    assert compared == 80


def test_one_more_failure_free_test_never_shortens_it_at_the_cut_held():
    r = community(4)
    point = Point({"charge_V": 1300.0}, {})
    m = fresh_module(r, point)
    r = join([r])
    named = Point({"charge_V": 1300.0}, {s.aboard.slot: "p" for s in m.slots})
    found = one_more_test(r, fresh_module(r, named), lambda x: fresh_module(x, named), 4000.0, FAST)
    assert found and all(o.gain >= 1.0 for o in found)
    assert any(o.gain > 1.001 for o in found)


def test_drift_adds_to_sudden_failure():
    """Wear readings never lengthen a promise: a path that foretells nothing changes nothing, one that ends shortens."""
    r = community(8)
    point = Point({"charge_V": 1300.0})
    slot = "main_capacitor"
    plain = promise(fresh_module(r, point), FAST).shots
    flat = promise(fresh_module(r, point, Choices(drift={slot: lambda b, n: 0.0 * n})), FAST).shots
    ends = promise(
        fresh_module(r, point, Choices(drift={slot: lambda b, n: (n / (2 * plain)) ** 4})), FAST
    ).shots
    assert flat == pytest.approx(plain, rel=1e-9)
    assert ends < plain


def test_suspects_count_in_full_in_every_slot():
    """A failure with two suspects gives a higher hazard than with one known (the safe side)."""
    slots, modules = "ab", 8
    dead = [("a", m, 400.0 + 100 * m) for m in range(4)]  # known ones, beside the event in module 5
    both = fresh_module(rig(slots, modules, [*dead, ("a", 5, 500.0), ("b", 5, 500.0)]), Point())
    one = fresh_module(rig(slots, modules, [*dead, ("a", 5, 500.0)]), Point())
    assert sum(s.model.data.failures[0] for s in both.slots) == 6
    assert survival(both, [300.0], FAST)[0].estimate < survival(one, [300.0], FAST)[0].estimate


def test_same_seed_same_answer_other_seed_close():
    m = fresh_module(community(3), Point({"charge_V": 1300.0}))
    assert promise(m, Ask(seed=4)) == promise(m, Ask(seed=4))
    a, b = promise(m, Ask(seed=4, draws=1000)).shots, promise(m, Ask(seed=5, draws=1000)).shots
    assert b == pytest.approx(a, rel=0.15)


def test_allowed_voltage_is_the_promise_turned_round():
    r = join(read_life(f).records for f in sorted(DEMO.glob("life_*.csv")))
    point = commonest_point(r)
    m = fresh_module(r, point, slots=["main_capacitor"])
    a = allowed(m, 2000.0, FAST, carried_span(m))
    at = fresh_module(
        r, Point({**point.stress, "charge_V": a.level}, point.part), slots=["main_capacitor"]
    )
    assert promise(at, FAST).shots == pytest.approx(2000.0, rel=0.01)
    assert a.level < a.estimate
    assert allowed(m, 4000.0, FAST, carried_span(m)).level < a.level


def test_demo_module_and_flight_are_promised_below_the_truth():
    """The demo's truth is known (datasets/demo/truth.json): capacitor of film-a, shape 2.4, 6,500 at 1,400 V."""
    r = join(read_life(f).records for f in sorted(DEMO.glob("life_*.csv")))
    m = fresh_module(r, commonest_point(r), slots=["main_capacitor"])
    p = promise(m, FAST)
    truth = 6500 * (1500 / 1400) ** -7.0 * 0.10536 ** (1 / 2.4)
    assert 0.5 * truth < p.shots < truth
    f = promise(flight_module(r, "kite-02"), FAST)
    assert f.shots > 40 and f.slots[0].slot == "main_capacitor"
    assert sum(s.at_bound for s in f.slots) == pytest.approx(1.0)


def test_settings_out_of_range_are_refused():
    m = fresh_module(rig("a", 5), Point())
    for ask in (Ask(1.2), Ask(0.9, 0.4), Ask(draws=3)):
        with pytest.raises(BadInput):
            promise(m, ask)
    with pytest.raises(BadInput):
        survival(m, [0.0], Ask())
