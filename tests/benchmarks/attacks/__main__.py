"""Attacks on a real service and a real store; prints what held, and ends with 1 if anything did not.

python -m tests.benchmarks.attacks [wall people races files load settings recovery places] [--all]
"""

import argparse
import contextlib
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.attacks import files, load, people, places, races, recovery, settings, wall
from tests.benchmarks.attacks.service import serving, with_people


@contextlib.contextmanager
def nothing(folder):
    """For attacks that start what they attack themselves."""
    folder.mkdir()
    yield folder


PARTS = {
    "wall": (serving, wall), "people": (with_people, people), "races": (serving, races), "files": (serving, files),
    "load": (serving, load), "settings": (nothing, settings), "recovery": (nothing, recovery), "places": (nothing, places),
}  # fmt: skip


def main():
    p = argparse.ArgumentParser()
    p.add_argument("parts", nargs="*", default=list(PARTS), metavar="PART", help=", ".join(PARTS))
    p.add_argument("--all", action="store_true", help="print what held too")
    a = p.parse_args()
    fell = 0
    with tempfile.TemporaryDirectory() as folder:
        for name in a.parts:
            started, part = PARTS[name]
            began, tried, lost = time.monotonic(), 0, 0
            with started(Path(folder) / name) as target:
                for what, held, seen in part.attacks(target):
                    tried += 1
                    lost += not held
                    if a.all or not held:
                        print(f"  {'held' if held else 'DID NOT HOLD'}: {what} ({seen})", flush=True)  # fmt: skip
            if (errors := Path(folder) / name / "stderr.txt").exists():
                tried += 1
                broke = "Traceback" in errors.read_text()
                lost += broke
                if broke:
                    print("  DID NOT HOLD: a traceback in the service's log\n" + errors.read_text()[-3000:])  # fmt: skip
            fell += lost
            print(f"{name}: {tried - lost} of {tried} held ({time.monotonic() - began:.0f} s)", flush=True)  # fmt: skip
    sys.exit(1 if fell else 0)


if __name__ == "__main__":
    main()
