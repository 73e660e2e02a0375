"""Screen-reader and keyboard use of every page: axe-core's rules (WCAG 2), links that keep filters.

Left out: the navigation's list markup and the drop zone's role, which are the framework's own.
"""

import pytest
from axe_playwright_python.sync_playwright import Axe

from reliability.store import Store
from reliability.store.demo import load_demo
from tests.browser.server import MARKS, answer, browsing, serving

pytestmark = MARKS
PAGES = [
    "", "guide", "life_curves", "failure_modes", "wear", "misfires", "derating", "flight", "campaign",
    "builders", "records",
]  # fmt: skip
THEIRS = {"exclude": [["[data-testid=stSidebarNav]"], ["[data-testid=stFileUploaderDropzone]"]]}


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("axe")
    load_demo(Store(folder / "s.duckdb"))
    with serving(folder) as base:
        yield base


@pytest.mark.parametrize("scheme, names", [("light", PAGES), ("dark", ["", "derating", "records"])])
def test_no_accessibility_fault(site, scheme, names):
    with browsing(viewport={"width": 1280, "height": 1000}, color_scheme=scheme) as page:
        found = []
        for name in names:
            page.goto(f"{site}/{name}")
            answer(page)
            page.wait_for_timeout(2500)
            for v in Axe().run(page, context=THEIRS).response["violations"]:
                found.append((name, v["id"], v["nodes"][0]["html"][:200]))
        assert not found


def test_narrow_screen_does_not_scroll_sideways(site):
    with browsing(viewport={"width": 390, "height": 844}) as page:
        for name in PAGES:
            page.goto(f"{site}/{name}")
            answer(page)
            page.wait_for_timeout(800)
            wide = page.evaluate(
                "() => { const m = document.querySelector('[data-testid=stMain]'); return m.scrollWidth - m.clientWidth }"
            )
            assert wide <= 1, name


def test_link_keeps_the_filters(site):
    with browsing() as page:
        page.goto(site)
        whole = answer(page)
        page.goto(site + "/?builder=kite")
        page.wait_for_function(
            "old => document.querySelector('h2') && document.querySelector('h2').innerText !== old",
            arg=whole,
        )
        assert page.get_by_text("kite", exact=True).count()
        assert "builder=kite" in page.url


# what is focused: its own label, and the text of the widget around it
FOCUSED = """() => {
  const e = document.activeElement, w = e.closest('[data-testid=stElementContainer]');
  return (e.getAttribute('aria-label') || '') + ' ' + (w ? w.innerText : '');
}"""


def test_filters_are_reached_by_keyboard(site):
    with browsing() as page:
        page.goto(site)
        answer(page)
        page.wait_for_selector("text=Confidence (one-sided)")
        page.wait_for_timeout(2000)
        labels = set()
        for _ in range(60):
            page.keyboard.press("Tab")
            labels.add(page.evaluate(FOCUSED))
            if page.evaluate("document.activeElement.closest('details:not([open])') != null"):
                page.keyboard.press("Enter")
        assert any("Builders" in x for x in labels)
        assert any("Confidence" in x for x in labels)


def test_names_from_outside_do_nothing(site, tmp_path):
    """HTML, markdown and formulas in a builder's code show as they are."""
    evil = tmp_path / "evil.csv"
    name = "<img src=x onerror=alert(1)>"
    evil.write_text(
        f'builder,module,slot,shots_good,note\n"{name}",![x](http://127.0.0.1:9/a.png),igniter,900,=1+1\n'
    )
    asked = []
    with browsing() as page:
        page.on("dialog", lambda d: asked.append("dialog"))
        page.on("request", lambda r: asked.append(r.url) if ":9/" in r.url else None)
        page.goto(site + "/records")
        page.wait_for_selector("input[type=file] >> nth=0", state="attached")
        page.set_input_files("input[type=file] >> nth=0", str(evil))
        page.get_by_role("button", name="Check and add").click()
        page.wait_for_selector("text=is stored as contribution")
        for place in ("builders", "records", "flight"):
            page.goto(f"{site}/{place}")
            answer(page)
            page.wait_for_timeout(1500)
    assert not asked
