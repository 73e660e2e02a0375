"""Each page by the framework's own test harness, from the entry point."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from reliability.ledger import checks
from reliability.sheets.life import read_life
from reliability.store import Store

ROOT = Path(__file__).parents[1]
PAGES = sorted(
    p.name
    for p in (ROOT / "dashboard").glob("*.py")
    if p.stem
    not in (
        "__init__",
        "app",
        "contributions",
        "controls",
        "door",
        "head",
        "keeping",
        "last_time",
        "look",
        "operating",
        "shared",
        "sign_in",
        "waiting",
        "helps",
        "words",
    )
)


@pytest.fixture(scope="module")
def demo_store(tmp_path_factory):
    path = tmp_path_factory.mktemp("dash") / "s.duckdb"
    for f in sorted((ROOT / "datasets" / "demo").glob("life_*.csv")):
        Store(path).add(read_life(f))
    return path


@pytest.mark.parametrize("name", PAGES)
def test_page_answers_in_one_sentence(name, demo_store, monkeypatch):
    monkeypatch.setenv("SHOTLIFE_STORE", str(demo_store))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120)
    app.run()
    app.switch_page(name).run()
    assert not app.exception
    assert any(m.value.startswith("## ") for m in app.markdown)


@pytest.mark.parametrize("name", PAGES)
def test_empty_store_teaches_what_to_do(name, tmp_path, monkeypatch):
    monkeypatch.setenv("SHOTLIFE_STORE", str(tmp_path / "none.duckdb"))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=60)
    app.run()
    app.switch_page(name).run()
    assert not app.exception
    texts = [x.value for x in (*app.info, *app.markdown)]
    assert any("life sheet" in t for t in texts)


WRONG = [
    ("flight.py", "module", "moss-99", "no module"),
    ("flight.py", "shots", "-5", "at least 1e-06"),
    ("derating.py", "shots", "-5", "above 0"),
    ("derating.py", "confidence", "2", "confidence"),
    ("my_module.py", "confidence", "high", "confidence"),
    ("my_module.py", "sloth", "x", "no setting"),
    ("life_curves.py", "family", "normal", "family is one of"),
    ("failure_modes.py", "fraction", "3", "fraction"),
    ("wear.py", "limit_factor", "0", "limit_factor"),
    ("misfires.py", "confidence", "1", "confidence"),
    ("builders.py", "fraction", "0", "fraction"),
    ("campaign.py", "demonstrate_shots", "many", "demonstrate_shots"),
    ("comparison.py", "by", "colour", "by is one of"),
    ("history.py", "module", "moss-99", "no module"),
    ("decisions.py", "slot", "igniter", "this page has none"),
    ("records.py", "slot", "igniter", "this page has none"),
    ("guide.py", "slot", "igniter", "this page has none"),
]


def test_every_page_has_a_wrong_link():
    assert {page for page, *_ in WRONG} == set(PAGES)


@pytest.mark.parametrize(("page", "name", "value", "words"), WRONG)
def test_wrong_links_are_refused_and_nothing_else_is_shown(
    page, name, value, words, demo_store, monkeypatch
):
    monkeypatch.setenv("SHOTLIFE_STORE", str(demo_store))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=60)
    app.query_params[name] = value  # as a link brings it: before any control is there
    if page != "my_module.py":
        app.switch_page(page)
    app.run()
    assert not app.exception
    assert any(words in e.value.replace("\\", "") for e in app.error)
    assert not any(m.value.startswith("## ") for m in app.markdown)


def test_a_builder_and_a_part_it_does_not_have(demo_store, monkeypatch):
    """Two clicks that leave no record are said in words."""
    monkeypatch.setenv("SHOTLIFE_STORE", str(demo_store))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=60)
    app.query_params["builder"] = "kite"
    app.query_params["part"] = "mica-c"
    app.run()
    assert not app.exception
    assert any("no record" in w.value.replace("\\", "") for w in app.warning)


def test_voltage_and_mission_go_along_to_the_next_page(demo_store, monkeypatch):
    """One operating point and one mission for the session, changed by the controls beside the picture."""
    from dashboard.words import plain_text
    from reliability.ask.asking import ask
    from reliability.ask.questions import question_class
    from reliability.ask.sources import Stored

    monkeypatch.setenv("SHOTLIFE_STORE", str(demo_store))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120).run()
    app.number_input(key="use_pairs_charge_V").set_value(1300.0).run()
    wanted = ask(question_class("module")(use=("charge_V=1300",)), Stored(demo_store))
    assert f"## {plain_text(wanted.sentence)}" in [m.value for m in app.markdown]
    app.radio(key="look").set_value("a module on record").run()
    app.selectbox(key="module").set_value("kite-01").run()
    app.number_input(key="shots").set_value(600.0).run()
    assert not app.exception
    given = {"module": "kite-01", "shots": 600, "use": ("charge_V=1300",), "brief": True}
    wanted = ask(question_class("flight")(**given), Stored(demo_store))
    assert f"## {plain_text(wanted.sentence)}" in [m.value for m in app.markdown]
    app.switch_page("flight.py").run()
    assert not app.exception
    assert f"## {plain_text(wanted.sentence)}" in [m.value for m in app.markdown]


def test_the_operating_point_goes_along_as_far_as_it_bears(demo_store, monkeypatch):
    """A slot whose records do not tell the voltage sets it aside in words; the next page has it again."""
    from dashboard.words import plain_text
    from reliability.ask.asking import ask
    from reliability.ask.questions import question_class
    from reliability.ask.sources import Stored

    monkeypatch.setenv("SHOTLIFE_STORE", str(demo_store))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120).run()
    app.number_input(key="use_pairs_charge_V").set_value(1300.0).run()
    app.switch_page("life_curves.py").run()

    def answered(name, **settings):
        wanted = ask(question_class(name)(**settings), Stored(demo_store))
        return f"## {plain_text(wanted.sentence)}" in [m.value for m in app.markdown]

    assert answered("life", slot=("main_capacitor",), use=("charge_V=1300",))
    app.selectbox(key="slot").set_value("igniter").run()
    assert answered("life", slot=("igniter",))
    assert any("charge\\_V=1300" in c.value for c in app.caption)
    app.switch_page("comparison.py").run()
    app.selectbox(key="slot").set_value("main_capacitor").run()
    assert answered("compare", slot=("main_capacitor",), use=("charge_V=1300",))
    assert not app.exception


def test_guide_works_outside_checks_out_again(demo_store, monkeypatch):
    """Asked for, every outside value stands beside ours, and none disagrees."""
    monkeypatch.setenv("SHOTLIFE_STORE", str(demo_store))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120).run()
    app.switch_page("guide.py").run()
    assert not app.dataframe
    app.toggle(key="outside_checks").set_value(True).run()
    table = app.dataframe[0].value
    assert len(table) == len(checks()) and table.agrees.all()
    assert any(f"{len(checks())} agree, 0 disagree" in m.value for m in app.markdown)


def test_words_at_hand_are_those_of_the_glossary(demo_store, monkeypatch):
    """One source: pages, help of controls and heads of tables name words that it has; a page shows its own."""
    from dashboard.words import GLOSSARY, HELP, OF_COLUMN, OF_SETTING, TERMS

    assert set(TERMS) == set(HELP)
    assert {*OF_COLUMN.values(), *OF_SETTING.values(), *(w for words in TERMS.values() for w in words)} <= set(GLOSSARY)  # fmt: skip
    monkeypatch.setenv("SHOTLIFE_STORE", str(demo_store))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120)
    app.switch_page("records.py").run()
    said = [m.value for m in app.markdown]
    assert all(
        any(f"**{word}**" in m for m in said) for word in ("still good", "found failed", "stretch")
    )


def test_choose_between_offers_what_there_are_two_of(demo_store, monkeypatch):
    """Another slot: what is then offered first is what its records have two of."""
    monkeypatch.setenv("SHOTLIFE_STORE", str(demo_store))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120)
    app.switch_page("comparison.py").run()
    assert app.selectbox(key="by").value == "part"
    app.selectbox(key="slot").set_value("igniter").run()
    assert app.selectbox(key="by").value == "builder"
    assert not app.exception and not any("not two to compare" in w.value for w in app.warning)


def test_the_guide_says_how_far_promises_were_kept_as_the_readme_has_it(demo_store, monkeypatch):
    """The README's tables are what the simulations printed."""
    monkeypatch.setenv("SHOTLIFE_STORE", str(demo_store))
    monkeypatch.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120)
    app.switch_page("guide.py").run()
    (table,) = [t.value for t in app.table if "median length" in t.value]
    cases = (
        "A: four",
        "H1: four",
        "H3: seven",
        "cooler, two voltages |",
        "two modes, wear late",
        "infants 12 % |",
    )
    lines = (ROOT / "README.md").read_text().splitlines()
    for case, kept, length in zip(cases, table["true"], table["median length"], strict=True):
        (row,) = [x.split("|")[2:4] for x in lines if x.startswith(f"| {case}")]
        assert kept == f"{float(row[0].split()[0]):g} %" and length == row[1].strip(), case
