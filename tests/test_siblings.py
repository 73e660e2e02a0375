"""A slot's bound if its units fail as their siblings do: a second line, from shapes of other groups."""

import json
from pathlib import Path

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

import reliability as rl
from reliability.records import LifeRecords, join
from reliability.slots import siblings
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.grid import SHAPES, exposed, fit_slot
from reliability.slots.siblings import next_shape, siblings_of
from tests.asking import asked
from tests.command import run

ROOT = Path(__file__).parents[1]
INF = np.inf


def lives(shape, n, seed, builder="own", failures=None):
    """Units of one builder up to a failure; all of them if none is said."""
    t = np.sort(3000 * np.random.default_rng(seed).weibull(shape, n))
    end = np.minimum(t, t[(failures or n) - 1])
    return LifeRecords.of(end, np.where(t <= end, t, INF), builder=[builder] * n, slot=["igniter"] * n)  # fmt: skip


def community(own, shapes, n=12):
    return join([own, *(lives(b, n, 50 + i, f"s{i}") for i, b in enumerate(shapes))])


def test_the_shape_of_one_group_more_equals_sums_written_out():
    """Gelman et al., Bayesian Data Analysis, ch. 5: groups' shapes lognormal about a mean and with a spread that
    are averaged over; each group's likelihood b^r prod t^(b-1) / (sum t^b)^r with the rate integrated out."""
    own = [lives(b, 6, i, failures=4) for i, b in enumerate((1.5, 2.0, 3.0))]
    fits = [fit_slot(d, exposed(d), early=False) for d in (slot_data("i", r, Asked()) for r in own)]
    found = next_shape(fits)
    log = np.log(SHAPES)
    likelihoods = []
    for r in own:
        t, d = r.shots_good / 1000, r.failed
        ll = [d.sum() * np.log(b) + (b - 1) * np.log(t[d]).sum() - d.sum() * np.log((t**b).sum()) for b in SHAPES]  # fmt: skip
        likelihoods.append(np.exp(np.array(ll) - max(ll)))
    total = np.zeros(SHAPES.size)
    steps = np.gradient(siblings.TAUS)
    for m in siblings.MEANS:
        for tau, step in zip(siblings.TAUS, steps, strict=True):
            normal = np.exp(-((log - m) ** 2) / (2 * tau**2))
            normal /= normal.sum()
            weight = np.exp(-((m - np.log(1.3)) ** 2) / (2 * 0.5**2) - tau**2 / (2 * 0.5**2)) * step
            for likelihood in likelihoods:
                weight *= (normal * likelihood).sum()
            total += weight * normal
    odd = np.exp(-((log - np.log(0.8)) ** 2) / (2 * 0.5**2))
    wanted = 0.7 * total / total.sum() + 0.3 * odd / odd.sum()
    assert found == pytest.approx(wanted, rel=1e-9)


def test_many_alike_siblings_tell_their_shape_but_for_the_odd_share():
    pool = community(lives(3.0, 8, 1, failures=3), [3.0] * 12, n=60)
    kin = siblings_of(pool.select(pool.builder == "own"), pool)
    near = np.abs(np.log(SHAPES / 3.0)) < 0.35
    assert kin.groups == 12 and 0.65 < kin.shapes[near].sum() < 0.78


def test_siblings_that_wear_out_lengthen_the_line_and_early_ones_shorten_it():
    own = lives(2.0, 8, 3, failures=3)
    low, high = (
        asked("life", community(own, [b] * 6), builder=["own"]).as_siblings.shots
        for b in (0.7, 4.0)
    )
    assert low < 0.7 * high


def test_the_headline_stays_as_it_is():
    own = lives(2.0, 8, 3, failures=3)
    a, alone = asked("life", community(own, [4.0] * 6), builder=["own"]), asked("life", own)
    assert a.quantiles == alone.quantiles and a.sentence == alone.sentence
    assert a.as_siblings.builders == tuple(f"s{i}" for i in range(6))
    assert a.as_siblings.text.startswith(
        "If these units fail in one way, as their siblings do (6 other groups"
    )


def notes_of(a):
    return {n.code: n.text for n in a.notes}


def test_two_groups_are_too_few_and_it_is_said():
    a = asked("life", community(lives(2.0, 8, 3, failures=3), [2.0, 2.0]), builder=["own"])
    assert a.as_siblings is None
    assert "igniter (2 other groups)" in notes_of(a)["no_siblings"]


def test_no_line_where_the_shape_is_told_or_early_failures_stand_apart():
    many = asked("life", community(lives(2.0, 30, 3), [2.0] * 4), builder=["own"])
    assert many.as_siblings is None and "no_siblings" not in notes_of(many)
    t = 5000 * np.random.default_rng(4).weibull(6.0, 14)
    t[:3] = 20.0, 45.0, 90.0
    weak = LifeRecords.of(t, t, builder=["own"] * 14, slot=["igniter"] * 14)
    a = asked("life", community(weak, [2.0] * 4), builder=["own"])
    assert a.as_siblings is None and "early failures stand apart" in notes_of(a)["no_siblings"]


def test_failures_of_which_it_is_not_known_whose_they_were_tell_nothing():
    own = lives(2.0, 8, 3, failures=3)
    tied = LifeRecords.of([500] * 2, [500] * 2, builder=["t"] * 2, module=["m", "n"], slot=["igniter"] * 2, event=["e"] * 2)  # fmt: skip
    assert siblings_of(own, join([own, tied])).groups == 0


def test_a_slot_of_a_module_and_of_a_flight_module_has_the_line():
    pool = community(lives(2.0, 8, 3, failures=3), [3.0] * 4)
    m = asked("module", pool, builder=["own"])
    slot = m.slots[0]
    assert slot.as_siblings.shots == pytest.approx(
        asked("life", pool, builder=["own"]).as_siblings.shots
    )
    flown = LifeRecords.of([0.0], builder=["own"], module=["f"], slot=["igniter"])
    f = asked("flight", join([pool, flown]), builder=["own"], module="f", shots=100, brief=True)
    assert f.by_slot[0].as_siblings.shots == pytest.approx(slot.as_siblings.shots)


def test_every_shell_shows_the_line_and_what_it_rests_on(tmp_path, monkeypatch):
    store = rl.Stored(tmp_path / "s.duckdb")
    run("demo", store=store.path)
    a = rl.ask(rl.Life(slot=("main_capacitor",), builder=("lynx",)), store)
    used = {c.builders for c in a.basis.contributions if c.used}
    assert {"lynx", *a.as_siblings.builders} == used
    words = ("life", "--slot", "main_capacitor", "--builder", "lynx")
    assert a.as_siblings.text in run(*words, store=store.path).stdout
    told = json.loads(run(*words, "--json", store=store.path).stdout)
    assert told["as_siblings"]["text"] == a.as_siblings.text
    monkeypatch.setenv("SHOTLIFE_STORE", str(store.path))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120)
    app.query_params["slot"], app.query_params["builder"] = "main_capacitor", "lynx"
    app.switch_page("life_curves.py").run()
    assert any("as their siblings do" in m.value for m in app.markdown)
