"""Wear readings, misfires, ignition counts: ``wear.csv``, ``misfires.csv``, ``ignition.csv``, checked whole.

wear.csv: ``builder, module, slot, unit, shots, quantity, value`` and optionally ``uncertainty``.
misfires.csv: ``builder, module, slot, unit, shots, event`` and optionally ``part``; event is
``misfire`` at that count, or ``end`` (and ``start``) of the watch of that unit.
ignition.csv: ``builder, module, shots, ignition_V, commanded, misfires``, a row a group of shots.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from reliability.notes import BadInput
from reliability.readings import Recurrences, SparkCounts, WearReadings
from reliability.sheets.life import numbers, texts
from reliability.sheets.table import SheetError, SheetFault, Table, read_table
from reliability.words import unit_label

WEAR_COLUMNS = ("builder", "module", "slot", "unit", "shots", "quantity", "value")
MISFIRE_COLUMNS = ("builder", "module", "slot", "unit", "shots", "event")
IGNITION_COLUMNS = ("builder", "module", "shots", "ignition_V", "commanded", "misfires")
NUMBERS = ("shots", "value", "ignition_V", "commanded")
EVENTS = ("misfire", "start", "end")


def kind_of_table(table: Table) -> str:
    """``wear``, ``misfires``, ``ignition`` or ``life``, by its columns."""
    if "ignition_V" in table.columns and "commanded" in table.columns:
        return "ignition"
    if "quantity" in table.columns and "value" in table.columns:
        return "wear"
    if "event" in table.columns and "shots" in table.columns:
        return "misfires"
    return "life"


def _columns(table: Table, wanted: Sequence[str]) -> tuple[dict[str, np.ndarray], list[SheetFault]]:
    missing = [c for c in wanted if c not in table.columns]
    if missing:
        raise SheetError(
            [
                SheetFault(
                    table.file, 1, c, f"the column is missing; required: {', '.join(wanted)}"
                )
                for c in missing
            ]
        )
    out: dict[str, np.ndarray] = {}
    faults: list[SheetFault] = []
    for name in wanted:
        if name in NUMBERS or (name == "misfires" and "commanded" in wanted):
            out[name], f = numbers(table, name, math.nan)
            bad = {x.row for x in f}
            f += [
                SheetFault(table.file, int(i) + 2, name, "empty; a number is required")
                for i in np.flatnonzero(np.isnan(out[name]))
                if int(i) + 2 not in bad
            ]
        else:
            out[name], f = texts(table, name)
            if name != "unit":
                f += [
                    SheetFault(table.file, int(i) + 2, name, "empty; it is required")
                    for i in np.flatnonzero(out[name] == "")
                ]
        faults += f
    faults += [
        SheetFault(
            table.file, int(i) + 2, "shots", f"{out['shots'][i]:g} is negative; shots are 0 or more"
        )
        for i in np.flatnonzero(out["shots"] < 0)
    ]
    return out, faults


def wear_from_table(table: Table) -> WearReadings:
    """Readings from raw columns. Raises SheetError with every fault."""
    c, faults = _columns(table, WEAR_COLUMNS)
    if faults:
        raise SheetError(sorted(faults, key=lambda f: (f.row, f.column)))
    return WearReadings(
        c["builder"], c["module"], c["slot"], c["unit"], c["quantity"], c["shots"], c["value"]
    )


def misfires_from_table(table: Table) -> Recurrences:
    """Recurrent events from raw columns. Raises SheetError with every fault."""
    c, faults = _columns(table, MISFIRE_COLUMNS)
    faults += [
        SheetFault(
            table.file,
            int(i) + 2,
            "event",
            f"{c['event'][i]!r} is not an event; allowed: {', '.join(EVENTS)}",
        )
        for i, e in enumerate(c["event"].tolist())
        if e not in (*EVENTS, "")
    ]
    if faults:
        raise SheetError(sorted(faults, key=lambda f: (f.row, f.column)))
    group, _ = (
        texts(table, "part") if "part" in table.columns else (np.full(table.rows, "", object), [])
    )
    label = np.array(
        [
            unit_label(row)
            for row in zip(c["builder"], c["module"], c["slot"], c["unit"], strict=True)
        ],
        object,
    )
    places: dict[str, list[int]] = {}
    for i, s in enumerate(label.tolist()):
        places.setdefault(s, []).append(i)
    systems = sorted(places)
    start, end, groups = [], [], []
    for s in systems:
        own = np.array(places[s])
        ends = c["shots"][own[c["event"][own] == "end"]]
        starts = c["shots"][own[c["event"][own] == "start"]]
        if ends.size != 1:
            row = int(own[0]) + 2
            faults.append(
                SheetFault(
                    table.file,
                    row,
                    "event",
                    f"{s} has {ends.size} rows with event 'end'; one is wanted, the last count watched",
                )
            )
            continue
        start.append(float(starts[0]) if starts.size else 0.0)
        end.append(float(ends[0]))
        groups.append(str(group[own][0]))
    if faults:
        raise SheetError(faults)
    hit = c["event"] == "misfire"
    try:
        return Recurrences.of(label[hit], c["shots"][hit], systems, end, start, groups)
    except BadInput as e:
        raise SheetError([SheetFault(table.file, 0, "shots", str(e))]) from None


def ignition_from_table(table: Table) -> SparkCounts:
    """Ignition counts from raw columns. Raises SheetError with every fault."""
    c, faults = _columns(table, IGNITION_COLUMNS)
    wrong = (c["misfires"] < 0) | (c["misfires"] > c["commanded"]) | (c["commanded"] <= 0)
    faults += [
        SheetFault(table.file, int(i) + 2, "misfires", f"{c['misfires'][i]:g} misfires of {c['commanded'][i]:g} commanded shots; "
                   "commanded is above 0, misfires are 0 or more and no more than commanded")
        for i in np.flatnonzero(wrong)
    ]  # fmt: skip
    if faults:
        raise SheetError(sorted(faults, key=lambda f: (f.row, f.column)))
    return SparkCounts(*(c[n] for n in IGNITION_COLUMNS))


def read_ignition(path: Path, data: bytes | None = None) -> SparkCounts:
    """Read an ignition sheet."""
    return ignition_from_table(read_table(path, data))


def join_ignition(parts: Sequence[SparkCounts]) -> SparkCounts:
    """Several sets of counts as one."""
    return SparkCounts(
        *(np.concatenate([getattr(p, f) for p in parts]) for f in SparkCounts.__dataclass_fields__)
    )


def read_wear(path: Path, data: bytes | None = None) -> WearReadings:
    """Read a wear sheet."""
    return wear_from_table(read_table(path, data))


def read_misfires(path: Path, data: bytes | None = None) -> Recurrences:
    """Read a misfire sheet."""
    return misfires_from_table(read_table(path, data))


def join_wear(parts: Sequence[WearReadings]) -> WearReadings:
    """Several sets of readings as one."""
    return WearReadings(
        *(np.concatenate([getattr(p, f) for p in parts]) for f in WearReadings.__dataclass_fields__)
    )


def join_misfires(parts: Sequence[Recurrences]) -> Recurrences:
    """Several sets of events as one; a system may stand in one of them only."""
    names = [n for p in parts for n in p.systems]
    if len(set(names)) != len(names):
        raise BadInput("a unit's misfires stand in two contributions; join them in one sheet")
    return Recurrences(
        *(np.concatenate([getattr(p, f) for p in parts]) for f in Recurrences.__dataclass_fields__)
    )
