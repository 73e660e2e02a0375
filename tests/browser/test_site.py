"""The static site opened from disk in Chromium with the network off: figures drawn, axe clean, narrow."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.browser.server import MARKS, browsing
from tests.command import run

pytestmark = MARKS


FIGURES = {"module": 2, "life": 2, "modes": 1, "derating": 2, "wear": 2, "misfires": 2, "builders": 3, "next-test": 1, "flight-1": 2}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The invented demo community, published as a user does."""
    where = tmp_path_factory.mktemp("site")
    run("demo", store=where / "s.duckdb")
    run("publish", where / "public", "--ask", "flight --module kite-01 --shots 500 --brief", "--with-published", store=where / "s.duckdb")  # fmt: skip
    return where / "public"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_page_opens_from_disk_without_network(folder, scheme):
    with browsing(
        color_scheme=scheme, offline=True, viewport={"width": 1200, "height": 900}
    ) as page:
        wrong = []
        page.on("pageerror", lambda e: wrong.append(str(e)))
        page.on("request", lambda r: wrong.append(r.url) if not r.url.startswith("file:") else None)
        for file in sorted(folder.glob("*.html")):
            page.goto(file.as_uri())
            figures = page.locator("[data-figure]").count()
            assert figures == FIGURES.get(file.stem, 0), file.stem
            for i in range(figures):
                drawn = page.locator("[data-figure]").nth(i)
                drawn.locator("xpath=self::*[@data-drawn='yes']").wait_for()
                assert drawn.locator("svg.marks").bounding_box()["height"] > 80
                assert drawn.locator("svg.marks path").count() > 3
            for v in Axe().run(page).response["violations"]:
                wrong.append((file.name, v["id"], v["nodes"][0]["html"][:200]))
        assert not wrong


CUT = """() => [...document.querySelectorAll('[data-figure]')].flatMap(figure => {
  const box = figure.querySelector('svg.marks').getBoundingClientRect();
  return [...figure.querySelectorAll('svg.marks text')]
    .map(t => [t.textContent, t.getBoundingClientRect()])
    .filter(([text, b]) => text && b.width && (b.right > box.right + 1 || b.left < box.left - 1))
    .map(([text]) => text);
})"""
"""texts of figures that stand out of them: keys, axis titles, numbers at marks"""


@pytest.mark.parametrize("width", [360, 768])
def test_narrow_pages_do_not_scroll_sideways_and_cut_no_text(folder, width):
    with browsing(offline=True, viewport={"width": width, "height": 800}) as page:
        for file in sorted(folder.glob("*.html")):
            page.goto(file.as_uri())
            for i in range(page.locator("[data-figure]").count()):
                page.locator("[data-figure][data-drawn='yes']").nth(i).wait_for()
            wide = page.evaluate(
                "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
            )
            assert wide <= 1, file.name
            assert page.evaluate(CUT) == [], file.name
