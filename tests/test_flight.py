"""Flight promises: hand-computable cases, missions, the statement."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reliability.decisions.flight import Flight, _Flight
from reliability.decisions.mission import Mission, thrust_uN
from reliability.decisions.on_board import on_board_of, ready_modules
from reliability.notes import BadInput, CannotAnswer
from reliability.pool import Pool
from reliability.records import LifeRecords, join
from reliability.report.content import Made, statement
from reliability.report.render import to_html, to_pdf
from reliability.sheets.life import read_life
from tests.asking import asked
from tests.command import run

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "datasets" / "demo"
INF = float("inf")


def pool(shape=2.0, n=40, scale=5000.0, seed=1, burn_in=400.0):
    t = scale * np.random.default_rng(seed).weibull(shape, n)
    return LifeRecords.of(
        [*t, burn_in],
        [*t, INF],
        module=[*(f"m{i}" for i in range(n)), "flight"],
        slot=["main_capacitor"] * (n + 1),
    )


def demo_records():
    return join(read_life(f).records for f in sorted(DEMO.glob("life_*.csv")))


def test_weibull_conditional_survival():
    """exp((t0/a)^b - (t1/a)^b), Lawless (2003), sec. 1.2, with the slot's own shape and scale."""
    r = pool()
    a = asked("flight", r, module="flight", shots=1500)
    b = a.by_slot[0].shape
    # scale by maximum likelihood at that shape: sum(t^b) / r to the power 1/b, the flight unit's good shots in it
    scale = (r.shots_good**b).sum() ** (1 / b) / (len(r) - 1) ** (1 / b)
    t0, t1 = 400.0, 1900.0
    want = np.exp((t0 / scale) ** b - (t1 / scale) ** b)
    assert a.survival.estimate == pytest.approx(want, rel=1e-9)
    assert a.survival.lower < want
    assert a.by_slot[0].ends_first == pytest.approx(1 - want, rel=1e-3)


def test_promise_is_where_the_bound_meets_the_survival():
    r = pool()
    a = asked("flight", r, module="flight", shots=1000)
    at = asked("flight", r, module="flight", shots=a.promise.shots)
    assert at.survival.lower == pytest.approx(0.9, abs=2e-3)
    assert a.margin_shots == pytest.approx(a.promise.shots - 1000)


@pytest.mark.parametrize("failures", [0, 2])
def test_own_shots_count_in_the_exposure(failures, monkeypatch):
    """Exponential lives: the bound on the rate is chi2(0.95; 2r + 2) / 2T (Buehler 1957; NIST/SEMATECH e-Handbook
    8.4.5.1), T being the shots of all units and r the failures of all, those of the flight module among them."""
    from scipy import stats

    from reliability.slots import draws, grid

    for module in (grid, draws):
        monkeypatch.setattr(module, "SHAPES", np.array([1.0]))
    for chances in ("PLAIN_EARLY", "SEEN_EARLY"):
        monkeypatch.setattr(draws, chances, np.full(4, 1e-13))
    good = [1000.0, 2000.0, 3000.0, *[700.0] * failures, 5000.0]
    failed = [INF] * 3 + [700.0] * failures + [INF]
    module = ["a", "b", "c", *["flight"] * failures, "flight"]
    units = [f"u{i}" for i in range(len(good))]
    r = LifeRecords.of(good, failed, module=module, unit=units, slot=["igniter"] * len(good))
    a = asked("flight", r, module="flight", shots=100, brief=True)
    total = 11_000.0 + 700.0 * failures
    exact = -np.log(0.9) * total / (stats.chi2.ppf(0.95, 2 * failures + 2) / 2)
    assert a.promise.shots == pytest.approx(exact, rel=0.02)
    assert (a.by_slot[0].n, a.by_slot[0].failed) == (len(good), failures)


@pytest.mark.parametrize("others", [(900.0, 1200.0), (1000.0,) * 3])
def test_a_unit_older_than_all_others_is_promised_more_than_a_shot(others):
    """Two others failed, or none. Its own 5,000 shots are nearly all of the exposure, whatever the shape b: with r
    failures the rate is at most chi2(0.95; 2r + 2) / 2 over 5,000^b (as for exponential lives; NIST/SEMATECH
    e-Handbook 8.4.5.1), which allows some 5,000 x 0.105 / (b chi2 / 2) shots more; b is 5 at most here."""
    from scipy import stats

    dead = len(others) == 2
    r = LifeRecords.of(
        [*others, 5000.0], [*(others if dead else [INF] * 3), INF],
        module=[*(f"m{i}" for i in range(len(others))), "flight"], slot=["main_capacitor"] * (len(others) + 1),
    )  # fmt: skip
    a = asked("flight", r, module="flight", shots=10, brief=True)
    rate = stats.chi2.ppf(0.95, 2 * (2 if dead else 0) + 2) / 2
    assert 5000 * 0.105 / (5 * rate) < a.promise.shots < 5000


def test_burn_in_at_another_voltage_is_evidence_at_that_voltage():
    """Cumulative exposure (Nelson 1990, ch. 10), by hand: 3,000 shots at 1,300 V count k times at 1,200 V, in the
    age and in the exposure that the rate is estimated from."""
    lives = 4000 * np.random.default_rng(3).weibull(2, 8)
    r = LifeRecords.of(
        [*lives, 3000.0], [*lives, INF], module=[*"abcdefgh", "flight"], slot=["main_capacitor"] * 9,
        covariates={"charge_V": [1200.0] * 8 + [1300.0]},
    )  # fmt: skip
    q = Flight(module="flight", shots=500, use=("charge_V=1200",), brief=True)
    m = _Flight(r, Pool(r), q).now
    b, k = m.shape(0), (1300 / 1200) ** m.exponent(0)
    rate = 8 / ((lives**b).sum() + (3000 * k) ** b)
    want = rate * ((3000 * k + 500) ** b - (3000 * k) ** b)
    assert m.hazard(0, 500) == pytest.approx(want, rel=1e-6)


def test_what_more_burn_in_would_make_is_what_it_makes():
    """Foretold from the draws, and asked again with the shots on record."""
    lives = 5000 * np.random.default_rng(8).weibull(2, 12)

    def of(burn_in):
        return LifeRecords.of(
            [*lives, burn_in], [*lives, INF], module=[*(f"m{i}" for i in range(12)), "flight"], slot=["igniter"] * 13
        )  # fmt: skip

    a = asked("flight", of(2000.0), module="flight", shots=500)
    model = _Flight(of(2000.0), Pool(of(2000.0)), Flight(module="flight", shots=500)).now
    then = model.after_burn_in(1500.0)
    again = asked("flight", of(3500.0), module="flight", shots=500)
    assert then.promise(0.9, 0.95) == pytest.approx(again.promise.shots, rel=0.05)
    assert then.survival(500) == pytest.approx(again.survival.estimate, rel=0.01)
    assert a.promise.shots != pytest.approx(again.promise.shots, rel=0.05)


def test_several_units():
    a = asked("flight", pool(), module="flight", shots=1000, units=3)
    s = a.survival.estimate
    assert a.several.all == pytest.approx(s**3)
    assert a.several.one == pytest.approx(1 - (1 - s) ** 3)


def test_enough_of_several_is_bounded_together():
    """Binomial of modules that share one unknown survival: joint bound at the bound (scipy); and the promise for
    them is where that joint bound meets the survival asked for."""
    from scipy import stats

    own = pool()
    a = asked("flight", own, module="flight", shots=1000, units=5, working=4, brief=True)
    s = a.several
    assert s.enough == pytest.approx(stats.binom.sf(3, 5, a.survival.estimate))
    assert s.enough_lower == pytest.approx(stats.binom.sf(3, 5, a.survival.lower))
    assert "at least 4 of 5" in a.sentence
    at = asked(
        "flight", own, module="flight", shots=a.promise.shots, units=5, working=4, brief=True
    )
    assert at.several.enough_lower == pytest.approx(0.9, abs=3e-3)
    every = asked("flight", own, module="flight", shots=1000, units=5, brief=True)
    one = asked("flight", own, module="flight", shots=1000, brief=True)
    any_one = asked("flight", own, module="flight", shots=1000, units=5, working=1, brief=True)
    assert every.promise.shots < one.promise.shots < any_one.promise.shots
    for bad in ({"working": 2}, {"units": 2, "working": 3}):
        with pytest.raises(BadInput):
            asked("flight", own, module="flight", shots=1000, **bad)


def test_legs_at_their_own_voltage():
    """Cumulative exposure: one voltage in two legs is one leg, and a mixed mission lies between both."""
    ask = {"module": "kite-02", "shots": 500, "brief": True}
    r = demo_records()
    low, high = (
        asked("flight", r, use=(f"charge_V={v}",), **ask).survival.estimate for v in (1200, 1400)
    )
    both = asked("flight", r, leg=("1200=0.5", "1400=0.5"), **ask)
    assert high < both.survival.estimate < low
    assert "50 % at 1,200 V" in both.mission
    same = asked("flight", r, leg=("1200=1",), **ask)
    assert same.survival.estimate == pytest.approx(low, rel=1e-9)
    for bad in (("1200=0.5",), ("1200=0.5", "1300=x"), ("-1=1",)):
        with pytest.raises(BadInput):
            asked("flight", r, leg=bad, **ask)
    with pytest.raises(BadInput, match="no effect"):
        asked("flight", r, leg=("1200=1",), use=("charge_V=1200",), **ask)


def test_missions():
    """m dv / I_bit for small dv; total impulse / I_bit; days x rate x duty (definitions)."""
    assert Mission(total_impulse_Ns=0.65, impulse_bit_uNs=0.65).in_shots() == pytest.approx(1e6)
    assert Mission(delta_v_m_s=0.5, mass_kg=1.3, impulse_bit_uNs=0.65).in_shots() == pytest.approx(
        1e6
    )
    assert Mission(days=2, rate_Hz=1 / 3, duty=0.5).in_shots() == pytest.approx(28800)
    for bad in (
        {},
        {"shots": 1.0, "days": 1.0},
        {"shots": -1.0},
        {"total_impulse_Ns": 1.0},
        {"days": 1.0},
        {"delta_v_m_s": 1.0, "impulse_bit_uNs": 1.0},
    ):
        with pytest.raises(BadInput):
            Mission(**bad).in_shots()


def test_thrust():
    """Thrust = impulse bit x rate: 0.65 uN s at one third hertz is 0.22 uN (common practice, no source);
    0.698 uN s at 0.5 Hz is 0.349 uN (Aerospace 2023, 10(3), 316)."""
    assert thrust_uN(0.65, 1 / 3) == pytest.approx(0.22, abs=0.005)
    assert thrust_uN(0.698, 0.5) == pytest.approx(0.349)


def test_what_is_on_board():
    r = demo_records()
    items = on_board_of(r, "kite-02")
    assert {i.slot for i in items} == set(r.slot)
    assert next(i for i in items if i.slot == "main_capacitor").stress["charge_V"] == 1400
    with pytest.raises(BadInput, match="no records of module"):
        on_board_of(r, "nobody")
    dead = LifeRecords.of([5.0, 9.0], [5.0, INF], module=["a", "b"], slot=["fuel", "fuel"])
    with pytest.raises(CannotAnswer, match="Record the replacement"):
        on_board_of(dead, "a")


def test_modules_ready_to_fly_are_those_that_can_be_asked_of():
    """Each module of the demo is asked of by itself: the list leaves out those that are refused, and no other."""
    demo = Path(__file__).parents[1] / "datasets" / "demo"
    records = join([read_life(p).records for p in sorted(demo.glob("life_*.csv"))])
    ready = set(ready_modules(records))
    for module in sorted(set(records.module.tolist())):
        try:
            on_board_of(records, module)
        except (BadInput, CannotAnswer):
            assert module not in ready
        else:
            assert module in ready


def test_demo_flight_has_slots_stress_and_notes():
    a = asked("flight", demo_records(), module="kite-02", shots=1000)
    basis = {s.slot: s.basis for s in a.by_slot}
    assert basis["main_capacitor"] == "voltage model"
    assert basis["fuel"] == "no failure yet"
    assert sum(f.probability for f in a.first_to_fail) == pytest.approx(
        1 - a.survival.estimate, rel=1e-3
    )
    assert sum(s.holds_down for s in a.by_slot) == pytest.approx(1, abs=0.1)
    codes = {n.code for n in a.notes}
    assert {"not_a_qualification", "few_failures", "no_failures_slot"} <= codes


def test_what_more_tests_would_change():
    """Every test that is offered lengthens the promise and is likely enough survived, whatever the mission."""
    for shots in (500, 1e6):
        a = asked("flight", demo_records(), module="kite-01", shots=shots)
        assert a.more and all(m.promise > a.promise.shots for m in a.more)
        assert all(m.survives_it >= 0.2 for m in a.more)
        gains = [m.gain_a_day for m in a.more]
        assert gains == sorted(gains, reverse=True)
        m = a.more[0]
        assert m.gain_a_day == pytest.approx((m.promise - a.promise.shots) * m.survives_it / m.days)


def make_statement(name="kite-02", builders=("kite",)):
    a = asked("flight", demo_records(), module="kite-02", shots=1000)
    a = replace(a, module=name, builders=tuple(builders))
    return statement(a, Flight(module="kite-02", shots=1000), None, Made("2026-11-26", "A. Maker"))


def test_pdf_is_the_same_each_time_and_has_two_pages(tmp_path):
    from io import BytesIO

    from pypdf import PdfReader

    s = make_statement()
    first, second = to_pdf(s), to_pdf(make_statement())
    assert first == second
    reader = PdfReader(BytesIO(first))
    assert len(reader.pages) == 2
    text = " ".join(p.extract_text() for p in reader.pages)
    for word in (
        "Flight life statement",
        "can be promised",
        "main capacitor",
        "Assumptions",
        "seed 1",
        "Cautions",
    ):
        assert word in text


def test_long_and_foreign_names_stay_on_two_pages():
    from io import BytesIO

    from pypdf import PdfReader

    s = make_statement("M" * 120, ["Строитель-" * 6, "κατασκευαστής", "x" * 90])
    assert len(PdfReader(BytesIO(to_pdf(s))).pages) == 2


def test_html_is_self_contained_and_escaped():
    page = to_html(make_statement("<script>alert(1)</script>"))
    assert "<script>" not in page and "&lt;script&gt;" in page
    assert "http://" not in page.replace("http://www.w3.org", "") and "src=" not in page
    assert page.count("<svg") == 2


def test_flight_json_history_and_report(tmp_path):
    store = tmp_path / "s.duckdb"
    run("add", *sorted(DEMO.glob("life_*.csv")), "--store", store)
    out = json.loads(
        run(
            "flight",
            "--module",
            "kite-02",
            "--shots",
            1000,
            "--json",
            "--keep-as",
            "flight of kite-02",
            "--store",
            store,
        ).stdout
    )
    assert {"estimate", "lower"} <= set(out["survival"])
    assert {"shots", "survival", "confidence"} <= set(out["promise"])
    assert {"by_slot", "first_to_fail", "notes"} <= set(out)
    kept = json.loads(run("decisions", "--json", "--store", store).stdout)["decisions"]
    assert kept[0]["answer"]["promise"] == out["promise"]
    for name in ("a.pdf", "b.pdf", "c.html"):
        run(
            "report",
            "--module",
            "kite-02",
            "--shots",
            1000,
            "--to",
            tmp_path / name,
            "--store",
            store,
        )
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    run(
        "report",
        "--module",
        "kite-02",
        "--shots",
        1000,
        "--to",
        tmp_path / "a.doc",
        "--store",
        store,
        code=2,
    )
    run("flight", "--module", "kite-02", "--store", store, code=2)
    run("flight", "--module", "nobody", "--shots", 5, "--store", store, code=2)


def test_wear_outlook_is_the_normal_chance():
    """-ln [Phi(d1/s1) / Phi(d0/s0)] by hand from the unit's predicted line."""
    from scipy import stats

    from reliability.sheets.wear import read_wear
    from reliability.wear.limits import DEFAULT_LIMITS, outlook
    from reliability.wear.paths import fit_paths

    fit = fit_paths(read_wear(DEMO / "wear.csv").of_quantity("capacitance_uF"))
    o = outlook(fit, fit.units[0], DEFAULT_LIMITS["capacitance_uF"])
    t = np.array([fit.last[0], fit.last[0] + 6000.0])
    z = np.stack((np.full(2, 0.2), t / fit.scale), axis=1)
    d = z @ fit.coef[0]
    s = o.inflate * np.sqrt(np.einsum("ki,ij,kj->k", z, fit.coef_cov[0], z))
    chance = stats.norm.cdf(d / s)
    assert o.hazard(t[0], np.array([6000.0]))[0] == pytest.approx(
        -np.log(chance[1] / chance[0]), rel=1e-9
    )


@pytest.mark.parametrize(
    ("volts", "use", "said"),
    [
        ([1200.0], (), "at 1,200 V (as last run) can be promised"),
        ([1200.0], ("charge_V=1200",), "flight at 1,200 V can be promised"),
        ([1200.0], ("charge_V=1400",), "at 1,400 V (run at 1,200 V so far) can be promised"),
        ([1200.0, 1400.0], (), "at 1,400 V (as last run; at 1,200 V before) can be promised"),
        ([1200.0, 1400.0], ("charge_V=1300",), "at 1,300 V (run at 1,200 and 1,400 V so far)"),
        ([INF], (), "Module flight can be promised"),
    ],
)
def test_the_sentence_says_at_what_voltage_the_module_was_run(volts, use, said):
    """Facts of the records: the own unit's stretches and their voltages."""
    lives = 3000 * np.random.default_rng(2).weibull(2, 12)
    at = [np.nan if v == INF else v for v in volts]
    n = len(at)
    others = np.where(np.isnan(at[0]), np.nan, np.resize([1200.0, 1400.0], 12))
    r = LifeRecords.of(
        [*lives, *(100.0 * (i + 1) for i in range(n))], [*lives, *[INF] * n],
        shots_from=[0.0] * 12 + [100.0 * i for i in range(n)],
        module=[*(f"m{i}" for i in range(12)), *["flight"] * n], slot=["igniter"] * (12 + n),
        unit=[*(f"u{i}" for i in range(12)), *["own"] * n], covariates={"charge_V": np.array([*others, *at])},
    )  # fmt: skip
    assert said in asked("flight", r, module="flight", shots=100, use=use, brief=True).sentence
