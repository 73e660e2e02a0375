"""Pictures of every page over several stores, light, dark and narrow; what of each the first screen shows; axe.

python -m tests.benchmarks.screens FOLDER [--stores demo,empty] [--pages flight,wear] [--kinds light,dark] [--axe]

Prints one line a picture: seconds until it stood still, whether sentence and picture are on the first screen, axe's
findings, and any exception on the page. The pictures are to be looked at.
"""

import argparse
import csv
import tempfile
import time
from pathlib import Path

import numpy as np

from reliability.sheets.side import read_sheet
from reliability.store import Store
from reliability.store.intake import put
from tests.browser.server import browsing, serving

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "datasets" / "demo"
PAGES = (
    "", "life_curves", "history", "failure_modes", "wear", "misfires", "derating", "comparison", "flight", "campaign",
    "decisions", "guide", "builders", "records",
)  # fmt: skip
PICTURES = set(PAGES) - {"guide", "records", "decisions"}
KINDS = {
    "light": {"viewport": {"width": 1280, "height": 800}, "color_scheme": "light"},
    "dark": {"viewport": {"width": 1280, "height": 800}, "color_scheme": "dark"},
    "narrow": {"viewport": {"width": 390, "height": 844}, "color_scheme": "light"},
}
OURS_NOT = [".stAppHeader", "[data-testid=stSidebarNavItems]", "[data-testid=stFileUploaderDropzone]"]  # fmt: skip
"""what the framework makes itself and we cannot change"""


def invented(slots, n, failing):
    """Rows of an invented builder: n units in each slot at two voltages, so many of each failing."""
    rng = np.random.default_rng(len(slots) + n + failing)
    for s, slot in enumerate(slots):
        for i in range(n):
            volts = (1200, 1400)[i % 2]
            life = round(4000 * (s + 1) * (volts / 1300) ** -7 * rng.weibull(2.0))
            dead = i < failing
            yield {
                "builder": "fern", "module": f"fern-{i + 1:02d}", "slot": slot, "unit": f"{slot[:2]}{i + 1}", "part": f"{slot[:4]}-a",
                "shots_good": life if dead else 2500 + 100 * i, "shots_failed": life if dead else "", "mode": "short" if dead else "",
                "charge_V": volts,
            }  # fmt: skip


def _filled(rows):
    def fill(box, folder):
        rows_ = list(rows)
        with (folder / "life.csv").open("w", newline="") as f:
            w = csv.DictWriter(f, list(rows_[0]))
            w.writeheader()
            w.writerows(rows_)
        put(box, read_sheet(folder / "life.csv"))

    return fill


def _of_files(*patterns):
    def fill(box, folder):
        for pattern in patterns:
            for path in sorted(DEMO.glob(pattern)):
                put(box, read_sheet(path))

    return fill


SIXTEEN = [f"slot_{k:02d}" for k in range(1, 17)]
STORES = {
    "demo": _of_files("life_*.csv", "wear.csv", "misfires.csv", "ignition.csv"),
    "empty": lambda box, folder: None,
    "one_builder": _of_files("life_kite.csv"),
    "two_slots": _filled(invented(["main_capacitor", "igniter"], 8, 4)),
    "sixteen_slots": _filled(invented(SIXTEEN, 6, 3)),
    "one_failure": _filled(invented(["main_capacitor"], 6, 1)),
    "no_failure": _filled(invented(["main_capacitor", "igniter"], 6, 0)),
}
FIRST_SCREEN = """() => {
  const inside = (e) => { const r = e.getBoundingClientRect(); return {top: r.top, bottom: r.bottom, h: r.height, w: r.width}; };
  const said = document.querySelector('.stMain h2'), drawn = document.querySelector('.stVegaLiteChart');
  return {high: innerHeight, said: said && inside(said), drawn: drawn && inside(drawn)};
}"""
STILL = """() => document.querySelector('.stApp[data-test-script-state=notRunning]') && !document.querySelector('[data-stale=true], [data-testid=stSkeleton]')
  && document.querySelector('.stMain h1')"""


def still(page):
    """Wait until the page is worked out and its charts are drawn."""
    page.wait_for_selector(".stMain h1")
    page.wait_for_function(STILL)
    page.wait_for_timeout(350)
    page.wait_for_function(STILL)


def first_screen(page, wanted):
    """In words, what of sentence and picture the first screen shows."""
    found = page.evaluate(FIRST_SCREEN)
    high, said, drawn = found["high"], found["said"], found["drawn"]
    words = ["sentence" if said and said["bottom"] <= high else "NO SENTENCE"]
    if wanted:
        if not drawn:
            words.append("no picture")
        else:
            part = max(0.0, min(drawn["bottom"], high) - drawn["top"]) / max(drawn["h"], 1)
            words.append(f"picture {part:.0%}" if part > 0.6 else f"PICTURE {part:.0%}")
    return ", ".join(words)


def look(page, base, name, target, axe):
    """One picture and what is to be said of it."""
    began = time.monotonic()
    page.goto(f"{base}/{name}")
    still(page)
    took = time.monotonic() - began
    said = first_screen(page, name in PICTURES)
    page.screenshot(path=str(target))
    whole = page.evaluate("() => document.querySelector('.stMain').scrollHeight")
    size = page.viewport_size
    page.set_viewport_size({"width": size["width"], "height": min(int(whole) + 40, 6000)})
    page.wait_for_timeout(300)
    page.screenshot(path=str(target.with_name(target.stem + "-whole.png")))
    found = ""
    if axe:
        from axe_playwright_python.sync_playwright import Axe

        result = Axe().run(page, context={"exclude": [[s] for s in OURS_NOT]})
        found = "; ".join(f"{v['id']} x{len(v['nodes'])} {v['nodes'][0]['target']}" for v in result.response["violations"]) or "axe clean"  # fmt: skip
    page.set_viewport_size(size)
    broken = "EXCEPTION" if page.query_selector('[data-testid="stException"]') else ""
    print(f"{target.stem:38} {took:5.1f} s  {said:30} {found} {broken}", flush=True)


def main():
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("folder", type=Path)
    p.add_argument("--stores", default=",".join(STORES))
    p.add_argument("--pages", default=",".join(p_ or "front" for p_ in PAGES))
    p.add_argument("--kinds", default=",".join(KINDS))
    p.add_argument("--axe", action="store_true")
    a = p.parse_args()
    a.folder.mkdir(parents=True, exist_ok=True)
    pages = ["" if n == "front" else n for n in a.pages.split(",")]
    for store in a.stores.split(","):
        with tempfile.TemporaryDirectory() as folder:
            STORES[store](Store(Path(folder) / "s.duckdb"), Path(folder))
            with serving(Path(folder)) as base:
                for kind in a.kinds.split(","):
                    with browsing(**KINDS[kind]) as page:
                        for name in pages:
                            look(page, base, name, a.folder / f"{store}-{kind}-{name or 'front'}.png", a.axe)  # fmt: skip


if __name__ == "__main__":
    main()
