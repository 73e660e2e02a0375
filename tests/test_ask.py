"""One question, one answer: the same numbers through library, command line, API and page, for each question.

The cases are made from the list of questions, so that a new one is covered without a new test.
"""

import json
import math
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient
from streamlit.testing.v1 import AppTest

import reliability
from reliability.api.routes import api_routes
from reliability.ask import asking
from reliability.ask.asking import ask
from reliability.ask.giving import How, give, look
from reliability.ask.plain import from_text, plain, to_text
from reliability.ask.questions import QUESTIONS, question_class
from reliability.ask.sources import Files, Stored, read_pool
from reliability.ask.texts import again, from_texts, to_texts
from reliability.decisions.question import core
from reliability.notes import BadInput, CannotAnswer
from tests.command import run

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "datasets" / "demo"
# settings that have no default, and choices that keep a case short
GIVEN = {
    "flight": {"module": ["kite-01"], "shots": ["500"]},
    "module": {"builder": ["kite"], "slot": ["igniter", "main_capacitor"]},
    "derate": {"slot": ["main_capacitor"], "shots": ["800"], "bound": ["likelihood"]},
    "derate_mission": {
        "slot": ["main_capacitor"],
        "builder": ["lynx"],
        "total_impulse": ["0.001"],
        "capacitors": ["2"],
    },
    "derate_parts": {"slot": ["main_capacitor"], "shots": ["800"], "bound": ["likelihood"]},
    "demonstrate": {"demonstrate_shots": ["400"], "slot": ["main_capacitor"]},
    "next_test": {"builder": ["kite"], "slot": ["igniter", "main_capacitor"]},
    "progress": {"demonstrate_shots": ["400"], "slot": ["main_capacitor"]},
    "narrow": {"within_factor": ["3"], "slot": ["main_capacitor"], "where": ["charge_V=1400"]},
    "accelerate": {"accelerate_to": ["1150"], "slot": ["main_capacitor"]},
    "builders": {"slot": ["main_capacitor"]},
    "compare": {"slot": ["main_capacitor"], "by": ["builder"]},
    "life": {"slot": ["main_capacitor"], "at": ["500"]},
    "modes": {"slot": ["main_capacitor"]},
    "history": {"unit": ["kite/kite-03/main_capacitor/mai3"]},
}
PAGES = {
    "life": "life_curves.py", "modes": "failure_modes.py", "module": "my_module.py", "flight": "flight.py",
    "derate": "derating.py", "derate_mission": "derating.py", "wear": "wear.py", "history": "history.py", "misfires": "misfires.py", "builders": "builders.py",
    "compare": "comparison.py",
    "next_test": "campaign.py", "demonstrate": "campaign.py", "accelerate": "campaign.py",
}  # fmt: skip


KINDS = {
    "next_test": "next_test",
    "demonstrate": "demonstrate",
    "accelerate": "accelerate",
    "derate_mission": "mission",
}


def question(name):
    return from_texts(question_class(name), GIVEN.get(name, {}))


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Two builders, the sheets of other kinds, and a builder whose contribution waits."""
    folder = tmp_path_factory.mktemp("ask")
    out = Stored(folder / "s.duckdb")
    for name in ("life_kite", "life_lynx", "wear", "misfires", "ignition"):
        give(out, look(DEMO / f"{name}.csv"))
    # in no answer: a shell that counted it would say other numbers
    waits = folder / "waits.csv"
    waits.write_text((DEMO / "life_kite.csv").read_text().replace("kite", "waiting"))
    give(out, look(waits), How(status="received"))
    return out


@pytest.fixture(scope="module")
def answers(store):
    return {name: json.loads(json.dumps(plain(ask(question(name), store)))) for name in QUESTIONS}


def command_of(name):
    """The words of the command line that ask the question."""
    import shlex

    return shlex.split(again(question(name)))[1:]


@pytest.mark.parametrize("name", list(QUESTIONS))
def test_command_line_gives_the_same(name, store, answers):
    words = command_of(name)
    if name == "derate_parts":
        words = ["derate", "--compare", *words[1:]]
    out = run(*words, "--json", "--fresh", store=store.path)
    assert json.loads(out.stdout) == answers[name]


@pytest.mark.parametrize("name", list(QUESTIONS))
def test_api_gives_the_same(name, store, answers):
    client = TestClient(Starlette(routes=api_routes(store)))
    got = client.get(f"/api/v1/{name}", params=to_texts(question(name)))
    assert got.status_code == 200, got.text
    assert got.json() == answers[name]


@pytest.mark.parametrize("name", list(PAGES))
def test_page_gives_the_same(name, store, answers, monkeypatch):
    """The page's sentence is the answer's, and it shows the command that asks the same."""
    monkeypatch.setenv("SHOTLIFE_STORE", str(store.path))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120)
    for key, values in to_texts(question(name)).items():
        app.query_params[key] = values
    if name in KINDS:
        app.query_params["kind"] = KINDS[name]
    if PAGES[name] != "my_module.py":
        app.switch_page(PAGES[name])
    app.run()
    assert not app.exception
    from dashboard.words import plain_text

    assert f"## {plain_text(answers[name]['sentence'])}" in [m.value for m in app.markdown]
    assert any(c.value.startswith("shotlife ") for c in app.code)


def test_files_give_the_same_as_a_store(store):
    files = Files(tuple(DEMO / f"{n}.csv" for n in ("life_kite", "life_lynx", "wear")))
    q = question("flight")
    a, b = plain(ask(q, files)), plain(ask(q, store))
    for answer in (a, b):
        answer.pop("basis")
    assert a == b


@pytest.mark.parametrize("name", list(QUESTIONS))
def test_answers_are_kept_and_read_back_exactly(name, store, monkeypatch):
    q = question(name)
    first = ask(q, store)
    assert repr(from_text(type(first), to_text(first))) == repr(first)
    monkeypatch.setattr(type(q), "answer", lambda self, pool: pytest.fail("worked out again"))
    assert repr(ask(q, store)) == repr(first)


def test_what_waits_changes_nothing(store, tmp_path, monkeypatch):
    """A waiting upload leaves the kept answers; an accepted one of another kind only its own questions."""
    q = question("modes")
    ask(q, store)
    sheet = tmp_path / "x.csv"
    sheet.write_text("builder,module,slot,shots_good\nzeta,z1,main_capacitor,500\n")
    taken = give(store, look(sheet), How(status="received"))
    wear = tmp_path / "w.csv"
    wear.write_text(
        "builder,module,slot,unit,shots,quantity,value\nzeta,z1,fuel,f,0,fuel_mass_mg,100\n"
    )
    give(store, look(wear))
    monkeypatch.setattr(type(q), "answer", lambda self, pool: pytest.fail("worked out again"))
    ask(q, store)
    monkeypatch.undo()
    store.box.decide(taken.contribution.id, "accepted")
    seen = []
    monkeypatch.setattr(asking, "_finish", lambda q, pool: seen.append(q) or _raise())
    with pytest.raises(CannotAnswer):
        ask(q, store)
    assert seen


def _raise():
    raise CannotAnswer("worked out")


def test_kept_answers_are_bounded(store, monkeypatch):
    monkeypatch.setattr("reliability.store.store.MOST_KEPT", 3)
    for i in range(6):
        store.box.keep_answer(f"k{i}", "{}")
    with store.box.reading() as r:
        assert [r.kept_answer(f"k{i}") is not None for i in range(6)] == [False] * 3 + [True] * 3


def test_refusals_are_kept_with_their_partial_answer(store):
    q = from_texts(question_class("life"), {"slot": ["fuel"]})
    for _ in range(2):
        with pytest.raises(CannotAnswer, match="No unit has failed") as e:
            ask(q, store)
        assert e.value.partial.quantiles[0].lower > 0 and e.value.partial.asked["slot"] == ["fuel"]


def test_a_correction_of_any_kind_supersedes(tmp_path):
    """Readings of a corrected wear sheet are not added to what it corrects."""
    to = Stored(tmp_path / "s.duckdb")
    text = (DEMO / "wear.csv").read_text()
    old = give(to, look(DEMO / "wear.csv"))
    better = tmp_path / "wear.csv"
    better.write_text(text.replace("100.", "101."))
    give(to, look(better), How(supersedes=(old.contribution.id,)))
    assert len(read_pool(to).readings) == len(text.splitlines()) - 1


@pytest.mark.parametrize("name", list(QUESTIONS))
def test_every_setting_is_refused_in_words(name):
    """A wrong value of each setting: its name, and what is allowed."""
    cls = question_class(name)
    for key, schema in cls.settings().items():
        kind = core(schema)
        wrong = (
            "x y" if kind.get("type") in ("number", "integer", "boolean") or "enum" in kind else " "
        )
        with pytest.raises(BadInput, match=key):
            from_texts(cls, {**GIVEN.get(name, {}), key: [wrong]})
    with pytest.raises(BadInput, match="no setting 'sloth'"):
        from_texts(cls, {"sloth": ["x"]})


@pytest.mark.parametrize("name", list(QUESTIONS))
def test_texts_and_back(name):
    q = question(name)
    assert from_texts(type(q), to_texts(q)) == q
    assert type(q)(**{k: v for k, v in q.asked().items() if k != "question"}) == q


OTHER = {
    "family": "lognormal", "confidence": 0.8, "survival": 0.8, "fraction": 0.3, "shots": 650.0, "seed": 7,
    "bound": "wald", "shape": 2.0, "rate_hz": 0.5, "stands": 3, "unit_cost": 9.0, "day_cost": 7.0,
}  # fmt: skip


@pytest.mark.parametrize(
    "name",
    [
        "life",
        "modes",
        "flight",
        "derate",
        "builders",
        "wear",
        "next_test",
        "demonstrate",
        "progress",
    ],
)
def test_no_setting_is_ignored(name, store, answers):
    """Another value of a setting changes the answer (a seed at least of what is simulated), or is refused."""
    cls, same = question_class(name), []
    for key in cls.settings():
        if key not in OTHER or key == "seed":
            continue
        value = "likelihood" if (name, key) == ("modes", "bound") else OTHER[key]
        if name == "modes" and key == "bound":
            value = "calibrated"
        given = {**question(name).model_dump(), key: value}
        try:
            got = plain(ask(cls(**given), store))
        except (BadInput, CannotAnswer):
            continue
        got.pop("asked")
        if json.loads(json.dumps(got)) == {k: v for k, v in answers[name].items() if k != "asked"}:
            same.append(key)
    assert not same, f"no effect: {same}"


def test_public_names_are_there():
    for name in reliability.__all__:
        assert getattr(reliability, name) is not None
    with pytest.raises(AttributeError, match="no public name"):
        reliability.fit_life  # noqa: B018


def test_numbers_of_an_answer_are_plain(store):
    """No array, no nan in the JSON; the sentence first."""
    out = plain(ask(question("life"), store))
    assert next(iter(out)) == "sentence"
    text = json.dumps(out, allow_nan=False)
    assert json.loads(text)["shape"] == out["shape"] and math.isfinite(out["shape"])


def test_the_order_of_files_and_a_file_named_twice_change_nothing():
    files = [DEMO / f"life_{b}.csv" for b in ("kite", "lynx")]
    q = from_texts(question_class("life"), {"slot": ["main_capacitor"]})
    first = plain(ask(q, files))
    for order in (files[::-1], [*files, files[0]]):
        again_asked = plain(ask(q, order))
        assert {k: v for k, v in again_asked.items() if k not in ("basis", "notes")} == {
            k: v for k, v in first.items() if k not in ("basis", "notes")
        }
    assert "same_file" in [n["code"] for n in again_asked["notes"]]


def test_an_unreadable_kept_answer_is_worked_out_anew(tmp_path):
    box = Stored(tmp_path / "s.duckdb")
    give(box, look(DEMO / "life_kite.csv"))
    q = question("modes")
    first = repr(ask(q, box))
    import duckdb

    for bad in ("x", "{}", "[1]", '{"answer": "[]"}', '{"cannot": null}'):
        with duckdb.connect(str(box.path)) as c:
            c.execute("UPDATE kept_answer SET answer = ?", [bad])
        assert repr(ask(q, box)) == first


def test_a_waiting_correction_leaves_what_it_corrects(tmp_path):
    box = Stored(tmp_path / "s.duckdb")
    old = give(box, look(DEMO / "life_kite.csv")).contribution.id
    before = ask(question("modes"), box).n
    half = tmp_path / "half.csv"
    half.write_text("".join((DEMO / "life_kite.csv").read_text().splitlines(True)[:40]))
    new = give(box, look(half), How(status="received", supersedes=(old,))).contribution.id
    assert ask(question("modes"), box).n == before
    box.box.decide(new, "accepted")
    assert ask(question("modes"), box).n < before


def test_a_note_on_waiting_data_goes_with_it(tmp_path):
    box = Stored(tmp_path / "s.duckdb")
    give(box, look(DEMO / "life_lynx.csv"))
    new = give(box, look(DEMO / "life_kite.csv"), How(status="received")).contribution.id
    q = from_texts(question_class("modes"), {"slot": ["main_capacitor"], "received": ["true"]})

    def codes():
        return [n.code for n in ask(q, box).notes]

    assert "unverified_contribution" in codes()
    box.box.decide(new, "accepted")
    assert "unverified_contribution" not in codes()
    give(box, look(DEMO / "wear.csv"), How(status="received"))
    assert "unverified_contribution" not in codes()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["module", "--use", "charge_V=nan"], "charge_V is a number"),
        (["module", "--use", "charge_V=abc"], "charge_V is a number"),
        (["module", "--use", "charge_V=1200", "--use", "charge_V=1300"], "twice"),
        (["module", "--units", "igniter=1.5"], "whole number"),
        (["module", "--confidence", "0.9", "--confidence", "0.8"], "once is allowed"),
        (["derate", "--slot", "main_capacitor", "--shots", "800", "--use", "nope=1"], "no effect"),
        (["derate", "--slot", "main_capacitor", "--shots", "800", "--use", "charge_V=1"], "no effect"),
        (["modes", "--seed", "3"], "no effect"),
        (["life", "--next", "100000000"], "at most 1000"),
        (["flight", "--module", "kite-01", "--shots", "5", "--remark", "why"], "it goes with --keep-as"),
        (["flight", "--module", "kite-01", "--shots", "5", "--brief", "--rate-hz", "9"], "no effect"),
    ],
)  # fmt: skip
def test_what_would_be_ignored_is_refused(words, says, store):
    assert says in run(*words, store=store.path, code=2).stderr


def test_a_part_that_nobody_tested_is_not_carried(store):
    out = run("module", "--use", "part=zz", "--json", store=store.path, code=3)
    said = json.loads(out.stdout)
    assert "part zz was tested in no slot" in said["sentence"]
    assert said["basis"]["store"] and said["confidence"] == 0.95
    client = TestClient(Starlette(routes=api_routes(store)))
    got = client.get("/api/v1/module", params={"use": "part=zz"})
    assert got.status_code == 422 and got.json()["asked"]["use"] == ["part=zz"]
    assert client.get("/api/v1/nope").status_code == 404


def test_the_command_names_the_store_a_shell_would_not_take_by_itself(store, monkeypatch):
    monkeypatch.setenv("SHOTLIFE_STORE", str(store.path))
    assert f"--store {store.path}" in again(question("module"), Stored.default())
