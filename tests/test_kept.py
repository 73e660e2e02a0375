"""Kept answers: as long as what they rest on stands, and never a moment longer; older ones shown as such."""

import subprocess
import sys

import pytest

from reliability.ask import asking
from reliability.ask.asking import ask, look_up
from reliability.ask.crew import Crew, Rules
from reliability.ask.giving import How, give, look
from reliability.ask.glance import outline, remembered
from reliability.ask.plain import plain
from reliability.ask.questions import QUESTIONS, question_class
from reliability.ask.sources import Stored, read_pool
from reliability.ask.texts import from_texts
from tests.test_ask import DEMO, GIVEN, question

STANDS = "builder,module,slot,unit,shots_good\n"
HEAD = "builder,module,slot,unit,shots_good,shots_failed\n"


@pytest.fixture
def store(tmp_path):
    """Two builders, and sheets of other kinds."""
    out = Stored(tmp_path / "s.duckdb")
    for name in ("life_kite", "life_lynx", "wear", "misfires", "ignition"):
        give(out, look(DEMO / f"{name}.csv"))
    return out


def given(store, text, tmp_path, name="more.csv", **how):
    """One contribution more."""
    path = tmp_path / name
    path.write_text(text)
    return give(store, look(path), How(**how)).contribution.id


def modes(slot):
    return from_texts(question_class("modes"), {"slot": [slot]})


def unasked(monkeypatch):
    """From now on an answer that is worked out is a failure."""
    monkeypatch.setattr(asking, "_finish", lambda q, pool: pytest.fail("worked out again"))


@pytest.mark.parametrize("name", QUESTIONS)
def test_a_kept_answer_is_what_would_be_worked_out_now(name, store, tmp_path):
    """After each of several changes, of its own records and of others: the kept answer is that of all there is."""
    q = from_texts(question_class(name), GIVEN.get(name, {}))

    def same():
        kept, fresh = plain(ask(q, store)), plain(ask(q, store, fresh=True))
        assert kept == fresh
        # the store gives it what it can rest on; with all the rest beside it says the same
        whole = plain(ask(q, read_pool(store, q.needs)))
        assert {**whole, "basis": 0} == {**kept, "basis": 0}

    ask(q, store)
    given(store, STANDS + "zeta,z1,switch,s,700\n", tmp_path, "a.csv")
    wear = "builder,module,slot,unit,shots,quantity,value\nzeta,z1,fuel,f,0,fuel_mass_mg,100\n"
    given(store, wear, tmp_path, "wear_z.csv")
    same()
    own = given(store, HEAD + "zeta,z2,main_capacitor,c,900,901\n", tmp_path, "b.csv")
    ask(q, store)
    store.box.decide(own, "withdrawn")
    same()


def test_what_an_answer_does_not_rest_on_leaves_it_kept(store, tmp_path, monkeypatch):
    q = modes("igniter")
    first = ask(q, store)
    given(store, STANDS + "zeta,z1,switch,s,700\n", tmp_path, "a.csv")
    with monkeypatch.context() as m:
        unasked(m)
        again = ask(q, store)
    assert again.modes == first.modes and again.basis.store != first.basis.store
    assert [c.used for c in again.basis.contributions][-1] is False
    given(store, HEAD + "zeta,z2,igniter,i,700,701\n", tmp_path, "b.csv")
    assert ask(q, store).n == first.n + 1


def test_other_builders_leave_a_builders_answer(store, tmp_path, monkeypatch):
    q = from_texts(question_class("modes"), {"builder": ["kite"], "slot": ["igniter"]})
    ask(q, store)
    given(store, HEAD + "zeta,z2,igniter,i,700,701\n", tmp_path)
    unasked(monkeypatch)
    ask(q, store)


def test_suspects_tie_the_slots_together(store, tmp_path):
    """One of two slots' units failed, nobody knows which: the other slot's records have a say in it."""
    text = (
        "builder,module,slot,unit,shots_good,shots_failed,event\n"
        "zeta,z1,switch,s,700,700,e1\nzeta,z1,igniter,i,700,700,e1\n"
    )
    given(store, text, tmp_path, "a.csv")
    key = look_up(modes("switch"), store).key
    given(store, HEAD + "yota,y1,converter,c,700,701\n", tmp_path, "b.csv")
    assert look_up(modes("switch"), store).key != key
    key = look_up(modes("fuel"), store).key
    given(store, HEAD + "yota,y1,converter,d,700,701\n", tmp_path, "c.csv")
    assert look_up(modes("fuel"), store).key == key


def test_the_outline_is_remembered_until_the_file_changes(store, tmp_path):
    outline(store.box)
    assert remembered(store.box) is not None
    store.box.keep_answer("k", "{}")
    assert remembered(store.box) is None
    n = len(outline(store.box).contributions)
    path = tmp_path / "o.csv"
    path.write_text(STANDS + "zeta,z1,switch,s,700\n")
    command = [
        sys.executable,
        "-m",
        "reliability.cli",
        "add",
        str(path),
        "--store",
        str(store.path),
    ]
    subprocess.run(command, check=True, capture_output=True)
    assert len(outline(store.box).contributions) == n + 1


def test_an_older_answer_while_what_it_rests_on_stands(store, tmp_path):
    q = modes("main_capacitor")
    before = ask(q, store)
    assert look_up(q, store).older is None
    new = given(store, HEAD + "zeta,z1,main_capacitor,c,900,901\n", tmp_path)
    older = look_up(q, store).older
    assert plain(older.answer) == plain(before) and older.since == 1
    assert older.made_at.endswith("Z")
    ask(q, store)
    assert look_up(q, store).older is None
    # what was taken back may have made it too good: nobody is shown an answer that rests on it
    store.box.decide(new, "withdrawn")
    given(store, HEAD + "zeta,z3,main_capacitor,d,900,901\n", tmp_path, "c.csv")
    found = look_up(q, store)
    assert not found.kept and found.older is None


def test_the_crew_shows_an_older_answer_and_works_on_the_new_one(store, tmp_path):
    q = question("modes")
    before = ask(q, store)
    given(store, HEAD + "zeta,z1,main_capacitor,c,900,901\n", tmp_path)
    crew = Crew(Rules(cores=1))
    try:
        older, how = crew.older(q, store, "ada")
        assert how is not None and older.answer.n == before.n
        # nobody waits, and yet it is worked out to its end
        assert crew.begin(q, store, "ada").wait(120)
        assert crew.ask(q, store, "ada").n == before.n + 1
        assert crew.older(q, store, "ada") is None
    finally:
        crew.close()
