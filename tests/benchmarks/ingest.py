"""How long 100,000 records take to ingest and to fit; how long help and a first answer take.

python tests/benchmarks/ingest.py
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from reliability.sheets.life import read_life
from reliability.store import Store
from tests.asking import asked


def main() -> None:
    rng = np.random.default_rng(1)
    n = 100_000
    t = 5000 * rng.weibull(1.8, n)
    good = np.minimum(t, 6000)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.csv"
        with path.open("w") as f:
            f.write("builder,module,slot,unit,part,shots_good,shots_failed,mode,charge_V\n")
            for i in range(n):
                dead = t[i] <= 6000
                f.write(
                    f"b{i % 7},m{i},main_capacitor,u1,film,{good[i]:.1f},{f'{t[i]:.1f}' if dead else ''},{'short' if dead else ''},1400\n"
                )
        start = time.perf_counter()
        sheet = read_life(path)
        read = time.perf_counter() - start
        box = Store(Path(folder) / "s.duckdb")
        box.add(sheet)
        print(
            f"100,000 records: read and checked in {read:.2f} s, stored in {time.perf_counter() - start - read:.2f} s"
        )
        start = time.perf_counter()
        records = box.records()
        print(f"read back from the store in {time.perf_counter() - start:.2f} s")
        start = time.perf_counter()
        a = asked("life", records)
        print(f"fitted with bounds in {time.perf_counter() - start:.2f} s (shape {a.shape:.3f})")
        small = Path(folder) / "small.csv"
        rows = "".join(
            f"a,m{i},c,{g:.0f},{g:.0f}\n" if g < 3000 else f"a,m{i},c,3000,\n"
            for i, g in enumerate(t[:12])
        )
        small.write_text("builder,module,slot,shots_good,shots_failed\n" + rows)
        for args in (["--help"], ["life", "--from", str(small)]):
            best = 9.0
            for _ in range(5):
                start = time.perf_counter()
                subprocess.run(
                    [sys.executable, "-m", "reliability.cli", *args],
                    capture_output=True,
                    check=True,
                )
                best = min(best, time.perf_counter() - start)
            print(f"shotlife {args[0]}: {best:.2f} s")


if __name__ == "__main__":
    main()
