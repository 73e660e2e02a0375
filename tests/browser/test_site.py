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


FAINT = """() => {
  const light = c => { const v = c.match(/[\\d.]+/g).slice(0, 3).map(x => x / 255)
    .map(x => x <= 0.03928 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4); return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]; };
  return [...document.querySelectorAll('[data-figure] svg.marks text')].filter(t => t.textContent && t.getBoundingClientRect().width)
    .filter(t => { const a = light(getComputedStyle(t).fill), b = light(getComputedStyle(t.closest('figure')).backgroundColor);
      return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05) < 4.5; }).map(t => t.textContent);
}"""
"""texts of figures with less contrast to their ground than WCAG 2.2 asks for (1.4.3: 4.5); axe looks at no SVG text"""


@pytest.mark.parametrize("media", ["screen", "print"])
def test_words_on_figures_can_be_read_in_the_dark_and_on_paper(folder, media):
    """Printed, dark pages stand on white, no figure is wider than the sheet, and whom to cite is unfolded."""
    with browsing(
        color_scheme="dark", offline=True, viewport={"width": 1200, "height": 900}
    ) as page:
        for name in ("life", "derating", "builders"):
            page.goto((folder / f"{name}.html").as_uri())
            for i in range(FIGURES[name]):
                page.locator("[data-figure][data-drawn='yes']").nth(i).wait_for()
            page.emulate_media(media=media, color_scheme="dark")
            assert page.locator("[data-figure] svg.marks text").count() > 10
            assert page.evaluate(FAINT) == [], name
            if media == "print":
                page.set_viewport_size({"width": 640, "height": 900})  # some A4 between margins
                wide = "() => [...document.querySelectorAll('svg.marks')].map(s => s.getBoundingClientRect().right - innerWidth)"
                assert max(page.evaluate(wide)) < 0, name
                assert page.locator("main > details li").first.is_visible()
                ground = "() => getComputedStyle(document.body).backgroundColor"
                assert page.evaluate(ground) == "rgb(255, 255, 255)"


CUT = """() => [...document.querySelectorAll('[data-figure]')].flatMap(figure => {
  const box = figure.querySelector('svg.marks').getBoundingClientRect();
  return [...figure.querySelectorAll('svg.marks text')]
    .map(t => [t.textContent, t.getBoundingClientRect()])
    .filter(([text, b]) => text && b.width && (b.right > box.right + 1 || b.left < box.left - 1))
    .map(([text]) => text);
})"""
"""texts of figures that stand out of them: keys, axis titles, numbers at marks"""
OVER = """() => [...document.querySelectorAll('[data-figure]')].flatMap(figure => {
  const title = [...figure.querySelectorAll('.role-axis-title text')].filter(t => t.getBoundingClientRect().height > t.getBoundingClientRect().width);
  return [...figure.querySelectorAll('.role-mark text')].filter(t => t.textContent).flatMap(t => {
    const a = t.getBoundingClientRect();
    return title.filter(u => { const b = u.getBoundingClientRect(); return a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom && b.top < a.bottom; })
      .map(u => t.textContent + ' / ' + u.textContent);
  });
})"""
"""words beside curves that lie on the name of the upright axis"""


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
            assert page.evaluate(OVER) == [], file.name
