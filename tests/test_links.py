"""Links to pages: every setting in an address counts, or is refused in words and nothing else is shown.

common practice, no source.
"""

import re
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.words import plain_text
from reliability.ask.asking import ask
from reliability.ask.giving import give, look
from reliability.ask.questions import question_class
from reliability.ask.sources import Stored
from reliability.ask.texts import from_texts
from tests.wrong_links import QUESTIONS, address, links, refused_at_once

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    out = Stored(tmp_path_factory.mktemp("links") / "s.duckdb")
    for name in ("life_kite", "life_lynx", "wear", "misfires"):
        give(out, look(ROOT / "datasets" / "demo" / f"{name}.csv"))
    return out


def page(store, monkeypatch, name, **address):
    monkeypatch.setenv("SHOTLIFE_STORE", str(store.path))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120)
    for key, values in address.items():
        app.query_params[key] = values
    if name != "my_module.py":
        app.switch_page(name)
    app.run()
    assert not app.exception
    return app


@pytest.mark.parametrize(
    ("name", "question", "address"),
    [
        ("my_module.py", "module", {"where": ["charge_V=1400"], "confidence": ["0.93"], "at": ["500"]}),
        ("my_module.py", "module", {"units": ["igniter=4"], "seed": ["5"]}),
        ("derating.py", "derate_mission", {"slot": ["main_capacitor"], "delta_v": ["0.001"], "mass": ["1"], "impulse": ["0.65@1"]}),
        ("flight.py", "flight", {"module": ["kite-01"], "delta_v": ["0.001"], "mass": ["2"], "impulse_bit": ["0.65"]}),
        ("derating.py", "derate", {"slot": ["main_capacitor"], "shots": ["800"], "bound": ["likelihood"], "family": ["lognormal"]}),
        ("derating.py", "derate", {"slot": ["main_capacitor"], "shots": ["800"], "bound": ["likelihood"], "series": ["2"], "unequal": ["0.1"]}),
        ("flight.py", "flight", {"module": ["kite-01"], "days": ["0.01"], "duty": ["0.5"]}),
        ("flight.py", "flight", {"module": ["kite-01"], "total_impulse": ["0.001"], "impulse_bit": ["0.7"], "brief": ["true"]}),
        ("life_curves.py", "life", {"slot": ["igniter"], "fraction": ["0.2"], "next": ["3"], "keep": ["2"]}),
    ],
)  # fmt: skip
def test_every_setting_of_a_link_counts(store, monkeypatch, name, question, address):
    wanted = ask(from_texts(question_class(question), address), store)
    app = page(store, monkeypatch, name, **address)
    assert f"## {plain_text(wanted.sentence)}" in [m.value for m in app.markdown]


@pytest.mark.parametrize(
    ("name", "address", "words"),
    [
        ("derating.py", {"slot": ["nobody"]}, "there is no slot"),
        ("derating.py", {"shots": ["-5"]}, "shots is"),
        ("my_module.py", {"builder": ["kite", "nobody"]}, "there is no builder"),
        ("my_module.py", {"nothing": ["1"]}, "no setting"),
        ("flight.py", {"module": ["moss-99"]}, "there is no module"),
        ("flight.py", {"module": ["kite-01"], "shots": ["500"], "days": ["3"]}, "more than once"),
        ("flight.py", {"mission": ["years"]}, "mission is one of"),
        ("wear.py", {"quantity": ["nope"]}, "there is no quantity"),
        ("campaign.py", {"kind": ["nonsense"]}, "kind is one of"),
        ("campaign.py", {"demonstrate_shots": ["500"], "accelerate_to": ["1200"]}, "two plans"),
        ("life_curves.py", {"confidence": ["nan"]}, "confidence is"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_said_and_nothing_else_shown(
    store, monkeypatch, name, address, words
):
    app = page(store, monkeypatch, name, **address)
    assert len(app.error) == 1 and words in app.error[0].value
    assert not [m.value for m in app.markdown if m.value.startswith("## ")]


def let_pass():
    """Settings whose wrong values are seen only once the records are there: one kind of wrong for each, in turn."""
    found = {}
    for page_, question, name, what, texts in links():
        if not refused_at_once(page_, name, texts):
            found.setdefault((page_, name), []).append((question, what, texts))
    return [(*key, *kinds[i % len(kinds)]) for i, (key, kinds) in enumerate(sorted(found.items()))]


def test_every_page_with_a_question_is_here():
    here = {
        p.name
        for p in (ROOT / "dashboard").glob("*.py")
        if "=built(c," in re.sub(r"\s", "", p.read_text())
    }
    assert here == set(QUESTIONS)


def test_wrong_values_of_every_setting_are_refused_by_name():
    """Before anything of the page is shown; what needs the records to be judged is tried below."""
    passed = {(page_, name) for page_, _, name, _, texts in links() if not refused_at_once(page_, name, texts)}  # fmt: skip
    assert {name for _, name in passed} <= {
        "builder", "part", "slot", "module", "mode", "unit", "quantity", "where", "leg", "prior", "first", "second", "use", "units",
    }  # fmt: skip
    for page_, question, name, what, texts in links():
        said = refused_at_once(page_, name, texts).replace("\\", "")
        assert not said or name in said, (page_, question, name, what, said)
        assert said.isprintable(), (page_, question, name, what)


@pytest.mark.parametrize(("name", "setting", "question", "what", "texts"), let_pass())
def test_wrong_values_that_the_records_tell_show_nothing(
    store, monkeypatch, name, setting, question, what, texts
):
    app = page(store, monkeypatch, name, **address(name, question, setting, texts))
    said = [m.value for m in (*app.error, *app.warning)]
    assert said and all(t.isprintable() for t in said)
    assert not app.dataframe and not app.get("vega_lite_chart")
    assert not any(c.isdigit() for m in app.markdown if m.value.startswith("## ") for c in m.value)


@pytest.mark.parametrize(
    ("name", "address", "words"),
    [
        ("my_module.py", {"use": ["charge_V=abc"]}, "charge_V is a number"),
        ("my_module.py", {"use": ["charge_V=nan"]}, "charge_V is a number"),
        ("my_module.py", {"use": ["part=zz"]}, "part zz was tested in no slot"),
        ("derating.py", {"use": ["nope=3"]}, "use nope has no effect"),
        ("flight.py", {"module": ["kite-01"], "shots": ["500"], "use": ["charge_V=-3"]}, "charge_V is a number"),
        ("life_curves.py", {"slot": ["igniter"], "keep": ["2"]}, "it goes with next"),
    ],
)  # fmt: skip
def test_what_does_not_go_together_is_said(store, monkeypatch, name, address, words):
    app = page(store, monkeypatch, name, **address)
    assert any(words in w.value.replace("\\", "") for w in app.warning)


def test_another_way_to_state_the_mission_forgets_the_first(store, monkeypatch):
    app = page(store, monkeypatch, "flight.py", module=["kite-01"], shots=["500"])
    app.radio(key="mission").set_value("days").run()
    assert not app.exception and not app.error and not app.warning
    assert any("mission of 28,800" in m.value for m in app.markdown)


def test_what_is_typed_wrong_leaves_the_controls(store, monkeypatch):
    """A text control writes into the address too: what it holds is refused beside it, and can be mended."""
    app = page(store, monkeypatch, "derating.py")
    for text in ("zz", "charge_V=", "zz"):
        app.text_input(key="use").set_value(text).run()
        assert not app.error and app.text_input(key="use").value == text
        assert any("cannot read use" in w.value for w in app.warning)
    app.text_input(key="use").set_value("").run()
    assert not app.error and not app.warning


def test_another_plan_does_not_take_over_the_units(store, monkeypatch):
    app = page(store, monkeypatch, "campaign.py", kind=["accelerate"])
    assert app.number_input(key="units").value == 12
    app.radio(key="kind").set_value("next_test").run()
    assert not app.exception and app.number_input(key="units").value is None


def test_a_page_holds_what_was_chosen_on_others_only_where_it_is_its_own(store, monkeypatch):
    """One slot, confidence and mission of the session; days of a mission are no days on the bench, nor a slot several.

    An address that another kind of control wrote, such as slot=[], could not be opened again.
    """
    app = page(store, monkeypatch, "derating.py")
    app.selectbox(key="slot").set_value("igniter")
    app.select_slider(key="confidence").set_value(0.9)
    app.number_input(key="shots").set_value(2000.0).run()
    held = {
        "my_module.py": ("multiselect", "slot", []),
        "failure_modes.py": ("selectbox", "slot", "igniter"),
        "flight.py": ("number_input", "shots", 2000.0),
        "campaign.py": ("number_input", "days", None),
    }
    for name, (kind, key, value) in held.items():
        app.switch_page(name).run()
        assert not app.exception and not app.error
        assert getattr(app, kind)(key=key).value == value, name
        assert app.select_slider(key="confidence").value == 0.9
        assert app.query_params.get("slot", "igniter") == "igniter"
        if name == "flight.py":
            app.radio(key="mission").set_value("days").run()
            app.number_input(key="days").set_value(3.0).run()
    app.switch_page("derating.py").run()
    assert app.selectbox(key="slot").value == "igniter"


def test_the_address_says_which_plan_is_shown(store, monkeypatch):
    app = page(store, monkeypatch, "campaign.py", kind=["accelerate"])
    for kind in ("demonstrate", "next_test"):
        app.radio(key="kind").set_value(kind).run()
        assert not app.exception and not app.error
        assert app.query_params.get("kind", "next_test") == kind
    app.switch_page("derating.py").run()
    assert app.radio(key="kind").value == "shots" and "kind" not in app.query_params
