"""The static site opened from disk in Chromium with the network off: figures drawn, axe clean, narrow."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from reliability.publish import site, write_site
from tests.browser.server import MARKS, browsing
from tests.test_publish import ABOUT, pages

pytestmark = MARKS


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("site")
    write_site(site(pages(), ABOUT), where)
    return where


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
            for i in range(figures):
                page.locator("[data-drawn=yes]").nth(i).wait_for()
            assert figures == (file.name == "life.html")
            if figures:
                assert page.locator("[data-drawn=yes] svg.marks path").count() > 3
            for v in Axe().run(page).response["violations"]:
                wrong.append((file.name, v["id"], v["nodes"][0]["html"][:200]))
        assert not wrong


def test_narrow_pages_do_not_scroll_sideways(folder):
    with browsing(offline=True, viewport={"width": 360, "height": 800}) as page:
        for file in sorted(folder.glob("*.html")):
            page.goto(file.as_uri())
            page.wait_for_timeout(300)
            wide = page.evaluate(
                "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
            )
            assert wide <= 1, file.name
