"""What answers say where there is one of a thing, or nothing was fitted.

common practice, no source.
"""

from dataclasses import fields

import pytest

from reliability.decisions.derating_answer import Allowed
from reliability.decisions.derating_parts import PartDerating, PartsAnswer
from reliability.decisions.mission_plans import MissionPlan, plan_text
from reliability.decisions.progress import ProgressAnswer
from reliability.words import so_many_shots
from tests.command import run

SHEET = """builder,module,slot,unit,shots_good,shots_failed,charge_V
me,m1,main_capacitor,c1,900,1000,1400
me,m2,main_capacitor,c2,1900,2000,1400
me,m2,igniter,i2,2000,,1400
"""


def parts(*levels):
    each = tuple(
        PartDerating(f"film-{i}", 3, 1, Allowed(level), "") for i, level in enumerate(levels)
    )
    return PartsAnswer(shots=1.0, survival=0.9, confidence=0.95, column="charge_V", parts=each)


def test_one_part_is_no_part_of_many():
    nan = float("nan")
    assert parts(nan).sentence == "The only part, film-0, cannot be allowed a level for 1 shot."
    assert parts(1200.0).sentence == "The only part, film-0, is allowed a charge voltage of 1,200 V for 1 shot."  # fmt: skip
    assert parts(nan, nan).sentence == "None of 2 parts can be allowed a level for 1 shot."
    assert parts(nan, 900.0).sentence.startswith("Of 2 parts, film-1 is allowed the highest ")


def test_shots_are_counted():
    assert [so_many_shots(x) for x in (1, 1.004, 2, float("inf"))] == [
        "1 shot", "1 shot", "2 shots", "unbounded shots",
    ]  # fmt: skip


@pytest.mark.parametrize(("parallel", "said"), [(1, "1 capacitor to "), (4, "4 capacitors (4 parallel) to ")])  # fmt: skip
def test_capacitors_of_a_bank_are_counted(parallel, said):
    p = MissionPlan(**{f.name: "" if f.name == "part" else parallel if f.name == "parallel" else 1 for f in fields(MissionPlan)})  # fmt: skip
    assert plan_text(p).startswith(said)


def test_confidence_is_never_told_as_nothing():
    said = ProgressAnswer(failures=3.0, shown=0.0001, needed_each=1.0, go_on_passes=0.0, advice="Stop.")  # fmt: skip
    assert said.sentence == "Stop. Shown by now with confidence less than 0.1 %; 3 failed."


def test_one_builder_cannot_be_compared_and_no_fit_has_no_numbers(tmp_path):
    sheet = tmp_path / "one.csv"
    sheet.write_text(SHEET)
    said = run("life", "--from", sheet, "--slot", "igniter", code=3).stdout
    assert "weibull: no fit; 0 of 1 failed" in said and "log-likelihood" not in said
    for name, more, wanted in (
        ("compare", ("--by", "builder"), "There are not two to compare by builder: all units are of me"),
        ("builders", (), "Comparing builders needs records of two or more; all units here are of one."),
    ):  # fmt: skip
        given = (name, "--from", sheet, "--slot", "main_capacitor", *more)
        assert wanted in run(*given, code=2).stderr
