"""Each page by the framework's own test harness, from the entry point."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from reliability.sheets.life import read_life
from reliability.store import Store

ROOT = Path(__file__).parents[1]
PAGES = sorted(
    p.name
    for p in (ROOT / "dashboard").glob("*.py")
    if p.stem not in ("__init__", "app", "shared", "sign_in", "words")
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
