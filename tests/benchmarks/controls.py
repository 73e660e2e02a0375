"""Each control of each page changed in Chromium on the invented demo: what the page says is what the library answers.

python -m tests.benchmarks.controls [--views design,flight] [--nonsense]

Prints a line a control and ends with 1 if anything did not hold. ``--nonsense`` types nonsense into each number and text too.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Error as Failed

from reliability.ask.sources import Stored
from reliability.store import Store
from tests.benchmarks.screens import STORES
from tests.browser.changes import VIEWS
from tests.browser.changing import changed, controls, nonsense, opened
from tests.browser.server import browsing, serving

NONSENSE = {"number": (("-1e30", "Enter"), ("1e", "Tab")), "text": (("zz", "Enter"),)}


def said(view, what, fault, began):
    print(f"{view:24} {what:34} {time.monotonic() - began:5.1f} s  {fault or 'holds'}", flush=True)
    return bool(fault)


def swept(page, base, store, name, nonsense_too):
    """Faults of one view."""
    view, fell = VIEWS[name], 0
    for control, change in view.changes.items():
        began = time.monotonic()
        try:
            opened(page, base, view, change)
            fault = changed(page, store, view, control)
        except Failed as e:
            fault = f"{e}"
        fell += said(name, control, fault, began)
    opened(page, base, view)
    for control, kind in controls(page).items():
        for typed, leave in NONSENSE.get(kind, ()) if nonsense_too else ():
            began = time.monotonic()
            opened(page, base, view)
            if typed == "1e" and page.locator(f".st-key-{control} input").input_value():
                continue  # such a field takes back the number that it had
            fell += said(name, f"{control}: {typed}", nonsense(page, control, typed, leave), began)
    return fell


def main():
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--views", default=",".join(VIEWS))
    p.add_argument("--nonsense", action="store_true")
    a = p.parse_args()
    fell = 0
    with tempfile.TemporaryDirectory() as folder:
        STORES["demo"](Store(Path(folder) / "s.duckdb"), Path(folder))
        store = Stored(Path(folder) / "s.duckdb")
        with serving(Path(folder)) as base, browsing(viewport={"width": 1280, "height": 900}) as page:  # fmt: skip
            for name in a.views.split(","):
                fell += swept(page, base, store, name, a.nonsense)
    print(f"{fell} did not hold")
    sys.exit(1 if fell else 0)


if __name__ == "__main__":
    main()
