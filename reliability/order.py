"""One order for the facts of a pool, so that an answer does not depend on who gave first.

Simulated bounds draw their tests unit by unit: the same facts in another order would get other draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reliability.pool import Pool
from reliability.readings import Recurrences, SparkCounts
from reliability.records import LifeRecords

FIRST = ("builder", "module", "slot", "unit", "shots_from", "shots_good", "shots_failed")


def in_order(pool: Pool) -> Pool:
    """The same pool, its records, events and counts in the order of their content.

    Facts alike in every column may stand either way; nothing tells them apart.
    """
    return replace(
        pool,
        life=None if pool.life is None else _life(pool.life),
        misfires=None if pool.misfires is None else _misfires(pool.misfires),
        ignition=None if pool.ignition is None else _ignition(pool.ignition),
    )


def _ranks(values: NDArray[Any]) -> NDArray[Any]:
    """Numbers as they are, texts by their place in the alphabet."""
    if values.dtype != object:
        return values
    texts = values.tolist()
    place = {v: i for i, v in enumerate(sorted(set(texts)))}
    return np.fromiter(map(place.__getitem__, texts), np.int64, values.size)


def _order(columns: Sequence[NDArray[Any]]) -> NDArray[np.intp]:
    """Places of the rows, sorted by the first column, then the second, and so on."""
    return np.lexsort([_ranks(c) for c in reversed(columns)])


def _told_apart(columns: Sequence[NDArray[Any]], order: NDArray[np.intp]) -> bool:
    """Whether no two rows, in this order, are alike in all columns."""
    alike = np.ones(max(order.size - 1, 0), bool)
    for values in columns:
        sorted_ = values[order]
        alike &= sorted_[1:] == sorted_[:-1]
    return not alike.any()


def _life(r: LifeRecords) -> LifeRecords:
    first = [_ranks(r.column(n)) for n in FIRST]
    order = _order(first)
    if not _told_apart(first, order):
        rest = sorted(set(r.column_names) - set(FIRST))
        order = _order([*first, *(r.column(n) for n in rest)])
    sorted_ = r.select(order)
    return replace(
        sorted_,
        covariates=dict(sorted(sorted_.covariates.items())),
        labels=dict(sorted(sorted_.labels.items())),
    )


def _misfires(r: Recurrences) -> Recurrences:
    events, systems = _order([r.system, r.shots]), _order([r.systems])
    return Recurrences(
        r.system[events], r.shots[events], r.systems[systems], r.start[systems], r.end[systems],
        r.group[systems],
    )  # fmt: skip


def _ignition(r: SparkCounts) -> SparkCounts:
    names = tuple(r.__dataclass_fields__)
    order = _order([getattr(r, n) for n in names])
    return SparkCounts(*(getattr(r, n)[order] for n in names))
