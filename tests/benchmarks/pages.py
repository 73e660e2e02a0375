"""Each dashboard page on 100,000 life records: first load, and the time of a rerun after it.

python tests/benchmarks/pages.py [--records 100000]
"""

import argparse
import os
import tempfile
import time
from pathlib import Path

import numpy as np

from reliability.sheets.side import read_sheet
from reliability.store import Store
from reliability.store.intake import put

ROOT = Path(__file__).parents[2]
PAGES = (
    "my_module",
    "history",
    "life_curves",
    "failure_modes",
    "derating",
    "flight",
    "campaign",
    "builders",
    "wear",
    "misfires",
    "records",
    "guide",
)


def sheet(n, path):
    """An invented community of that many records."""
    rng = np.random.default_rng(1)
    slots = ("main_capacitor", "igniter", "fuel", "switch")
    volts = rng.choice([1200, 1400, 1600], n)
    life = 5000 * (volts / 1400.0) ** -7 * rng.weibull(2.0, n)
    stop = rng.uniform(500, 6000, n)
    with path.open("w") as f:
        f.write("builder,module,slot,unit,part,shots_good,shots_failed,mode,charge_V\n")
        for i in range(n):
            b, slot = "abcde"[i % 5], slots[i % 4]
            t = life[i] * (1 if slot == "main_capacitor" else 8)
            end = "" if t > stop[i] else f"{t:.0f}"
            good = f"{min(t, stop[i]):.0f}"
            f.write(
                f"{b},{b}-{i // 20},{slot},u{i},p{b},{good},{end},{'short' if end else ''},{volts[i]}\n"
            )


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--records", type=int, default=100_000)
    a = p.parse_args()
    from streamlit.testing.v1 import AppTest

    with tempfile.TemporaryDirectory() as folder:
        box = Store(Path(folder) / "s.duckdb")
        sheet(a.records, Path(folder) / "life.csv")
        put(box, read_sheet(Path(folder) / "life.csv"))
        for name in ("wear.csv", "misfires.csv"):
            put(box, read_sheet(ROOT / "datasets" / "demo" / name))
        os.environ["SHOTLIFE_STORE"] = str(box.path)
        os.chdir(ROOT)
        for page in PAGES:
            app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=240)
            app.run()  # the first page, whatever is asked
            app.switch_page(f"{page}.py")
            times = []
            for _ in range(3):
                began = time.perf_counter()
                try:
                    app.run()
                except RuntimeError as e:  # the harness's own limit
                    print(page, e, flush=True)
                    break
                times.append(time.perf_counter() - began)
            if len(times) < 3:
                continue
            state = "FAILED: " + str(app.exception[0].message)[:200] if app.exception else ""
            print(
                f"{page:15} first {times[0]:6.2f} s, again {min(times[1:]):5.2f} s {state}",
                flush=True,
            )


if __name__ == "__main__":
    main()
