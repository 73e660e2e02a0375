"""Writes random_sets.csv: 240 seeded data sets with every kind of censoring and counts.

python tests/reference/make_random_sets.py && Rscript survreg.R random_sets.csv survreg_results.csv
"""

import csv
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
KINDS = ("complete", "right", "left", "interval", "mixed")


def one_set(rng, kind, n):
    """Rows (good, failed, count); failed empty = not failed."""
    shape = rng.uniform(0.6, 5.0)
    scale = 10 ** rng.uniform(-2, 6)
    rows = []
    for _ in range(n):
        t = scale * rng.weibull(shape)
        k = rng.choice(("exact", "right", "left", "interval")) if kind == "mixed" else kind
        stop = scale * rng.uniform(0.3, 1.6)
        if k == "right" and t > stop:
            row = (stop, "")
        elif k == "left" and t < stop:
            row = (0.0, stop)
        elif k == "left":
            row = (stop, "")
        elif k == "interval":
            step = scale * rng.choice((0.1, 0.3, 0.6))
            row = (np.floor(t / step) * step, (np.floor(t / step) + 1) * step)
        else:
            row = (t, t)
        rows.append((*row, int(rng.integers(1, 5)) if kind == "mixed" else 1))
    return rows


def usable(rows):
    """Enough spread for every family to have a maximum well inside."""
    failed = [r for r in rows if r[1] != ""]
    low = max(r[0] for r in rows)
    high = min((r[1] for r in failed), default=0)
    return len(failed) >= 3 and low > 1.2 * high


def main():
    rng = np.random.default_rng(7)
    with (HERE / "random_sets.csv").open("w", newline="") as f:
        w = csv.writer(f, lineterminator="\n")
        w.writerow(("set", "kind", "good", "failed", "count"))
        done = 0
        while done < 240:
            kind = KINDS[done % len(KINDS)]
            rows = one_set(rng, kind, int(rng.integers(5, 40)))
            if usable(rows):
                done += 1
                w.writerows(
                    (done, kind, repr(float(g)), "" if b == "" else repr(float(b)), c)
                    for g, b, c in rows
                )


if __name__ == "__main__":
    main()
