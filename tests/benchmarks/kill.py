"""``shotlife add`` killed at random moments: nothing lost, nothing half stored.

    python tests/benchmarks/kill.py [--times 200]

Adds sheets of known size one after the other, kills the process at a random moment, and after each
kill reads the store in full: every contribution that ``add`` reported is there with all its rows, no
other has a part of its rows, and the next ``add`` works.
"""

import argparse
import collections
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from reliability.store import Store

ROWS = 5_000


def wait_open(child, store):
    """Wait until a process has the store open (or has ended); the time of that."""
    folder = Path(f"/proc/{child.pid}/fd")
    while child.poll() is None:
        try:
            if any(os.readlink(f) == str(store) for f in folder.iterdir()):
                break
        except OSError:
            pass
        time.sleep(0.0005)
    return time.monotonic()


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--times", type=int, default=200)
    a = p.parse_args()
    rng = random.Random(1)
    seen = collections.Counter()
    with tempfile.TemporaryDirectory() as folder:
        store, sheet = Path(folder) / "s.duckdb", Path(folder) / "x.csv"
        reported = 0
        length = writing = None
        for k in range(a.times):
            body = "\n".join(f"kite,m{k}-{i},igniter,{i + 1}" for i in range(ROWS))
            sheet.write_text("builder,module,slot,shots_good\n" + body + "\n")
            command = [
                sys.executable,
                "-m",
                "reliability.cli",
                "add",
                str(sheet),
                "--store",
                str(store),
            ]
            began = time.monotonic()
            child = subprocess.Popen(
                command,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                start_new_session=True,
            )
            if k in (
                0,
                1,
            ):  # whole runs, to know how long it takes (the second reads what is there)
                opened = wait_open(child, store)
                child.wait()
                length, writing = time.monotonic() - began, time.monotonic() - opened
            else:
                # one in four at any moment, the others while the store is open
                if k % 4 == 0:
                    wait = rng.uniform(0.0, length)
                else:
                    wait_open(child, store)
                    wait = rng.uniform(0.3, 1.2) * writing
                try:
                    child.wait(wait)
                except subprocess.TimeoutExpired:
                    os.killpg(child.pid, signal.SIGKILL)
            out, err = child.communicate()
            done = "added as contribution" in out
            reported += done
            box = Store(store)
            if not store.exists():
                assert not done
                seen["before there was a store"] += 1
                continue
            found = box.contributions()
            records = box.records()
            assert "Traceback" not in err, err
            assert all(c.rows == ROWS for c in found)
            assert len(records) == ROWS * len(found), "a contribution is half there"
            assert reported <= len(found), "a reported contribution is lost"
            if done:
                seen["finished first"] += 1
            elif len(found) > reported:
                reported = len(found)  # stored, killed before it could say so
                seen["stored, killed before saying so"] += 1
            else:
                seen["killed, nothing stored"] += 1
            leftovers = {f.name for f in Path(folder).iterdir()} - {
                "s.duckdb",
                "s.duckdb.wal",
                "x.csv",
            }
            assert not leftovers, leftovers
        print(
            f"{a.times} runs of add with {ROWS:,} rows each ({length:.2f} s whole, {writing:.2f} s with the store open): {dict(seen)}"
        )
        print(
            f"{len(box.contributions())} contributions, {len(box.records()):,} records: all whole, none lost"
        )


if __name__ == "__main__":
    main()
