"""Rows that are one unit looked at again and again: its last row counts, and between which counts it failed."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

from reliability.sheets.bench.columns import Column
from reliability.sheets.bench.desk import Desk

Cells = dict[str, list[Any]]
_UNIT = ("builder", "module", "slot", "unit")
_MAY_DIFFER = {"date", "note", "shots", "status", "failed", "mode", "capacitance_uF"}
"""what one inspection may say otherwise than the one before; another voltage begins another stretch"""


def inspected(
    desk: Desk, columns: dict[str, Column], states: Sequence[str], out: Cells
) -> list[int]:
    """Rows that are kept of a life sheet: all, or the last of each unit, if a person agrees that the others are
    earlier looks at it. ``out`` gets the count at which a failed unit was last seen good.

    With units named, the rows would contradict each other otherwise; without, each would count as a unit of
    its own, which cannot be told from the file: that has to be answered.
    """
    n = len(states)
    every = list(range(n))
    groups = _looked_at_again(columns, states)
    if not groups or desk.ours:
        return every
    named = "unit" in columns and any(
        columns["unit"].values[i] is not None for g in groups for i in g
    )
    rows = sum(map(len, groups))
    text = (
        f"{rows} rows are {'of ' if named else ''}{len(groups)} "
        f"{'units' if named else 'modules and slots without names of units'}, at counts that rise: the same unit "
        "looked at again, of which the last row counts (inspections), or units each by itself (units)?"
    )
    answer = desk.ask(
        "choose:repeats", text, ("inspections", "units"), "inspections" if named else "", not named
    )
    if answer != "inspections":
        return every
    gone = set()
    for g in groups:
        gone |= set(g[:-1])
        if out["shots_failed"][g[-1]] is not None:
            out["shots_good"][g[-1]] = out["shots_good"][g[-2]]
    desk.note(
        "",
        "shots_good",
        rows,
        f"{rows} rows",
        f"{len(groups)} units",
        "inspections of one unit: the last counts",
    )
    return [i for i in every if i not in gone]


def _looked_at_again(columns: dict[str, Column], states: Sequence[str]) -> list[list[int]]:
    """Rows of each unit that stands in several; empty unless all of these look like one unit at rising counts."""
    shots = columns.get("shots")
    if shots is None or {"shots_from", "count", "event", "removed"} & set(columns) or shots.lows:
        return []
    keys = list(zip(*(columns[k].values for k in _UNIT if k in columns), strict=True))
    by_unit: dict[Any, list[int]] = {}
    for i, key in enumerate(keys or [()] * len(states)):
        by_unit.setdefault(key, []).append(i)
    groups = [g for g in by_unit.values() if len(g) > 1]
    # two rows without names rise by chance, half the time
    if "unit" not in columns and len(groups) < 2 and not any(len(g) > 2 for g in groups):
        return []
    fixed = [
        c.values for k, c in columns.items() if k not in _MAY_DIFFER and c.header.column != "extra"
    ]
    return groups if all(_rises(g, shots, states, fixed) for g in groups) else []


def _rises(
    rows: list[int], shots: Column, states: Sequence[str], fixed: Sequence[Sequence[Any]]
) -> bool:
    """Whether these rows are good at counts that rise, all but the last, under the same stresses."""
    counts = [shots.values[i] for i in rows]
    if any(x is None for x in counts) or any(shots.marks[i] for i in rows):
        return False
    rise = all(a < b for a, b in itertools.pairwise(counts))
    alive = all(states[i] == "alive" for i in rows[:-1]) and bool(states[rows[-1]])
    return rise and alive and all(len({values[i] for i in rows}) == 1 for values in fixed)
