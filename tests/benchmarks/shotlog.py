"""100 million logged shots reduced on this machine, against a bare scan of the same columns.

    python tests/benchmarks/shotlog.py [--rows 100000000] [--kind clean|gaps|mixed]

Writes a Parquet log (seeded), scans its columns in DuckDB (sum of each), then runs the reduction in a
process of its own and prints time, ratio and peak memory.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

LOG = """
COPY (
  SELECT 'm' || lpad((i // {per})::VARCHAR, 3, '0') AS module, (i % {per}) + 1 AS shot,
    1300 + (hash(i) % 1000) / 100.0 AS main_V_before,
    CASE WHEN hash(i + 7) % 1500 = 0 THEN 1250.0 ELSE 20 + (hash(i + 3) % 1000) / 100.0 END AS main_V_after,
    900 + (hash(i + 5) % 1000) / 25.0 AS ignition_V, 3.0 * (i % {per}) AS time_s
  FROM range({rows}) t(i) {where} {order}
) TO '{path}' (FORMAT parquet)
"""
KINDS = {
    "clean": ("", ""),
    "gaps": ("WHERE hash(i // 50) % 2000 <> 0", ""),  # one stretch of 50 in 2,000 lost
    "mixed": ("", "ORDER BY i % {per}, i"),  # modules row by row
}
CHILD = """
import sys, time
from pathlib import Path
from reliability.sheets.shots.reduce import reduce_logs
t = time.perf_counter()
r = reduce_logs([Path(sys.argv[1])])
spent = time.perf_counter() - t
peak = [line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")][0]
print(spent, int(peak) >> 10, r.sentence, sep="|")
"""


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--rows", type=int, default=100_000_000)
    p.add_argument("--modules", type=int, default=200)
    p.add_argument("--kind", choices=list(KINDS), default="clean")
    a = p.parse_args()
    per = a.rows // a.modules
    where, order = KINDS[a.kind]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.parquet"
        c = duckdb.connect(config={"memory_limit": "4GB", "temp_directory": folder})
        c.execute(
            LOG.format(rows=a.rows, per=per, path=path, where=where, order=order.format(per=per))
        )
        scan = 1e9
        for _ in range(3):
            t = time.perf_counter()
            c.execute(
                "SELECT count(module), sum(shot), sum(main_V_before), sum(main_V_after), sum(ignition_V), sum(time_s) "
                f"FROM read_parquet('{path}')"
            ).fetchall()
            scan = min(scan, time.perf_counter() - t)
        c.close()
        out = subprocess.run(
            [sys.executable, "-c", CHILD, str(path)], capture_output=True, text=True, check=True
        )
        seconds, peak, sentence = out.stdout.strip().split("|")
        print(f"{a.kind}: {sentence}")
        print(
            f"file {path.stat().st_size / 2**20:,.0f} MiB; bare scan {scan:.2f} s; reduced in {float(seconds):.2f} s, "
            f"{float(seconds) / scan:.2f} times the scan; peak memory {int(peak):,} MiB"
        )


if __name__ == "__main__":
    main()
