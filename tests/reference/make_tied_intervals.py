"""50 seeded sets of intervals, exact failures and units still good, with many ties: tied_intervals.csv."""

from pathlib import Path

import numpy as np

HERE = Path(__file__).parent


def main():
    rows = ["set,good,failed,count"]
    for k in range(50):
        g = np.random.default_rng(20261126 + k)
        n = int(g.integers(6, 40))
        every = int(g.integers(1, 4))
        life = np.ceil(g.weibull(1.8, n) * 12)
        stop = every * g.integers(1, 9, n)
        for t, c, exact, count in zip(life, stop, g.random(n) < 0.3, g.integers(1, 4, n)):
            if exact and t <= c:
                good, failed = t, t
            else:
                good = every * np.floor((t - 1) / every)
                failed = good + every
                if good >= c:
                    good, failed = c, np.inf
            rows.append(f"{k},{good:g},{'' if np.isinf(failed) else f'{failed:g}'},{count}")
    (HERE / "tied_intervals.csv").write_text("\n".join(rows) + "\n")


if __name__ == "__main__":
    main()
