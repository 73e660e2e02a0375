"""Kept decisions and statements that are verified later, by the command line.

common practice, no source.
"""

import gzip
import json
from pathlib import Path

import duckdb
import pytest

import reliability as rl
from reliability.ask.decided import decision, decisions, keep_decision, since
from reliability.ask.giving import give, look
from reliability.ask.sources import Stored
from reliability.notes import BadInput
from tests.command import run

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "datasets" / "demo"


@pytest.fixture
def store(tmp_path):
    out = Stored(tmp_path / "s.duckdb")
    give(out, look(DEMO / "life_kite.csv"))
    return out


def report(store, target, *more):
    words = ["report", "--module", "kite-02", "--shots", 500, "--brief", "--store", store.path]
    return run(*words, "--date", "2026-11-26", "--by", "A. Maker", "--to", target, *more)


def verified(store, path, code):
    return run("report", "--verify", path, "--store", store.path, code=code).stdout


def test_a_kept_answer_stays_as_it_was_and_says_what_changed(store):
    a = rl.ask(rl.Modes(slot=("main_capacitor",)), store)
    kept = keep_decision(store, a, "which mode", "before the review", "A. Maker")
    found = decision(store, kept.number)
    assert (found.name, found.remark, found.who) == ("which mode", "before the review", "A. Maker")
    assert found.sentence == a.sentence and found.question == rl.Modes(slot=("main_capacitor",))
    same = since(store, found, again=True)
    assert same.unchanged and same.sentence == a.sentence
    give(store, look(DEMO / "life_lynx.csv"))
    now = since(store, found, again=True)
    assert now.come == (2,) and now.gone == () and not now.unchanged
    assert now.sentence == rl.ask(rl.Modes(slot=("main_capacitor",)), store).sentence != a.sentence
    assert decision(store, kept.number).sentence == a.sentence
    store.box.decide(1, "withdrawn")
    assert since(store, found).gone == (1,)


def test_the_command_keeps_lists_and_compares(store):
    words = ["modes", "--slot", "main_capacitor", "--store", store.path]
    out = run(*words, "--keep-as", "modes now", "--remark", "why")
    assert "kept as decision 1, modes now" in out.stderr
    assert "same facts, same methods" in run("decisions", "--store", store.path).stdout
    run("decisions", "--number", 1, "--store", store.path)
    give(store, look(DEMO / "life_lynx.csv"))
    said = json.loads(
        run("decisions", "--number", 1, "--json", "--store", store.path, code=3).stdout
    )
    assert said["contributions_come"] == [2] and said["sentence_now"] != said["sentence"]
    assert said["answer"]["asked"]["slot"] == ["main_capacitor"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["modes", "--slot", "fuel", "--from", DEMO / "life_kite.csv", "--keep-as", "x"], "in a store"),
        (["decisions", "--number", "9"], "no kept decision 9"),
        (["report", "--module", "kite-02", "--shots", "5"], "--to is missing"),
        (["report", "--module", "kite-02", "--shots", "5", "--to", "a.html", "--date", "soon"], "date is a day"),
        (["report", "--verify", ROOT / "README.md"], "carries no seal"),
        (["report", "--verify", ROOT / "README.md", "--shots", "5"], "no effect"),
    ],
)  # fmt: skip
def test_what_cannot_be_kept_or_verified_is_said(words, says, store):
    more = [] if "--from" in words else ["--store", store.path]
    assert says in run(*words, *more, code=2).stderr


def test_names_and_remarks_have_limits(store):
    a = rl.ask(rl.Modes(slot=("main_capacitor",)), store)
    for name, remark in (("", ""), ("x" * 101, ""), ("x", "y" * 2001)):
        with pytest.raises(BadInput):
            keep_decision(store, a, name, remark)
    assert decisions(store) == ()


@pytest.mark.parametrize("ending", ["html", "pdf"])
def test_a_statement_is_verified_later(store, tmp_path, ending):
    path = tmp_path / f"a.{ending}"
    report(store, path)
    assert "It holds" in verified(store, path, 0)
    content = path.read_bytes()
    if ending == "html":
        assert b"Made 2026-11-26 by A. Maker." in content and b"Approved by" in content
        path.write_bytes(content.replace(b"2026-11-26 by", b"2026-11-25 by", 1))
    else:
        path.write_bytes(content + b"\n% more")
    assert "altered" in verified(store, path, 3)
    path.write_bytes(content)
    give(store, look(DEMO / "life_lynx.csv"))
    said = verified(store, path, 3)
    assert "something has changed" in said and "2 (sha256" in said and "come since" in said


def test_the_command_in_a_statement_makes_it_again(store, tmp_path):
    """The same bytes, by the words that stand in it."""
    import html
    import re
    import shlex

    path = tmp_path / "a.html"
    report(store, path)
    words = html.unescape(re.search(r"<td>(shotlife report .*? --to statement.pdf)</td>", path.read_text())[1])  # fmt: skip
    again = [w.replace("statement.pdf", str(tmp_path / "b.html")) for w in shlex.split(words)[1:]]
    run(*again)
    assert (tmp_path / "b.html").read_bytes() == path.read_bytes()


def test_a_damaged_seal_is_said(store, tmp_path):
    path = tmp_path / "a.html"
    report(store, path)
    text = path.read_text()
    path.write_text(text.replace("shotlife-statement.ey", "shotlife-statement.QQ", 1))
    out = run("report", "--verify", path, "--store", store.path, code=2)
    assert "is damaged" in out.stderr


def test_flight_answers_kept_by_older_versions_become_decisions(tmp_path):
    path = tmp_path / "old.duckdb"
    path.write_bytes(gzip.decompress((ROOT / "tests/reference/store_v5.duckdb.gz").read_bytes()))
    answer = json.dumps({"sentence": "It lasts.", "asked": {"question": "flight", "module": "m"}})
    with duckdb.connect(str(path)) as c:
        c.execute("INSERT INTO statement_history VALUES ('m', TIMESTAMP '2026-01-02 03:04:05', 'x', ?)", [answer])  # fmt: skip
    (found,) = decisions(Stored(path))
    assert (found.name, found.at[:19], found.sentence) == ("flight m", "2026-01-02T03:04:05", "It lasts.")  # fmt: skip
