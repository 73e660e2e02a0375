"""Wear and misfire sheets against the life records of the same units, whichever comes first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from reliability.histories import Histories, contradictions, reading_faults
from reliability.records import Fault, InvalidRecords, LifeRecords, join
from reliability.sheets.life import LifeSheet, numbers
from reliability.sheets.side import SideSheet
from reliability.sheets.table import SheetError, SheetFault, Table, read_table
from reliability.store.facts import repeated
from reliability.store.store import Store
from reliability.words import unit_label

STANDING = ("accepted", "received")
WHAT = {"wear": "a reading", "misfires": "a misfire or the end of its watch"}
"""kinds of sheet that give counts of units, and what a row of each is called"""


@dataclass(frozen=True)
class _Readings:
    """Counts of units in one file."""

    file: str
    kind: str
    labels: list[str]
    shots: np.ndarray

    @classmethod
    def of(cls, table: Table, file: str, kind: str) -> _Readings:
        names = ("builder", "module", "slot", "unit")
        cells = [
            [str(c or "").strip() for c in table.columns.get(n, [""] * table.rows)] for n in names
        ]
        labels = [unit_label(row) for row in zip(*cells, strict=True)]
        return cls(file, kind, labels, numbers(table, "shots", np.nan)[0])

    def faults(self, h: Histories, where: object) -> list[Fault]:
        return reading_faults(h, self.labels, self.shots, WHAT[self.kind], where)  # type: ignore[arg-type]


def side_faults(box: Store, sheet: SideSheet, supersedes: Sequence[int] = ()) -> list[SheetFault]:
    """Rows of a wear or misfire sheet that the stored life record of their unit contradicts.

    Readings after a unit's death, or beyond the last count at which it is known good, name both rows.
    Units without a life record are passed over, as are builders whose stored records contradict each
    other (``Store.contradictions`` lists those). So are misfires of a unit whose misfires stand in another
    sheet: one sheet says from where to where a unit was watched.

    Raises
    ------
    StoreError
    """
    if sheet.kind not in WHAT or not box.exists or _stands(box, sheet.sha256):
        return []
    own = _Readings.of(read_table(Path(sheet.name), sheet.content), sheet.file, sheet.kind)
    twice = _watched_twice(box, own, tuple(supersedes))
    old = box.stored(sheet.builders, tuple(supersedes))
    h = _histories(old.records)
    if h is None:
        return twice
    found = own.faults(h, old.where)
    return twice + [SheetFault(sheet.file, f.row + 2, f.column, f.message) for f in found]


def _stands(box: Store, sha256: str) -> bool:
    """Whether the same bytes stand already: they are stored once by themselves."""
    return any(c.sha256 == sha256 and c.status in STANDING for c in box.contributions())


def _watched_twice(box: Store, own: _Readings, supersedes: tuple[int, ...]) -> list[SheetFault]:
    """Units whose misfires stand in another sheet of the store already, each once, both rows named."""
    if own.kind != "misfires":
        return []
    found: dict[str, SheetFault] = {}
    rows = {label: i for i, label in reversed(list(enumerate(own.labels)))}
    for there in _stored_readings(box, supersedes):
        for k, label in enumerate(there.labels if there.kind == "misfires" else ()):
            if label in rows and label not in found:
                text = (
                    f"misfires of {label} stand in row {k + 2} of {there.file} already; allowed: one sheet a unit, so give "
                    "the whole of it again, and say that it takes the place of that contribution (supersedes)"
                )
                found[label] = SheetFault(own.file, rows[label] + 2, "unit", text)
    return list(found.values())


def life_faults(
    box: Store, sheet: LifeSheet, other: dict[str, bytes], supersedes: Sequence[int] = ()
) -> list[SheetFault]:
    """Rows of a life sheet that stored readings of their unit contradict, and readings in its own bundle.

    Raises
    ------
    SheetError
        Where a stored stretch comes again with other values.
    StoreError
    """
    stored = box.exists
    again = stored and _stands(box, sheet.sha256)
    old = box.stored(sheet.builders, tuple(supersedes)) if stored else None
    new = np.arange(len(sheet.records))
    records = sheet.records
    if old is not None:
        new = np.flatnonzero(~repeated(sheet.file, sheet.records, old))
        records = join([old.records, sheet.records.select(new)])
    n = 0 if old is None else len(old.records)
    h = _histories(records)
    if h is None:
        return []  # the store refuses what contradicts, with both rows

    def where(i: int) -> str:
        return (
            old.where(i) if old is not None and i < n else f"row {new[i - n] + 2} of {sheet.file}"
        )

    out = []
    for name, content in other.items():
        kind = name.split(".")[0]
        if kind in WHAT:
            own = _Readings.of(read_table(Path(name), content), name, kind)
            out += _watched_twice(box, own, tuple(supersedes)) if stored and not again else []
            out += [SheetFault(name, f.row + 2, f.column, f.message) for f in own.faults(h, where)]
    for readings in _stored_readings(box, tuple(supersedes), sheet.builders) if stored else ():
        for f in readings.faults(h, where):
            if f.other is not None and f.other >= n:
                text = f"contradicts row {f.row + 2} of {readings.file}: {f.message}"
                column = "shots_failed" if records.failed[f.other] else "shots_good"
                out.append(SheetFault(sheet.file, int(new[f.other - n]) + 2, column, text))
    return sorted(out, key=lambda f: (f.file, f.row, f.column))


def refuse_contradictions(
    box: Store, sheet: LifeSheet | SideSheet, other: dict[str, bytes], supersedes: Sequence[int]
) -> None:
    """Refuse a sheet that contradicts what the store knows of the same units. Raises SheetError, StoreError."""
    found = (
        life_faults(box, sheet, other, supersedes)
        if isinstance(sheet, LifeSheet)
        else side_faults(box, sheet, supersedes)
    )
    if found:
        raise SheetError(found)


def together_faults(
    lives: Sequence[LifeSheet], sides: Sequence[tuple[str, str, bytes]]
) -> list[SheetFault]:
    """What files that are read together say against each other.

    Parameters
    ----------
    lives : sequence of LifeSheet
    sides : sequence of (file, name, content)
        Sheets of other kinds; ``name`` begins with the kind.
    """
    if len(lives) + len(sides) < 2 or not lives:
        return []
    records = join([s.records for s in lives])
    place = [(s.file, i + 2) for s in lives for i in range(len(s.records))]

    def where(i: int) -> str:
        return f"row {place[i][1]} of {place[i][0]}"

    if len(lives) > 1:
        found = contradictions(records, where)
        if found:
            return [SheetFault(*place[f.row], f.column, f.message) for f in found]
    h = _histories(records)
    out = []
    for file, name, content in sides:
        kind = name.split(".")[0]
        if h is not None and kind in WHAT:
            own = _Readings.of(read_table(Path(name), content), file, kind)
            out += [SheetFault(file, f.row + 2, f.column, f.message) for f in own.faults(h, where)]
    return out


def stored_reading_contradictions(box: Store) -> list[str]:
    """The same for every stored wear and misfire sheet, one sentence each. Raises StoreError."""
    out = []
    for readings in _stored_readings(box):
        builders = sorted({label.split("/")[0] for label in readings.labels})
        old = box.stored(builders)
        h, rows = _sound_histories(old.records)
        for f in readings.faults(h, lambda i, old=old, rows=rows: old.where(int(rows[i]))):
            out.append(f"row {f.row + 2} of {readings.file}: {f.message}")
    return out


def _may_name(builders: Sequence[str] | None, name: str, content: bytes) -> bool:
    """Whether a file can hold readings of one of these builders: cheap, so that most files need not be read."""
    if builders is None or not name.endswith(".csv") or any('"' in b for b in builders):
        return True
    return any(b.encode() in content for b in builders)


def _stored_readings(
    box: Store, without: tuple[int, ...] = (), builders: Sequence[str] | None = None
) -> Iterator[_Readings]:
    """Stored readings; of some builders' only those files that can name one."""
    for number, name, content in box.bundle_files(STANDING):
        kind = name.split(".")[0]
        if kind in WHAT and number not in without and _may_name(builders, name, content):
            table = read_table(Path(name), content)
            yield _Readings.of(table, f"{name} (contribution {number})", kind)


def _histories(records: LifeRecords) -> Histories | None:
    try:
        return Histories.of(records, events=False)
    except InvalidRecords:
        return None


def _sound_histories(records: LifeRecords) -> tuple[Histories, np.ndarray]:
    """Histories of the units that do not contradict themselves, and the index of each of their rows."""
    rows = np.arange(len(records))
    while True:
        try:
            return Histories.of(records.select(rows), events=False), rows
        except InvalidRecords as e:
            bad = {f.row for f in e.faults} | {f.other for f in e.faults if f.other is not None}
            rows = np.delete(rows, sorted(bad))
