"""Processor time of each question asked for the first time: the demo, sixteen slots, many records.

python -m tests.benchmarks.answers [--stores demo,sixteen_slots,many] [--records 100000] [--times 3]

Each is asked in a process of its own, forked from one that has imported everything: the time is that of reading
the store and working the answer out, as where nobody has asked yet. The least of several is printed, beside what
was wanted and the head of the answer.
"""

import argparse
import os
import resource
import tempfile
from pathlib import Path

import reliability as rl
from reliability.ask.questions import QUESTIONS, question_class
from reliability.sheets.side import read_sheet
from reliability.store import Store
from reliability.store.intake import put
from tests.benchmarks.pages import sheet
from tests.benchmarks.screens import STORES

ROOT = Path(__file__).parents[2]
BANK = {"slot": ("main_capacitor",)}
PURSE = {"budget": 300, "unit_cost": 20, "day_cost": 5}
FLOWN = {"module": "moss-01", "shots": 500}
ASKED = {
    "demo": [
        ("module", {}, 1.5), ("flight", FLOWN, 1.0), ("derate", BANK | {"shots": 1500}, 1.2), ("derate_mission", {"shots": 1500}, 2.0),
        ("life", BANK, None), ("modes", BANK, 1.0), ("wear", {}, 1.0), ("misfires", {}, None), ("history", {}, None), ("builders", BANK, None),
        ("compare", BANK | {"by": "part"}, None), ("next_test", PURSE, None), ("demonstrate", PURSE | {"demonstrate_shots": 500}, None),
        ("narrow", BANK | {"within_factor": 2}, None), ("accelerate", BANK | {"accelerate_to": 1200}, None),
    ],
    "sixteen_slots": [
        (name, settings, 3.0)
        for name, settings in [
            ("module", {}), ("flight", {"module": "fern-06", "shots": 500}), ("life", {"slot": ("slot_01",)}),
            ("derate", {"slot": ("slot_16",), "shots": 500}), ("next_test", PURSE),
        ]
    ],
    "many": [
        (name, settings, 3.0)
        for name, settings in [
            ("module", {}), ("flight", {"module": "a-0", "shots": 500}), ("derate", BANK | {"shots": 500}), ("life", BANK), ("modes", BANK),
            ("history", {}), ("builders", BANK), ("compare", BANK | {"by": "builder"}), ("next_test", PURSE),
        ]
    ],
}  # fmt: skip


def cost(path, name, settings):
    """Processor seconds of one question in a process of its own, and the head of what it says."""
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        began = resource.getrusage(resource.RUSAGE_SELF)
        try:
            said = rl.ask(question_class(name)(**settings), rl.Stored(path), fresh=True).sentence
        except (rl.BadInput, rl.CannotAnswer) as e:
            said = f"{type(e).__name__}: {e}"
        except BaseException as e:
            said = f"BROKE: {e!r}"
        used = resource.getrusage(resource.RUSAGE_SELF)
        took = used.ru_utime + used.ru_stime - began.ru_utime - began.ru_stime
        os.write(write, f"{took} {said[:110]}".encode())
        os._exit(0)
    os.close(write)
    with os.fdopen(read) as back:
        took, _, said = back.read().partition(" ")
    os.waitpid(pid, 0)
    return float(took), said


def filled(name, count, folder):
    """A store of that name in a folder."""
    box = Store(folder / "s.duckdb")
    if name != "many":
        STORES[name](box, folder)
        return box.path
    sheet(count, folder / "life.csv")
    put(box, read_sheet(folder / "life.csv"))
    return box.path


def main():
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--stores", default=",".join(ASKED))
    p.add_argument("--records", type=int, default=100_000)
    p.add_argument("--times", type=int, default=3)
    a = p.parse_args()
    for name in QUESTIONS:
        question_class(name)
    rl.ask(
        rl.Life(), ROOT / "datasets" / "published" / "genfan.csv"
    )  # whatever is imported when wanted
    for store in a.stores.split(","):
        with tempfile.TemporaryDirectory() as folder:
            path = filled(store, a.records, Path(folder))
            for name, settings, wanted in ASKED[store]:
                tries = [cost(path, name, settings) for _ in range(a.times)]
                took = min(t for t, _ in tries)
                late = "LATE " if wanted and took > wanted else ""
                print(f"{store:14} {name:15} {took:5.2f} s of {wanted or '-':>4} {late}{tries[0][1]}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
