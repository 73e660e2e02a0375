"""Every control of every page in a real browser: what the page says after a change is what the library answers.

Here one control of each kind on each page; all of them by ``python -m tests.benchmarks.controls``.
"""

import re

import pytest

from reliability.ask.giving import give, look
from reliability.ask.questions import question_class
from reliability.ask.sources import Stored
from tests.browser.changes import BY_LINK, NO_QUESTION, VIEWS, page_of, touched
from tests.browser.changing import (
    changed,
    controls,
    nonsense,
    opened,
    outcome,
    put,
    question_of,
    seen,
    settings_of,
)
from tests.browser.server import MARKS, ROOT, browsing, serving

pytestmark = MARKS
SHEETS = ("life_*.csv", "wear.csv", "misfires.csv", "ignition.csv")


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """The invented demo, whole."""
    out = Stored(tmp_path_factory.mktemp("controls") / "s.duckdb")
    for pattern in SHEETS:
        for path in sorted((ROOT / "datasets" / "demo").glob(pattern)):
            give(out, look(path))
    return out


@pytest.fixture(scope="module")
def server(store):
    with serving(store.path.parent) as base:
        yield base


@pytest.fixture(scope="module")
def page(server):
    with browsing(viewport={"width": 1280, "height": 900}) as page:
        yield page


def test_every_page_is_here():
    """Pages of the navigation, by name in the address: the first has none."""
    pages = set(re.findall(r'st\.Page\("(\w+)\.py"', (ROOT / "dashboard" / "app.py").read_text()))
    tried = {page_of(v) or "my_module" for v in VIEWS.values()}
    assert pages == tried | set(NO_QUESTION)


@pytest.mark.parametrize("name", sorted({v.question for v in VIEWS.values()}))
def test_every_setting_has_a_control_or_is_said_by_a_link(name):
    settings = set(question_class(name).settings())
    assert touched(name) | BY_LINK[name] == settings
    assert not touched(name) & BY_LINK[name]


def of_each_kind(found, view, seen):
    """The first control of each kind that the page has not been tried with."""
    for name, kind in found.items():
        if name in view.changes and kind not in seen:
            seen.add(kind)
            yield name


def together(store, view, name, so_far):
    """Whether a control can be changed after others, without opening the page anew, and the change still be seen."""
    change = view.changes[name]
    if so_far is None or change.beside or set(settings_of(change, name)) & set(so_far):
        return False
    if change.leads:
        return not so_far
    before = outcome(question_of(view, so_far=so_far), store)
    wanted = outcome(question_of(view, change, name, so_far), store)
    return wanted.answer is not None and seen(change, before, wanted)


def elsewhere(view):
    """Controls of the same page and question that another view tries."""
    return {
        name
        for v in VIEWS.values()
        if (v.question, page_of(v)) == (view.question, page_of(view))
        for name in v.changes
    }


@pytest.mark.parametrize("name", sorted({page_of(v) for v in VIEWS.values()}))
def test_a_control_of_each_kind_changes_the_answer(name, page, server, store):
    tried, there, faults = set(), set(), {}
    for title, view in VIEWS.items():
        if page_of(view) != name or set(view.changes) <= there:
            continue
        opened(page, server, view)
        found = controls(page)
        there |= set(found)
        assert set(found) <= elsewhere(view), f"{title}: not tried"
        assert {k for k, c in view.changes.items() if not c.beside} <= set(found), title
        fields = {kind: k for k, kind in reversed(found.items())}
        so_far = {}  # None where another view has come
        leading_first = sorted(of_each_kind(found, view, tried), key=lambda k: not view.changes[k].leads)  # fmt: skip
        for control in leading_first:
            change = view.changes[control]
            if not together(store, view, control, so_far):
                opened(page, server, view, change)
                so_far = dict(change.beside)
            faults[f"{title}: {control}"] = changed(page, store, view, control, so_far)
            so_far = None if change.leads else {**so_far, **settings_of(change, control), **change.page}  # fmt: skip
        if so_far is None:
            opened(page, server, view)
        for kind, typed in (("number", "-1e30"), ("text", "zz")):
            if kind in fields and typed not in tried:
                tried.add(typed)
                faults[f"{title}: {fields[kind]} {typed}"] = nonsense(page, fields[kind], typed)
                put(page, fields[kind], kind, "")
    assert not {k: v for k, v in faults.items() if v}


def test_what_is_no_number_hides_the_old_answer(page, server):
    """In an empty field the browser keeps what it cannot read, and passes nothing on."""
    opened(page, server, VIEWS["derating"])
    assert not nonsense(page, "rated_v", "1e", "Tab")
