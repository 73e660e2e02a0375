"""Seeded lives at three voltages, of three builders, with late entry: cox_data.csv."""

from pathlib import Path

import numpy as np


def main():
    g = np.random.default_rng(20261126)
    n = 60
    volts = np.tile([1200.0, 1400.0, 1600.0], n // 3)
    builder = np.repeat(["a", "b", "c"], n // 3)
    life = 5000 * (volts / 1400) ** -6 * g.weibull(2, n)
    stop = g.uniform(2000, 9000, n)
    time, dead = np.minimum(life, stop), life <= stop
    entry = np.where(g.random(n) < 0.3, g.uniform(0, 0.5, n) * time, 0.0)
    rows = ["x,time,dead,entry,builder,module"]
    for i in range(n):
        rows.append(
            f"{np.log(volts[i])!r},{time[i]!r},{int(dead[i])},{entry[i]!r},{builder[i]},{builder[i]}{i % 20 // 2}"
        )
    text = "\n".join(rows).replace("np.float64(", "").replace(")", "")
    (Path(__file__).parent / "cox_data.csv").write_text(text + "\n")


if __name__ == "__main__":
    main()
