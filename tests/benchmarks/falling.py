"""What modules break their promise, and does the answer name them (``may_fall``: hazards that fall are not excluded)?

    python -m tests.benchmarks.falling [--communities 30] [--random 20] [--seed 880455] [--jobs 2]

The truths of ``promise.py``, pinned ones and newly drawn. Each community is promised by the command's own question at
confidence 0.95 and 0.97. Printed: share of communities with the note, share of promises kept with and without it at
both; and of the promises that broke, the share that had it.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from reliability.notes import CannotAnswer
from tests.asking import asked
from tests.benchmarks.promise import PINNED, Truth, community, drawn

STATED = (0.95, 0.97)


def one(job: tuple[Truth, int]) -> tuple[float, ...]:
    """Whether the note stands, and whether the promise is kept at each confidence; nan where refused."""
    t, seed = job
    records = community(t, np.random.default_rng([seed, 17]))
    told = {"module": "flight", "shots": 1000, "brief": True, "seed": seed}
    try:
        answers = [asked("flight", records, confidence=c, **told) for c in STATED]
    except CannotAnswer:
        return (float("nan"),) * 3
    noted = any(n.code == "may_fall" for n in answers[0].notes)
    return (float(noted), *(float(a.promise.shots <= t.allows()) for a in answers))


def line(name: str, found: np.ndarray) -> str:
    """Shares of one truth, or of all."""
    found = found[np.isfinite(found[:, 0])]
    noted, broke = found[:, 0] > 0, found[:, 1] == 0

    def kept(which: np.ndarray) -> str:
        if not which.any():
            return "- / -"
        return " / ".join(f"{100 * v:.1f}" for v in found[which][:, 1:].mean(axis=0))

    told = f"{100 * noted[broke].mean():.0f}" if broke.any() else "-"
    return f"{name} | {len(found)} | {100 * noted.mean():.0f} | {kept(noted)} | {kept(~noted)} | {told}"


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--communities", type=int, default=30)
    p.add_argument("--random", type=int, default=20)
    p.add_argument("--seed", type=int, default=880455)
    p.add_argument("--only", nargs="*", default=[])
    p.add_argument("--jobs", type=int, default=2)
    a = p.parse_args()
    rng = np.random.default_rng(a.seed)
    truths = [*PINNED, *(drawn(rng, k) for k in range(a.random))]
    print("truth | n | noted % | kept % with it (95 / 97) | without | of the broken, noted %", flush=True)  # fmt: skip
    every = []
    with ProcessPoolExecutor(a.jobs) as pool:
        for t in truths:
            if not a.only or t.name in a.only:
                jobs = [(t, s) for s in range(a.communities)]
                every.append(np.array(list(pool.map(one, jobs, chunksize=5))))
                print(line(t.name, every[-1]), flush=True)
    print(line("all", np.concatenate(every)))


if __name__ == "__main__":
    main()
