"""Questions of builders, asked on the command line of the demo, against what is true in it."""

import csv
import json
import shlex

import pytest

from reliability.cli import main
from tests.demo_truth import DEMO
from tests.sixty_questions import QUESTIONS, Reply
from tests.thirty_questions import FURTHER
from tests.twenty_questions import MORE

ALL = (*QUESTIONS, *FURTHER, *MORE)


@pytest.fixture(scope="module")
def stores(tmp_path_factory):
    """A store with the demo, and an empty one."""
    folder = tmp_path_factory.mktemp("questions")
    with pytest.raises(SystemExit) as end:
        main(["demo", "--store", str(folder / "demo.duckdb")])
    assert end.value.code == 0
    return {False: folder / "demo.duckdb", True: folder / "empty.duckdb"}


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Where the demo lies, and a sheet of kite's without charge voltages."""
    sheet = tmp_path_factory.mktemp("sheets") / "no_volts.csv"
    with (DEMO / "life_kite.csv").open() as f:
        rows = list(csv.DictReader(f))
    with sheet.open("w", newline="") as f:
        told = csv.DictWriter(f, [c for c in rows[0] if c != "charge_V"], extrasaction="ignore")
        told.writeheader()
        told.writerows(rows)
    return {"demo": DEMO, "no_volts": sheet}


def test_each_is_asked_once():
    assert len({q.words for q in ALL}) == len(ALL) > 110


@pytest.mark.parametrize("asked", ALL, ids=[q.command for q in ALL])
def test_true_or_refused_for_the_right_reason(asked, stores, files, capsys):
    command = shlex.split(asked.command.format(**files))
    stored = [] if "--from" in command else ["--store", str(stores[asked.empty])]
    with pytest.raises(SystemExit) as end:
        main([*command, "--json", *stored])
    shown = capsys.readouterr()
    assert end.value.code == asked.code, shown.err or shown.out[:400]
    answer = json.loads(shown.out) if shown.out.startswith("{") else {}
    reply = Reply(answer, shown.out + shown.err)
    assert asked.checks
    for check in asked.checks:
        check(reply)
