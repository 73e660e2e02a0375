"""Questions of builders, asked on the command line of the demo, against what is true in it."""

import json
import shlex

import pytest

from reliability.cli import main
from tests.sixty_questions import QUESTIONS, Reply
from tests.thirty_questions import FURTHER

ALL = (*QUESTIONS, *FURTHER)


@pytest.fixture(scope="module")
def stores(tmp_path_factory):
    """A store with the demo, and an empty one."""
    folder = tmp_path_factory.mktemp("questions")
    with pytest.raises(SystemExit) as end:
        main(["demo", "--store", str(folder / "demo.duckdb")])
    assert end.value.code == 0
    return {False: folder / "demo.duckdb", True: folder / "empty.duckdb"}


def test_each_is_asked_once():
    assert len({q.words for q in ALL}) == len(ALL)


@pytest.mark.parametrize("asked", ALL, ids=[q.command for q in ALL])
def test_true_or_refused_for_the_right_reason(asked, stores, capsys):
    with pytest.raises(SystemExit) as end:
        main([*shlex.split(asked.command), "--json", "--store", str(stores[asked.empty])])
    shown = capsys.readouterr()
    assert end.value.code == asked.code, shown.err or shown.out[:400]
    answer = json.loads(shown.out) if shown.out.startswith("{") else {}
    reply = Reply(answer, shown.out + shown.err)
    assert asked.checks
    for check in asked.checks:
        check(reply)
