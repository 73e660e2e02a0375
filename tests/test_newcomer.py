"""What a lone builder with a handful of units is told: true of so few, in whole words, and worth doing."""

import numpy as np
import pytest

from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from tests.asking import asked

INF = np.inf


def capacitors(good, failed, volts, modules=None):
    """Main capacitors of one part, each in a module of its own unless it is said."""
    n = len(good)
    return LifeRecords.of(
        good, failed, module=modules or [f"X{i + 1}" for i in range(n)], slot=["main_capacitor"] * n,
        part=["mkp-2k"] * n, covariates={"charge_V": np.array(volts, float)},
    )  # fmt: skip


@pytest.fixture(scope="module")
def seven():
    """Capacitors at two voltages whose ends the levels looked at miss by some millivolts."""
    good = [1820, 2400, 2300, 2800, 3900, 3000, 1400]
    failed = [2000, INF, 2300, INF, INF, 3500, 1600]
    return capacitors(good, failed, [1500, 1300, 1500, 1300, 1300, 1300, 1500])


def test_a_voltage_that_was_tested_is_not_called_outside_the_tests(seven):
    """Inside or outside is a fact of the records: 1,300 and 1,500 V are theirs, the lowest and highest."""
    a = asked("derate", seven, stress=("charge_V:power",), shots=1000)
    near = {v: [p for p in a.curve if abs(p.level - v) < 0.5] for v in (1300, 1500)}
    assert all(near.values())
    assert not any(p.extrapolated for found in near.values() for p in found)
    assert all(p.extrapolated for p in a.curve if p.level < 1299 or p.level > 1501)


def test_one_unit_in_all_is_not_said_never_to_have_worked():
    r = capacitors([2000], [INF], [1500])
    with pytest.raises(CannotAnswer, match="No main_capacitor but that of module X1 itself") as why:
        asked("flight", r, module="X1", shots=500)
    assert "leave the slot out" not in str(why.value)  # a module of one slot has no other


def test_a_module_of_one_slot_does_not_say_that_this_slot_ends_nearly_all():
    a = asked("module", capacitors([1200, 2000, 900], [1300, INF, INF], [1500] * 3))
    assert "only the main capacitor is looked at" in a.sentence
    assert "of them" not in a.sentence
    codes = [n.code for n in a.notes]
    assert "only_slot" in codes and "independent_slots" not in codes


def test_no_longer_test_is_offered_that_promises_less_than_a_shorter_one():
    """A longer test of as many units costs more and is survived less often: nobody runs it for less."""
    r = capacitors([1200, 2000, 900], [INF] * 3, [1500, 1500, 1400])
    found = asked("module", r).more
    assert found
    for t in found:
        shorter = [u for u in found if u.what == t.what and u.shots < t.shots]
        assert all(u.promise < t.promise for u in shorter)


def test_where_no_voltage_can_be_allowed_the_reason_has_units():
    a = asked("derate", capacitors([2000], [INF], [1500]), shots=1000)
    (text,) = [n.text for n in a.notes if n.code == "none_allowed"]
    assert "Even at 1,000 V, the lowest that tests at 1,500 V are trusted for" in text


def test_how_far_from_the_tests_is_said_in_a_share_of_the_voltage():
    """1,350 V is 10 % below 1,500 V."""
    a = asked(
        "module",
        capacitors([1200, 2000, 900], [1300, INF, INF], [1500] * 3),
        use=("charge_V=1350",),
    )
    (text,) = [n.text for n in a.notes if n.code == "extrapolated"]
    assert "1,350 V is 10 % below the tested 1,500 V" in text


def test_one_of_a_thing_is_spoken_of_as_one():
    r = capacitors([1200, 2000, 900], [1300, INF, INF], [1500] * 3)
    (text,) = [n.text for n in asked("modes", r).notes if n.code == "modes_unknown"]
    assert text.startswith("1 failure of no known mode:") and " They " not in text
    a = asked("history", r, most=2)
    (text,) = [n.text for n in a.notes if n.code == "more_modules"]
    assert text.startswith("1 more module is not shown")
