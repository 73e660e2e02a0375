"""Links to pages: every setting in an address counts, or is refused in words and nothing else is shown.

common practice, no source.
"""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.words import plain_text
from reliability.ask.asking import ask
from reliability.ask.giving import give, look
from reliability.ask.questions import question_class
from reliability.ask.sources import Stored
from reliability.ask.texts import from_texts

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    out = Stored(tmp_path_factory.mktemp("links") / "s.duckdb")
    for name in ("life_kite", "life_lynx", "wear"):
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
