"""What simulations over many truths share: their arguments, the runs of each truth, the error of a share."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np


def arguments(doc: str, runs: str, number: int, first: int) -> argparse.Namespace:
    """Runs a truth (``--sets``, ``--communities``), seed of the first, truths by name, processes."""
    p = argparse.ArgumentParser(description=doc.splitlines()[0])
    p.add_argument(f"--{runs}", dest="runs", type=int, default=number)
    p.add_argument("--first", type=int, default=first, help="seed of the first")
    p.add_argument("--only", nargs="*", default=[])
    p.add_argument("--jobs", type=int, default=2)
    return p.parse_args()


def runs_of(
    truths: Sequence[Any],
    one: Callable[[tuple[int, int]], tuple[float, ...]],
    a: argparse.Namespace,
) -> Iterator[tuple[Any, np.ndarray]]:
    """Each truth with what ``one`` says of its runs, (runs, ...); it is called with the truth's place and a seed."""
    with ProcessPoolExecutor(a.jobs) as pool:
        for i, truth in enumerate(truths):
            if not a.only or truth.name in a.only:
                jobs = [(i, s) for s in range(a.first, a.first + a.runs)]
                yield truth, np.array(list(pool.map(one, jobs, chunksize=5)))


def standard_error(kept: float, n: int) -> float:
    """Of a share of n: at least half of what it is at 95 %, however many were kept."""
    return float(np.sqrt(max(kept * (1 - kept), 0.0475 / 4) / max(n, 1)))
