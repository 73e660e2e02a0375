"""Early failures apart from wear-out: when one Weibull shape does not tell the whole story.

A slot's hazard may be the sum of two: an early or chance part whose hazard does not rise (shape at
most 1) and a wear-out part (shape 1 or more). The split is by classification: the first k failures
belong to the early part, the others to wear-out, each censoring the other; the k of the highest
penalised likelihood is taken. Both readings are answered for and the shorter promise is given. The
second reading is a safeguard against misfit, not a claim of coverage by itself: its root is cut at
CUT_SHARE of the normal quantile, without simulation. CUT_SHARE is a choice made on simulated two-mode,
infant and Gompertz lives (tests/benchmarks/unsafe.py): the full cut kept 100 % there at 0.7 of the
length.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reliability.records import LifeRecords
from reliability.slots.carried import Carried
from reliability.slots.cells import Array, Cells, Penalty
from reliability.slots.exposure import Units

CUT_SHARE = 0.78
MOST = 8  # failures that may be early
FLAG = -1.0  # log-likelihood that a split may be worse and still be said: 0 to 7 % of Weibull pools come that far
EARLY = (0.25, 1.0, 14)
LATE = (1.0, 10.0, 24)
EARLY_SHAPE = Penalty(
    float(np.log(0.8)),
    0.5,
    "ln shape of early failures about ln 0.8, spread 0.5, at most 1: a choice",
)


@dataclass(frozen=True)
class Split:
    """Records of a slot taken apart.

    Attributes
    ----------
    early, late : LifeRecords
        The same records, the failures of the other part as censored.
    failures : int
        Early ones.
    before : float
        Shots by which they had failed.
    gain : float
        Penalised log-likelihood over that of one shape.
    """

    early: LifeRecords
    late: LifeRecords
    failures: int
    before: float
    gain: float

    @property
    def flagged(self) -> bool:
        """Whether the data themselves speak for it."""
        return self.gain > FLAG


def _censored(r: LifeRecords, which: np.ndarray) -> LifeRecords:
    """These failures as censored where they were last seen good (exact ones: where they failed)."""
    failed = np.where(which, np.inf, r.shots_failed)
    good = np.where(which & ~r.exact, np.maximum(r.shots_good, r.shots_from), r.shots_good)
    return replace(r, shots_failed=failed, shots_good=good, mode=np.where(which, "", r.mode))


def _best(records: LifeRecords, x: Array, cells: Cells, unit: float) -> float:
    t = Units.of(records, x).tally(cells, unit)
    r = float(t.failures[0])
    own = r * np.log(r / t.exposure[0]) - r if r > 0 else 0.0
    return float((t.events[0] + own - cells.penalty).max())


def split_early(carried: Carried, shape: Penalty | None, unit: float) -> Split | None:
    """The best split of a slot's own records, at least one failure in each part; None under 3 failures."""
    r = carried.own
    dead = np.flatnonzero(r.failed & (r.count == 1))
    if dead.size < 3 or r.failures != dead.size:
        return None
    x = carried.coordinates(r) - carried.reference
    law = np.array([p.mean for _, _, p in carried.stresses])
    age = r.shots_failed[dead] * np.exp(x[dead] @ law if x.shape[1] else 0.0)
    order = dead[np.argsort(age, kind="stable")]
    one = _best(r, x, carried.cells(shape), unit)
    early, late = carried.cells(EARLY_SHAPE, shapes=EARLY), carried.cells(shape, shapes=LATE)
    found: Split | None = None
    for k in range(1, min(MOST, dead.size - 1) + 1):
        first = np.zeros(len(r), bool)
        first[order[:k]] = True
        a, b = _censored(r, r.failed & ~first), _censored(r, first)
        gain = _best(a, x, early, unit) + _best(b, x, late, unit) - one
        if found is None or gain > found.gain:
            found = Split(a, b, k, float(r.shots_failed[order[k - 1]]), gain)
    return found
