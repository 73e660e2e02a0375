"""Every pair of controls of every page, on the demo and on random stores: no exception reaches a person.

python -m tests.benchmarks.filters [--stores 50] [--pages flight,wear] [--pairs 0 (all)] [--seed 1]

On the demo every pair of controls is set to values drawn from what each offers; on each random store a number of pairs.
Prints a line a page, and ends with 1 if any page fell.
"""

import argparse
import csv
import itertools
import os
import random
import sys
import tempfile
from pathlib import Path
from urllib.parse import parse_qsl

from streamlit.testing.v1 import AppTest

from reliability.sheets.side import read_sheet
from reliability.store import Store
from reliability.store.intake import put

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "datasets" / "demo"
PAGES = (
    "my_module", "my_module?look=a module on record", "life_curves", "history", "failure_modes", "wear", "misfires", "derating",
    "derating?kind=mission&shots=3000", "comparison", "flight", "flight?mission=days", "campaign", "campaign?kind=demonstrate",
    "campaign?kind=accelerate", "builders", "decisions", "records", "guide",
)  # fmt: skip
"""pages, each with the address of every question that it has"""
LONG = 3000
"""seconds that a page may take: beside other work it waits, and only an exception is looked for"""
KINDS = (
    "selectbox",
    "multiselect",
    "number_input",
    "select_slider",
    "radio",
    "checkbox",
    "text_input",
)
TEXTS = ("", "charge_V=1300", "temp_C=30", "part=nothing", "charge_V=", "1200=0.5 1400=0.5", "x", "igniter=2", "0.65@0.2")  # fmt: skip


def random_rows(rng):
    """An invented community: few or many slots, builders, parts; settings and failures more or less recorded."""
    slots = rng.sample(["main_capacitor", "ignition_capacitor", "igniter", "fuel", "switch", "valve"], rng.randint(1, 5))  # fmt: skip
    builders = [f"b{k}" for k in range(rng.randint(1, 4))]
    volts = rng.sample([800, 1000, 1200, 1400, 1700], rng.randint(1, 4))
    dead, bare = rng.random(), rng.random() * 0.4
    for b in builders:
        for m in range(rng.randint(1, 5)):
            for slot in slots:
                for u in range(rng.randint(1, 2)):
                    life = round(10 ** rng.uniform(1, 4.5))
                    failed = rng.random() < dead
                    good = (
                        life
                        if not failed or rng.random() < 0.6
                        else round(life * rng.uniform(0, 0.9))
                    )
                    yield {
                        "builder": b, "module": f"{b}-{m}", "slot": slot, "unit": f"{slot[:3]}{u}",
                        "part": "" if rng.random() < bare else f"{slot[:3]}-{rng.choice('ab')}",
                        "shots_good": good, "shots_failed": life if failed else "",
                        "mode": rng.choice(["short", "open", "unknown", ""]) if failed else "",
                        "charge_V": "" if rng.random() < bare else rng.choice(volts),
                        "temp_C": "" if rng.random() < 0.7 else rng.choice([20, 40]),
                    }  # fmt: skip


def random_store(path, seed):
    """A store of such a community."""
    rows = list(random_rows(random.Random(seed)))
    sheet = path.with_suffix(".csv")
    with sheet.open("w", newline="") as f:
        w = csv.DictWriter(f, list(rows[0]))
        w.writeheader()
        w.writerows(rows)
    put(Store(path), read_sheet(sheet))


def demo_store(path):
    """The invented demo, with wear, misfires and ignition."""
    for pattern in ("life_*.csv", "wear.csv", "misfires.csv", "ignition.csv"):
        for sheet in sorted(DEMO.glob(pattern)):
            put(Store(path), read_sheet(sheet))


def opened(store, page):
    """A page, opened anew."""
    os.environ["SHOTLIFE_STORE"] = str(store)
    os.chdir(ROOT)
    app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=LONG)
    name, _, address = page.partition("?")
    for key, value in parse_qsl(address):
        app.query_params[key] = value
    if name != "my_module":
        app.switch_page(f"{name}.py")
    return app.run()


def controls(app):
    """Keys of the page's controls, with their kind."""
    return [(kind, w.key) for kind in KINDS for w in getattr(app, kind) if w.key]


def set_control(app, kind, key, rng):
    """Another value for a control, as a person could give it; what was set, None if the control has gone."""
    found = next((w for w in getattr(app, kind) if w.key == key), None)
    if found is None or found.disabled:
        return None
    if kind == "checkbox":
        value = not found.value
    elif kind == "text_input":
        value = rng.choice(TEXTS)
    elif kind == "number_input":
        low = found.min if found.min is not None else 0
        high = min(found.max if found.max is not None else 5000, 5000)
        value = rng.choice([low, high, (low + high) / 2, rng.uniform(low, high)])
        value = int(value) if found.proto.format == "%d" else float(value)
    elif kind == "multiselect":
        value = rng.sample(list(found.options), min(len(found.options), rng.randint(0, 2)))
    else:
        options = list(found.options)
        if not options:
            return None
        value = rng.choice(options)
    if kind == "select_slider":
        value = float(value)
    found.set_value(value)
    return value


def pair_faults(store, page, most, rng):
    """Exceptions of a page over pairs of its controls: what was set, and what was raised."""
    faults, tried = [], 0
    app = opened(store, page)
    if app.exception:
        return 1, [("first", app.exception[0].message)]
    pairs = list(itertools.combinations(controls(app), 2))
    rng.shuffle(pairs)
    for one, two in pairs[: most or None]:
        given = [(c[1], set_control(app, *c, rng)) for c in (one, two)]
        tried += 1
        try:
            app.run()
            raised = app.exception[0].message if app.exception else ""
        except Exception as e:  # the page's own, however it comes
            raised = repr(e)
        if raised:
            faults.append((given, raised[:300]))
            app = opened(store, page)
    return tried, faults


def main():
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--stores", type=int, default=50)
    p.add_argument("--pages", default=",".join(PAGES))
    p.add_argument("--pairs", type=int, default=0, help="of a page on the demo; 0: all")
    p.add_argument("--random-pairs", type=int, default=6, help="of a page on each random store")
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    fell = 0
    with tempfile.TemporaryDirectory() as folder:
        demo = Path(folder) / "demo.duckdb"
        demo_store(demo)
        stores = [("demo", demo, a.pairs)]
        for k in range(a.stores):
            path = Path(folder) / f"r{k}.duckdb"
            random_store(path, a.seed + k)
            stores.append((f"random {a.seed + k}", path, a.random_pairs))
        for page in a.pages.split(","):
            tried = found = 0
            for name, path, most in stores:
                n, faults = pair_faults(path, page, most, random.Random(f"{a.seed} {page} {name}"))
                tried, found = tried + n, found + len(faults)
                for given, raised in faults:
                    print(f"{page} on {name}, {given}: {raised}", flush=True)
            print(f"{page:34} {tried} pairs, {found} exceptions", flush=True)
            fell += found
    sys.exit(1 if fell else 0)


if __name__ == "__main__":
    main()
