"""Wear and misfire sheets against the life records of the same units."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from reliability.histories import Histories, reading_faults
from reliability.records import InvalidRecords
from reliability.sheets.life import numbers
from reliability.sheets.side import SideSheet
from reliability.sheets.table import SheetFault, Table, read_table
from reliability.store.facts import Stored
from reliability.store.store import Store

WHAT = {"wear": "a reading", "misfires": "a misfire or the end of its watch"}
"""kinds of sheet that give counts of units, and what a row of each is called"""


def side_faults(box: Store, sheet: SideSheet) -> list[SheetFault]:
    """Rows of a wear or misfire sheet that the stored life record of their unit contradicts.

    Readings after a unit's death, or beyond the last count at which it is known good, name both rows.
    Units without a life record are passed over, as are builders whose stored records contradict each
    other (``Store.contradictions`` lists those).

    Raises
    ------
    StoreError
    """
    if sheet.kind not in WHAT or not box.exists:
        return []
    table = read_table(Path(sheet.name), sheet.content)
    return _faults(box.stored(sheet.builders), table, sheet.file, WHAT[sheet.kind])


def stored_reading_contradictions(box: Store) -> list[str]:
    """The same for every stored wear and misfire sheet, one sentence each. Raises StoreError."""
    out = []
    for number, name, content in box.bundle_files():
        kind = name.split(".")[0]
        if kind not in WHAT:
            continue
        table = read_table(Path(name), content)
        builders = sorted({str(b).strip() for b in table.columns["builder"]})
        for f in _faults(
            box.stored(builders), table, f"{name} of contribution {number}", WHAT[kind]
        ):
            out.append(f"row {f.row} of {f.file}: {f.message}")
    return out


def _faults(old: Stored, table: Table, file: str, what: str) -> list[SheetFault]:
    try:
        h = Histories.of(old.records, events=False)
    except InvalidRecords:
        return []
    names = ("builder", "module", "slot", "unit")
    cells = [[str(c or "").strip() for c in table.columns.get(n, [""] * table.rows)] for n in names]
    labels = ["/".join(p for p in row if p) for row in zip(*cells, strict=True)]
    shots, _ = numbers(table, "shots", np.nan)
    found = reading_faults(h, labels, shots, what, old.where)
    return [SheetFault(file, f.row + 2, f.column, f.message) for f in found]
