"""Times in Chromium: first load of each page, a changed control, a sheet dropped to the changed life, many records.

python -m tests.benchmarks.screen_times [--records 100000] [--part loads,controls,sheet,records]

Wanted on 2 cores: first load under 3 s a page, a control change under 1.5 s, a sheet dropped to the changed life under 3 s,
first load on 100,000 records under 4 s. The load of the machine is printed beside.
"""

import argparse
import os
import tempfile
import time
from pathlib import Path

from reliability.sheets.side import read_sheet
from reliability.store import Store
from reliability.store.intake import put
from tests.benchmarks.pages import sheet
from tests.benchmarks.screens import DEMO, PAGES, STORES, still
from tests.browser.server import browsing, serving

WIDE = {"viewport": {"width": 1280, "height": 800}}
CHANGES = (
    ("", "Charge voltage (V)", "1300"), ("derating", "Required shots", "2000"), ("flight", "Shots", "700"),
    ("campaign", "Bench days at most (empty: no limit)", "20"), ("wear", "Limit, as a share of the start (empty: the usual)", "0.9"),
)  # fmt: skip


def said(what, seconds, wanted):
    mark = "" if seconds <= wanted else f"  over {wanted:g} s"
    print(f"{what:46} {seconds:5.2f} s{mark}   load {os.getloadavg()[0]:.1f}", flush=True)


def load(page, base, name):
    """Seconds from the address to the page that stands still."""
    began = time.monotonic()
    page.goto(f"{base}/{name}")
    page.wait_for_selector(".stMain h2")
    still(page)
    return time.monotonic() - began - 0.35


def loads(wanted, fill):
    """First load of each page, and the same once more."""
    with tempfile.TemporaryDirectory() as folder:
        fill(Store(Path(folder) / "s.duckdb"), Path(folder))
        with serving(Path(folder)) as base, browsing(**WIDE) as page:
            load(page, base, "guide")
            for name in PAGES:
                first = load(page, base, name)
                said(f"first load, {name or 'front'}", first, wanted)
                said("  again", load(page, base, name), wanted)


def controls():
    """A number typed, until another sentence stands."""
    with tempfile.TemporaryDirectory() as folder:
        STORES["demo"](Store(Path(folder) / "s.duckdb"), Path(folder))
        with serving(Path(folder)) as base, browsing(**WIDE) as page:
            for name, label, value in CHANGES:
                load(page, base, name)
                before = page.inner_text(".stMain h2")
                began = time.monotonic()
                page.get_by_label(label, exact=True).first.fill(value)
                page.keyboard.press("Enter")
                page.wait_for_function(
                    "old => { const h = document.querySelector('.stMain h2'); return h && h.innerText !== old && !h.closest('[data-stale=true]'); }",
                    arg=before,
                )
                said(f"control changed, {name or 'front'}: {label}", time.monotonic() - began, 1.5)


def dropped():
    """A sheet dropped on Records until the module's life is another one."""
    with tempfile.TemporaryDirectory() as folder:
        box = Store(Path(folder) / "s.duckdb")
        for path in sorted(DEMO.glob("life_[klmno]*.csv")):
            put(box, read_sheet(path))
        with serving(Path(folder)) as base, browsing(**WIDE) as page:
            load(page, base, "")
            first = page.inner_text(".stMain h2")
            load(page, base, "records")
            began = time.monotonic()
            page.set_input_files("input[type=file] >> nth=0", str(DEMO / "life_wren.csv"))
            page.get_by_role("button", name="Check and add").click()
            page.wait_for_selector("text=is stored as contribution")
            stored = time.monotonic() - began
            page.get_by_role("link", name="My module").first.click()
            page.wait_for_function(
                "old => { const h = document.querySelector('.stMain h2'); return h && /last/.test(h.innerText) && h.innerText !== old; }",
                arg=first,
            )
            said("sheet dropped, stored", stored, 3)
            said("sheet dropped, to the changed life", time.monotonic() - began, 3)


def many(n):
    """That many records."""

    def fill(box, folder):
        sheet(n, folder / "life.csv")
        put(box, read_sheet(folder / "life.csv"))
        for name in ("wear.csv", "misfires.csv"):
            put(box, read_sheet(DEMO / name))

    return fill


def main():
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--records", type=int, default=100_000)
    p.add_argument("--part", default="loads,controls,sheet,records")
    a = p.parse_args()
    parts = a.part.split(",")
    if "loads" in parts:
        loads(3, STORES["demo"])
    if "controls" in parts:
        controls()
    if "sheet" in parts:
        dropped()
    if "records" in parts:
        print(f"{a.records:,} records")
        loads(4, many(a.records))


if __name__ == "__main__":
    main()
