"""New life records against those that are stored: repeated facts, and contradictions.

A stretch of a named unit (builder, module, slot, unit and its counts) that is stored already is the
same fact, whatever the bytes of the file. Records without a unit name cannot be told from others
like them and count as new.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.histories import contradictions
from reliability.records import LifeRecords, join
from reliability.sheets.table import SheetError, SheetFault

_TEXTS = ("mode", "part", "lot", "event", "removed")


@dataclass(frozen=True)
class Stored:
    """Life records that stand in the store.

    Attributes
    ----------
    records : LifeRecords
    contribution, row : int arrays (n,)
        Where each came from: contribution, and row of its file.
    files : mapping of contribution to file name
    """

    records: LifeRecords
    contribution: NDArray[np.int64]
    row: NDArray[np.int64]
    files: dict[int, str]

    def where(self, i: int) -> str:
        """A record as people find it."""
        c = int(self.contribution[i])
        return f"row {int(self.row[i])} of {self.files.get(c, '?')} (contribution {c})"


def _key(r: LifeRecords, i: int) -> tuple[object, ...]:
    return (
        r.builder[i], r.module[i], r.slot[i], r.unit[i],
        r.shots_from[i], r.shots_good[i], r.shots_failed[i], r.count[i],
    )  # fmt: skip


def _differences(new: LifeRecords, i: int, old: LifeRecords, j: int) -> list[str]:
    """Columns in which two records of one stretch say different things (an empty cell says nothing)."""
    out = [
        name
        for name in _TEXTS
        if getattr(new, name)[i]
        and getattr(old, name)[j]
        and getattr(new, name)[i] != getattr(old, name)[j]
    ]
    for name in new.covariates.keys() & old.covariates.keys():
        a, b = new.covariates[name][i], old.covariates[name][j]
        if a == a and b == b and a != b:
            out.append(name)
    return sorted(out)


def _says_more(new: LifeRecords, i: int, old: LifeRecords, j: int) -> list[str]:
    """Columns that are filled in the new record of a stretch and empty in the old one."""
    out = [name for name in _TEXTS if getattr(new, name)[i] and not getattr(old, name)[j]]
    for name, values in new.covariates.items():
        there = old.covariates.get(name)
        if values[i] == values[i] and (there is None or there[j] != there[j]):
            out.append(name)
    return sorted(out)


def repeated(file: str, new: LifeRecords, old: Stored) -> NDArray[np.bool_]:
    """Which new records are facts that are stored already.

    Raises
    ------
    SheetError
        Where a stored stretch comes again with other stresses, mode or part.
    """
    known = {_key(old.records, j): j for j in range(len(old.records)) if old.records.unit[j]}
    again = np.zeros(len(new), bool)
    faults = []
    for i in np.flatnonzero(new.unit != "").tolist():
        j = known.get(_key(new, i))
        if j is None:
            continue
        again[i] = True
        wrong = _differences(new, i, old.records, j)
        more = _says_more(new, i, old.records, j)
        if wrong or more:
            columns = wrong or more
            how = "says otherwise" if wrong else "is filled here and empty there"
            faults.append(
                SheetFault(
                    file, i + 2, columns[0],
                    f"this stretch of unit {new.unit[i]!r} is stored already, as {old.where(j)}, but "
                    f"{', '.join(columns)} {how}; allowed: the same values, or a file that supersedes that contribution",
                )
            )  # fmt: skip
    if faults:
        raise SheetError(faults)
    return again


def check_against(file: str, new: LifeRecords, rows: NDArray[np.intp], old: Stored) -> None:
    """Refuse new records that contradict stored ones.

    Parameters
    ----------
    file : str
    new : LifeRecords
        Without those that are stored already.
    rows : int array (m,)
        Index of each in its file.
    old : Stored

    Raises
    ------
    SheetError
        With every contradiction between a new and a stored record; both rows are named. Stored
        records that contradict each other do not stand in the way of new ones.
    """
    n = len(old.records)

    def where(i: int) -> str:
        return old.where(i) if i < n else f"row {int(rows[i - n]) + 2}"

    faults = []
    for f in contradictions(join([old.records, new]), where):
        if f.row >= n:
            faults.append(SheetFault(file, int(rows[f.row - n]) + 2, f.column, f.message))
        elif f.other is not None and f.other >= n:
            text = f"contradicts {old.where(f.row)}, of which it holds: {f.message}"
            faults.append(SheetFault(file, int(rows[f.other - n]) + 2, f.column, text))
    if faults:
        raise SheetError(sorted(faults, key=lambda f: (f.row, f.column)))


def stored_contradictions(old: Stored) -> list[str]:
    """Contradictions among stored records, one sentence each: for stores from before they were refused."""
    return [
        f"{old.where(f.row)}: {f.column}: {f.message}" for f in contradictions(old.records, old.where)
    ]  # fmt: skip
