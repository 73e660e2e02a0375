"""Five tasks from an empty store in Chromium, as a new user walks them: clicks, typed fields and seconds of each.

python -m tests.benchmarks.five_tasks [FOLDER]

(a) own sheet to a promise, (b) voltage for a mission, (c) next test within a budget, (d) compare two builders, (e) give
a sheet that a reviewer accepts. Only what is visible is clicked, by its words; after the start page no address is
typed. A click chooses, presses or opens; a file brought is one click; a field typed is counted apart. Signing in is
not counted. Prints what each ends with; a task that cannot go on is a dead end, and the command ends with 1. With
FOLDER pictures of each end are left there. The bench sheets are invented.
"""

import re
import sys
import tempfile
import time
from pathlib import Path

from reliability.access import Access, save_access, with_person
from tests.benchmarks.screens import still
from tests.browser.server import browsing, serving, serving_with_sign_in

# what a builder keeps while testing: own headers, words of the bench, empty where it still works
BENCH = """Module no;Place;Serial;Type;HV set (V);Shots so far;Died at;How;Remarks
T-01;main cap;C-011;film-x;1400;2310;2310;short;
T-01;igniter;IG-1;semicond;1400;2310;;;ok
T-02;main cap;C-012;film-x;1400;3120;;;on test
T-02;igniter;IG-2;semicond;1400;3120;;;ok
T-03;main cap;C-015;film-x;1600;980;980;short;bang
T-03;igniter;IG-4;semicond;1600;980;;;
T-04;main cap;C-016;film-x;1600;1240;1240;short;
T-04;igniter;IG-5;semicond;1600;1240;;;
T-05;main cap;C-020;film-x;1600;870;;;stopped
T-05;igniter;IG-6;semicond;1600;870;870;no spark;carbon
T-06;main cap;C-021;film-x;1400;2870;2870;short;
T-06;igniter;IG-7;semicond;1400;2870;;;
"""
FRIEND = """builder,module,slot,unit,part,charge_V,shots_good,shots_failed,mode
oak,O1,main_capacitor,o-1,film-x,1400,1510,1510,short
oak,O2,main_capacitor,o-2,film-x,1400,1890,1890,short
oak,O3,main_capacitor,o-3,film-x,1600,610,610,short
oak,O4,main_capacitor,o-4,film-x,1600,720,720,short
oak,O5,main_capacitor,o-5,film-x,1600,900,,
"""
GIVEN = """builder,module,slot,unit,part,charge_V,shots_good,shots_failed,mode
elm,E1,main_capacitor,e-1,film-x,1400,2050,2050,short
elm,E2,main_capacitor,e-2,film-x,1400,2400,,
"""
USERS = {"cy@example.org": "contributor", "mia@example.org": "maintainer"}
PATIENCE = 90_000


class DeadEnd(Exception):
    """What a person would look for here is not on the screen."""


class Walk:
    """A person at a page: counts what they do, and finds things by their words only."""

    def __init__(self, page):
        self.page = page
        page.set_default_timeout(PATIENCE)
        self.begin()

    def begin(self):
        self.clicks = self.typed = 0
        self.began = time.monotonic()

    def _seen(self, what, words):
        try:
            what.first.wait_for(state="visible")
        except Exception as e:
            raise DeadEnd(f"nothing on the screen says {words!r}") from e
        return what.first

    def press(self, words):
        """A button."""
        self._seen(self.page.get_by_role("button", name=words, exact=True), words).click()
        self.clicks += 1

    def go(self, words):
        """A link of the page or of its navigation."""
        self._seen(self.page.get_by_role("link", name=words, exact=True), words).click()
        self.clicks += 1
        self.page.wait_for_function(
            "words => document.querySelector('.stMain h1')?.innerText === words", arg=words
        )
        still(self.page)

    def fill(self, label, value):
        """A field, and the key that ends it."""
        number = self.page.get_by_role("spinbutton", name=label)
        field = self._seen(self.page.get_by_role("textbox", name=label).or_(number), label)
        field.fill(value)
        field.press("Enter")
        self.typed += 1
        self.page.wait_for_timeout(300)
        still(self.page)

    def choose(self, label, option):
        """One of a list: opened, and chosen."""
        self._seen(self.page.get_by_label(re.compile(re.escape(label))), label).click()
        self._seen(self.page.get_by_role("option", name=option, exact=True), option).click()
        self.clicks += 2
        self.page.wait_for_timeout(300)
        still(self.page)

    def bring(self, path):
        """A file; the button that opens the choice of files has to be seen."""
        self._seen(self.page.get_by_test_id("stFileUploaderDropzone"), "Upload")
        self.page.set_input_files("input[type=file] >> nth=0", str(path))
        self.clicks += 1

    def head(self):
        """The answer at the top."""
        found = self.page.query_selector(".stMain h2")
        return found.inner_text() if found else ""

    def reach(self, pattern):
        """The end of a task: the answer says this."""
        try:
            self.page.wait_for_function("p => new RegExp(p).test(document.querySelector('.stMain h2')?.innerText ?? '')", arg=pattern)  # fmt: skip
        except Exception as e:
            raise DeadEnd(
                f"the page answers {self.head()!r}, not {pattern!r}; {self.warnings()}"
            ) from e
        still(self.page)
        return self.head()

    def says(self, pattern):
        """Words anywhere on the screen."""
        return self._seen(self.page.get_by_text(re.compile(pattern)), pattern).inner_text()

    def warnings(self):
        return "; ".join(
            w.inner_text() for w in self.page.query_selector_all("[data-testid=stAlert]")
        )


def own_sheet(walk, folder):
    """(a) The start page says where to begin; the sheet is dropped, its one question answered, the promise read."""
    path = folder / "bench_log.csv"
    path.write_text(BENCH)
    walk.go("Records")
    walk.bring(path)
    walk.says("wanted before this can be stored")
    walk.fill("whose units are these?", "fern")
    walk.press("This is right: add it")
    walk.says("is stored as contribution")
    walk.go("My module")
    return walk.reach("at least [0-9,]+ at 95")


def voltage(walk, folder):
    """(b) 1,500 shots are wanted."""
    walk.go("Derating")
    walk.fill("Required shots", "1500")
    return walk.reach("1,500 shots")


def next_test(walk, folder):
    """(c) Three bench days and 400 of money, a unit at 60."""
    walk.go("Next test")
    walk.fill("Bench days at most (empty: no limit)", "3")
    walk.fill("Money at most (empty: no limit)", "400")
    walk.fill("Price of a unit", "60")
    return walk.reach("shots")


def two_builders(walk, folder):
    """(d) Another builder's sheet is added, and the two compared."""
    path = folder / "oak.csv"
    path.write_text(FRIEND)
    walk.go("Records")
    walk.bring(path)
    walk.press("Check and add")
    walk.says("is stored as contribution")
    walk.go("Choose between")
    return walk.reach("fern.*oak|oak.*fern")


TASKS = (
    ("own sheet to promise", own_sheet), ("voltage for a mission", voltage), ("next test in a budget", next_test),
    ("compare two builders", two_builders),
)  # fmt: skip


def _sign_in(walk, who):
    walk.press("Sign in")
    walk.page.wait_for_selector("input[name=sub]")
    walk.page.fill("input[name=sub]", who)
    walk.page.get_by_role("button", name="Authorize").click()
    walk.reach(".")


def contribute(pictures):
    """(e) One gives, another accepts; each by what their own screen shows."""
    import oidc_provider_mock

    users = [
        oidc_provider_mock.User(sub=e, claims={"email": e, "email_verified": True}) for e in USERS
    ]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        access = Access()
        for email, role in USERS.items():
            access = with_person(access, email, role)
        save_access(access, folder)
        path = folder / "elm.csv"
        path.write_text(GIVEN)
        with serving_with_sign_in(folder, users) as base:
            clicks, seconds = 0, 0.0
            for who, part in (("cy@example.org", _give), ("mia@example.org", _accept)):
                with browsing(viewport={"width": 1280, "height": 800}) as page:
                    walk = Walk(page)
                    page.goto(base)
                    _sign_in(walk, who)
                    walk.begin()
                    said = part(walk, path)
                    clicks, seconds = clicks + walk.clicks, seconds + time.monotonic() - walk.began
                    _picture(page, pictures, f"e-{who.partition('@')[0]}")
    return clicks, 0, seconds, said


def _give(walk, path):
    walk.go("Records")
    walk.bring(path)
    walk.press("Check and add")
    return walk.says("waits until a maintainer accepts it")


def _accept(walk, path):
    walk.go("Records")
    walk.press("Accept")
    return walk.reach("2 units")


def _picture(page, pictures, name):
    if pictures is not None:
        page.screenshot(path=str(pictures / f"{name}.png"), full_page=True)


def said(name, clicks, typed, seconds, end):
    print(f"{name:24} {clicks:2} clicks  {typed} typed  {seconds:5.1f} s   {end}", flush=True)


def main():
    pictures = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    if pictures is not None:
        pictures.mkdir(parents=True, exist_ok=True)
    dead = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with serving(folder) as base, browsing(viewport={"width": 1280, "height": 800}) as page:
            walk = Walk(page)
            page.goto(base)
            walk.reach(".")
            for letter, (what, task) in zip("abcd", TASKS, strict=True):
                walk.begin()
                try:
                    end = task(walk, folder)
                except DeadEnd as e:
                    dead, end = dead + 1, f"DEAD END: {e}"
                said(f"({letter}) {what}", walk.clicks, walk.typed, time.monotonic() - walk.began, end)  # fmt: skip
                _picture(page, pictures, letter)
    try:
        said("(e) contribute", *contribute(pictures))
    except DeadEnd as e:
        dead += 1
        print(f"(e) contribute: DEAD END: {e}")
    sys.exit(1 if dead else 0)


if __name__ == "__main__":
    main()
