"""Histories as lanes: places on the module's axis against the demo's plans, and what a picture shows of them.

The demo is invented; how its modules were run stands in datasets/demo/make_demo.py (wren's modules run to
the end of their plan whatever is swapped, so units of one slot add up to it).
"""

import collections
import itertools

import numpy as np
import pytest

import reliability as rl
from reliability import figures
from reliability.figures.history import lane_name, volts_colour
from tests.asking import asked

INF = float("inf")


def records(**columns):
    return rl.LifeRecords.of(**columns)


@pytest.fixture(scope="module")
def wren():
    return rl.ask(rl.History(builder=("wren",), most=100), rl.demo())


def test_units_of_one_slot_add_up_to_the_modules_shots(wren):
    """Swapped units follow each other: a lane ends where the module's plan ends, 4,600 or 4,200 shots."""
    ends = collections.defaultdict(float)
    for s in wren.stretches:
        if not s.module.startswith("wren-b"):
            ends[s.module, s.slot, s.track] = max(ends[s.module, s.slot, s.track], s.last)
    planned = {m: end for (m, *_), end in ends.items()}
    assert len(planned) >= 12
    for (module, *_), end in ends.items():
        assert end in (4600, 4200) and end == planned[module]


def test_stretches_join_and_events_meet(wren):
    lanes = collections.defaultdict(list)
    for s in wren.stretches:
        lanes[s.module, s.slot, s.track].append(s)
    for own in lanes.values():
        for a, b in itertools.pairwise(own):
            assert b.begin == a.last
    events = collections.defaultdict(set)
    for s in wren.stretches:
        if s.ends == "suspect":
            events[s.module, s.event].add(s.found)
    assert events and all(len(at) == 1 for at in events.values())


def test_a_unit_that_moved_stands_in_both_modules():
    a = rl.ask(rl.History(unit="wren/wren-12/igniter/ign-moved"), rl.demo())
    assert [(m.module) for m in a.modules] == ["wren-11", "wren-12"]
    first, second = a.unit.stretches
    assert first.module == "wren-11" and second.module == "wren-12"
    assert (second.begin, second.shots_from, second.moved) == (0, first.shots_good, True)
    assert a.modules[1].swaps == 1  # of its capacitor; who came from elsewhere is no swap


def test_swaps_by_number_not_by_letter_and_units_side_by_side():
    r = records(
        shots_good=[100, 200, 300, 50, 60], shots_failed=[100, 200, INF, INF, INF], module=["m"] * 5, builder=["b"] * 5,
        slot=["igniter"] * 3 + ["switch"] * 2, unit=["i2", "i10", "i11", "s1", "s2"],
    )  # fmt: skip
    a = asked("history", r)
    at = {s.unit: (s.track, s.begin, s.end) for s in a.stretches}
    assert at == {
        "i2": (0, 0, 100), "i10": (0, 100, 300), "i11": (0, 300, 600), "s1": (0, 0, 50), "s2": (1, 0, 60),
    }  # fmt: skip
    assert a.modules[0].swaps == 2 and a.modules[0].units == 5 and a.modules[0].failed == 2
    assert "2 swapped" in a.sentence


def test_late_entry_inspections_and_dates():
    r = records(
        shots_good=[900, 100], shots_failed=[1000, INF], shots_from=[600, 0], module=["m"] * 2, builder=["b"] * 2,
        slot=["igniter"] * 2, unit=["z", "a"], labels={"date": ["2026-01-01", "2026-02-01"]},
    )  # fmt: skip
    first, second = asked("history", r).stretches
    assert (first.unit, first.begin, first.end, first.found) == ("z", 600, 900, 1000)
    assert (second.begin, second.end) == (1000, 1100)


def test_the_place_of_a_unit_is_the_product_limit_of_units_like_it():
    """Kaplan and Meier (1958): of five at one voltage 4/5 * 3/4 at the second failure; others do not count."""
    r = records(
        shots_good=[10, 20, 25, 30, 40, 5, 7], shots_failed=[10, 20, INF, INF, INF, 5, 7],
        builder=["b"] * 7, module=[f"m{i}" for i in range(7)], slot=["main_capacitor"] * 7, unit=[f"u{i}" for i in range(7)],
        covariates={"charge_V": [1400] * 5 + [1600] * 2},
    )  # fmt: skip
    u = asked("history", r, unit="b/m1/main_capacitor/u1").unit
    assert (u.n, u.failed, u.stress) == (5, 2, "1,400 V")
    assert u.survival == pytest.approx(4 / 5 * 3 / 4)
    assert u.lower < u.survival < u.upper


def test_a_unit_whose_voltage_was_changed_has_no_such_curve():
    u = rl.ask(rl.History(unit="wren/wren-12/main_capacitor/mai1"), rl.demo()).unit
    assert not u.curve and "changed on the way" in u.why_not and np.isnan(u.survival)


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"module": ("nope",)}, "no records of module 'nope'"),
        ({"unit": "a/b/c/d"}, "no unit 'a/b/c/d'"),
        ({"module": ("kite-01",), "most": 3}, "most has no effect"),
        ({"confidence": 0.9}, "confidence has no effect"),
    ],
)
def test_refused_in_words(settings, says):
    with pytest.raises(rl.BadInput, match=says):
        rl.ask(rl.History(**settings), rl.demo())


def test_no_module_names_no_lanes():
    a = asked("history", records(shots_good=[5, 6], unit=["a", "b"]))
    assert not a.stretches and "no lane to draw" in a.sentence


# --- the picture ------------------------------------------------------------------------------


def data(chart):
    """Rows of each layer with its mark."""
    spec = chart.to_dict()
    for layer in spec["layer"]:
        yield layer["mark"]["type"], spec["datasets"][layer["data"]["name"]]


def test_the_picture_shows_every_stretch_and_how_it_ended(wren):
    layers = list(data(figures.history_figure(wren)))
    bars = next(rows for mark, rows in layers if mark == "bar")
    assert [(r["begin"], r["end"], r["lane"]) for r in bars] == [
        (s.begin, s.end, lane_name(s)) for s in wren.stretches
    ]
    known = {s.charge_V for s in wren.stretches if s.charge_V == s.charge_V}
    for r, s in zip(bars, wren.stretches, strict=True):
        if s.charge_V == s.charge_V:
            assert (
                r["colour"] == volts_colour(s.charge_V, sorted(known))
                and r["voltage"] == f"{s.charge_V:,.0f} V"
            )
    ends = next(rows for mark, rows in layers if mark == "point" and "ends" in rows[0])
    assert sorted((r["at"], r["ends"]) for r in ends) == sorted(
        (s.last, s.ends) for s in wren.stretches if s.ends != "goes on"
    )


def test_readings_and_misfires_stand_at_their_counts():
    a = rl.ask(rl.History(module=("kite-01", "kite-03")), rl.demo())
    layers = list(data(figures.history_figure(a)))
    seen = next(rows for mark, rows in layers if mark == "point" and "quantity" in rows[0])
    assert [(r["at"], r["value"]) for r in seen] == [(r.at, r.value) for r in a.readings]
    mine = [r for r in a.readings if r.module == "kite-01" and r.slot == "main_capacitor"]
    assert [r.at for r in mine] == [
        r.shots for r in mine
    ]  # the first unit: its shots are the module's


def test_what_a_second_unit_had_stands_after_the_first():
    """Readings and misfires of a unit put in at 100 shots of the module stand 100 further on its axis."""
    r = records(
        shots_good=[100, 300], shots_failed=[100, INF], module=["m"] * 2, builder=["b"] * 2, slot=["igniter"] * 2, unit=["i1", "i2"],
    )  # fmt: skip

    def texts(*values):
        return np.array(values, object)

    wear = rl.WearReadings(
        texts("b", "b"), texts("m", "m"), texts("igniter", "igniter"), texts("i1", "i2"), texts("gap_mm", "gap_mm"),
        np.array([50.0, 50.0]), np.array([1.0, 2.0]),
    )  # fmt: skip
    misfires = rl.Recurrences.of(["b/m/igniter/i2"], [70.0], ["b/m/igniter/i2"], [300.0])
    a = asked("history", r, wear=wear, misfires=misfires)
    assert [(x.at, x.shots, x.value) for x in a.readings] == [(50, 50, 1), (150, 50, 2)]
    assert [(x.at, x.shots) for x in a.misfires] == [(170, 70)]


def test_the_place_on_the_curve_is_the_answers():
    a = rl.ask(rl.History(unit="kite/kite-03/main_capacitor/mai3"), rl.demo())
    line, mark = None, None
    for kind, rows in data(figures.place_figure(a)):
        line = rows if kind == "line" and line is None else line
        mark = rows if kind == "point" else mark
    assert [(r["shots"], r["survival"]) for r in line[1:-1]] == [
        (s.shots, s.survival) for s in a.unit.curve
    ]
    assert (mark[0]["shots"], mark[0]["survival"]) == (a.unit.shots, a.unit.survival)
