"""The life sheet: one row a life record, checked whole before anything is used."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reliability.citations import Citation
from reliability.histories import contradictions
from reliability.notes import Note
from reliability.records import LifeRecords, find_faults, removal_faults
from reliability.sheets.table import SheetError, SheetFault, Table, file_bytes, read_table

REQUIRED = ("builder", "module", "slot", "shots_good")
TEXTS = (
    "builder", "module", "slot", "unit", "mode", "part", "lot", "event", "removed",
    "fuel", "revision", "date", "note",
)  # fmt: skip
LIFE_NUMBERS = ("shots_from", "shots_good", "shots_failed", "count")
STRESSES: dict[str, tuple[float, float, str]] = {
    "rated_V": (0.0, math.inf, "volts above 0"),
    "capacitance_uF": (0.0, math.inf, "microfarads above 0"),
    "bank_parallel": (0.0, math.inf, "a number of units above 0"),
    "bank_series": (0.0, math.inf, "a number of units above 0"),
    "charge_V": (0.0, math.inf, "volts above 0"),
    "energy_J": (0.0, math.inf, "joules above 0"),
    "peak_A": (0.0, math.inf, "amperes above 0"),
    "reversal": (-1e-300, 1.0, "a fraction from 0 to 1"),
    "rate_Hz": (0.0, math.inf, "shots a second above 0"),
    "temp_C": (-273.15, math.inf, "degrees Celsius above -273.15"),
    "pressure_Pa": (-1e-300, math.inf, "pascals of 0 or more"),
}
"""name: (must be above, must not be above, what is allowed)"""
MAX_TEXT = 500
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LifeSheet:
    """A checked life sheet.

    Attributes
    ----------
    file : str
    sha256 : str
        Of the bytes, so that the same file is stored once.
    records : LifeRecords
        One element a row, in the order of the file.
    notes : tuple of Note
        Warnings, such as columns that are kept but not known.
    citation : Citation or None
        As the bundle that it came in gives it.
    """

    file: str
    sha256: str
    records: LifeRecords
    notes: tuple[Note, ...]
    citation: Citation | None = None

    @property
    def kind(self) -> str:
        """``life``; sheets of other kinds say theirs."""
        return "life"

    @property
    def builders(self) -> tuple[str, ...]:
        """Whose records they are, sorted."""
        return tuple(sorted(set(map(str, self.records.builder.tolist()))))

    @property
    def rows(self) -> int:
        """Number of records."""
        return len(self.records)


def _is_blank(cell: Any) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def numbers(table: Table, column: str, blank: float) -> tuple[Floats, list[SheetFault]]:
    """A column as numbers, empty cells as ``blank``; every cell that is no number is a fault."""
    cells = table.columns[column]
    try:
        if all(isinstance(c, str) for c in cells):
            # Arrow strings: an array of fixed width would make every cell as long as the longest
            raw = pc.utf8_trim_whitespace(pa.array(cells, pa.large_string()))
            empty = np.asarray(pc.equal(raw, ""))
            values = np.full(len(cells), blank)
            values[~empty] = np.asarray(raw.filter(pa.array(~empty)).cast(pa.float64()))
            if np.isfinite(values[~empty]).all():
                return values, []
    except (pa.ArrowException, UnicodeError):
        pass
    values = np.full(len(cells), blank)
    faults = []
    for i, c in enumerate(cells):
        if _is_blank(c):
            continue
        ok = not isinstance(c, bool)
        try:
            x = float(c) if ok else math.nan
            ok = ok and not (isinstance(c, str) and "_" in c)
        except (TypeError, ValueError, OverflowError):
            ok, x = False, math.nan
        if ok and math.isfinite(x):
            values[i] = x
            continue
        hint = ""
        if isinstance(c, str) and "," in c:
            hint = " (write the decimal mark as a point, no thousands marks)"
        shown = str(c)[:40]
        faults.append(
            SheetFault(
                table.file, i + 2, column,
                f"{shown!r} is not a number; allowed: a plain number or empty{hint}",
            )
        )  # fmt: skip
    return values, faults


def texts(table: Table, column: str) -> tuple[NDArray[np.object_], list[SheetFault]]:
    """A column as trimmed texts, "" where empty."""
    out = np.full(table.rows, "", dtype=object)
    faults = []
    for i, c in enumerate(table.columns[column]):
        if c is None:
            continue
        if isinstance(c, float) and c.is_integer():
            c = int(c)  # a spreadsheet stores the label 12 as 12.0
        s = str(c).strip()
        if len(s) > MAX_TEXT:
            faults.append(
                SheetFault(table.file, i + 2, column, f"longer than {MAX_TEXT} characters")
            )
        elif s and not s.isprintable():
            faults.append(SheetFault(table.file, i + 2, column, "holds control characters"))
        else:
            out[i] = s
    return out, faults


def _extra(table: Table, column: str) -> tuple[str, Any, list[SheetFault]]:
    """An unknown column: ('number', values) if all its cells are numbers, else ('text', values)."""
    values, faults = numbers(table, column, math.nan)
    if not faults and not np.isnan(values).all():
        return "number", values, []
    words, faults = texts(table, column)
    return "text", words, faults


def read_life(path: Path | str, data: bytes | None = None) -> LifeSheet:
    """Read and check a life sheet.

    Parameters
    ----------
    path : Path or str
        CSV, Parquet or XLSX.
    data : bytes, optional
        The content, if already in memory; ``path`` then only names it.

    Raises
    ------
    SheetError
        With every fault of the file; nothing of a faulty file is used.
    """
    path = Path(path)
    data = file_bytes(path, data)
    return life_sheet(path, data, read_table(path, data))


def life_sheet(path: Path, data: bytes, table: Table) -> LifeSheet:
    """The life sheet in a file whose raw columns are read already; arguments as in ``read_life``."""
    return LifeSheet(path.name, hashlib.sha256(data).hexdigest(), *life_from_table(table))


def history_faults(
    file: str,
    life: dict[str, Floats],
    words: dict[str, NDArray[np.object_]],
    rated: Floats | None,
    passed_over: set[int],
) -> list[SheetFault]:
    """Contradictions among the rows of a unit or an event, and unknown reasons of removal.

    ``rated`` are the ratings in volts; ``passed_over`` are file rows whose numbers could not be read.
    """
    rows = np.array(
        [i for i in range(life["shots_good"].size) if i + 2 not in passed_over], np.intp
    )
    blank = np.full(life["shots_good"].size, "", object)
    numbers_of: dict[str, Any] = {k: life[k] for k in LIFE_NUMBERS}
    texts_of: dict[str, Any] = {k: words.get(k, blank) for k in _TEXTS_OF_RECORD}
    stresses = {} if rated is None else {"rated_V": rated}
    raw = LifeRecords(**numbers_of, **texts_of, covariates=stresses).select(rows)
    found = removal_faults(raw.removed, raw.shots_failed)
    found += contradictions(raw, lambda i: f"row {rows[i] + 2}")
    return [SheetFault(file, int(rows[f.row]) + 2, f.column, f.message) for f in found]


MODE_OF_GOOD = "mode_of_good"
"""code of the note that a mode stands where nothing failed"""
_TEXTS_OF_RECORD = ("mode", "builder", "module", "slot", "unit", "part", "lot", "event", "removed")
_WHERE_ABSENT = {"shots_from": 0.0, "shots_good": math.nan, "shots_failed": math.inf, "count": 1.0}


class _Sheet:
    """The columns of one table as they get their meaning, and every fault on the way."""

    def __init__(self, table: Table) -> None:
        self.table = table
        self.faults: list[SheetFault] = []
        self.life: dict[str, Floats] = {}
        self.words: dict[str, NDArray[np.object_]] = {}
        self.covariates: dict[str, Floats] = {}
        self.unread: set[int] = set()

    def fault(self, row: int, column: str, message: str) -> None:
        """One more; ``row`` counts from 0 below the header."""
        self.faults.append(SheetFault(self.table.file, row + 2, column, message))

    def read_lives(self) -> None:
        """Shots and counts of the rows, and what is wrong with them together."""
        good_unread: set[int] = set()
        for name in LIFE_NUMBERS:
            if name not in self.table.columns:
                self.life[name] = np.full(self.table.rows, _WHERE_ABSENT[name])
                continue
            self.life[name], found = numbers(self.table, name, _WHERE_ABSENT[name])
            self.faults += found
            self.unread |= {f.row for f in found}
            if name == "shots_good":
                good_unread = {f.row for f in found}
        empty = np.isnan(self.life["shots_good"])
        for i in np.flatnonzero(empty).tolist():
            if i + 2 not in good_unread:
                self.fault(
                    i, "shots_good",
                    "empty; the highest count at which the unit was known good is required "
                    "(0 if it was found failed at its first inspection)",
                )  # fmt: skip
        self.unread |= {i + 2 for i in np.flatnonzero(empty).tolist()}
        good = np.where(empty, 0.0, self.life["shots_good"])
        life = self.life
        for f in find_faults(life["shots_from"], good, life["shots_failed"], life["count"]):
            if f.row + 2 not in self.unread:
                self.fault(f.row, f.column, f.message)

    def read_texts(self) -> None:
        """Texts, of which some must not be empty."""
        for name in (n for n in TEXTS if n in self.table.columns):
            self.words[name], found = texts(self.table, name)
            self.faults += found
            told = {f.row for f in found}
            for i in np.flatnonzero(self.words[name] == "").tolist() if name in REQUIRED else ():
                if i + 2 not in told:
                    self.fault(i, name, "empty; it is required")

    def read_stresses(self) -> None:
        """Stresses, each within its range."""
        for name, (above, upto, allowed) in STRESSES.items():
            if name not in self.table.columns:
                continue
            values, found = numbers(self.table, name, math.nan)
            self.faults += found
            for i in np.flatnonzero((values <= above) | (values > upto)).tolist():
                self.fault(i, name, f"{values[i]:g} is out of range; allowed: {allowed}")
            self.covariates[name] = values

    def read_others(self) -> tuple[Note, ...]:
        """Columns that a life sheet does not know: covariates where numbers, else labels."""
        unknown = [c for c in self.table.columns if c not in (*LIFE_NUMBERS, *TEXTS, *STRESSES)]
        for name in unknown:
            kind, values, found = _extra(self.table, name)
            self.faults += found
            (self.covariates if kind == "number" else self.words)[name] = values
        if not unknown:
            return ()
        said = f"Kept as extra covariates, not part of the life sheet: {', '.join(unknown)}."
        return (Note("unknown_columns", said),)

    def modes_of_good(self) -> tuple[Note, ...]:
        """Rows that name a failure but no count of it: they are read as good, which may be too hopeful."""
        lone = (self.words.get("mode", np.full(self.table.rows, "", object)) != "") & ~np.isfinite(
            self.life["shots_failed"]
        )
        if not lone.any():
            return ()
        rows = np.flatnonzero(lone) + 2
        where = ", ".join(map(str, rows[:8])) + (" ..." if rows.size > 8 else "")
        text = (
            f"{rows.size} row{'s name' if rows.size > 1 else ' names'} a mode but no count in shots_failed (row{'s' if rows.size > 1 else ''} "
            f"{where}), read as still good. What failed needs its count."
        )
        return (Note(MODE_OF_GOOD, text),)

    def check(self) -> None:
        """Raise SheetError with every fault, in the order of the file."""
        if self.faults:
            raise SheetError(sorted(self.faults, key=lambda f: (f.row, f.column)))

    def records(self) -> LifeRecords:
        """The rows as records."""
        own = _TEXTS_OF_RECORD
        return LifeRecords.of(
            self.life["shots_good"],
            self.life["shots_failed"],
            shots_from=self.life["shots_from"],
            count=self.life["count"],
            **{k: self.words.get(k) for k in own},
            covariates=self.covariates,
            labels={k: v for k, v in self.words.items() if k not in own},
        )


def life_from_table(table: Table) -> tuple[LifeRecords, tuple[Note, ...]]:
    """Give raw columns their meaning. Raises SheetError with every fault."""
    sheet = _Sheet(table)
    for name in REQUIRED:
        if name not in table.columns:
            sheet.fault(-1, name, f"the column is missing; required: {', '.join(REQUIRED)}")
    sheet.check()
    sheet.read_lives()
    sheet.read_texts()
    sheet.read_stresses()
    notes = sheet.read_others() + sheet.modes_of_good()
    sheet.faults += history_faults(
        table.file, sheet.life, sheet.words, sheet.covariates.get("rated_V"), sheet.unread
    )
    sheet.check()
    return sheet.records(), notes
