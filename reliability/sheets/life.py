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
    passed_over: set[int],
) -> list[SheetFault]:
    """Contradictions among the rows of a unit or an event, and unknown reasons of removal.

    ``passed_over`` are file rows whose numbers could not be read.
    """
    rows = np.array(
        [i for i in range(life["shots_good"].size) if i + 2 not in passed_over], np.intp
    )
    blank = np.full(life["shots_good"].size, "", object)
    names = ("mode", "builder", "module", "slot", "unit", "part", "lot", "event", "removed")
    numbers_of: dict[str, Any] = {k: life[k] for k in LIFE_NUMBERS}
    texts_of: dict[str, Any] = {k: words.get(k, blank) for k in names}
    raw = LifeRecords(**numbers_of, **texts_of).select(rows)
    found = removal_faults(raw.removed, raw.shots_failed)
    found += contradictions(raw, lambda i: f"row {rows[i] + 2}")
    return [SheetFault(file, int(rows[f.row]) + 2, f.column, f.message) for f in found]


def life_from_table(table: Table) -> tuple[LifeRecords, tuple[Note, ...]]:
    """Give raw columns their meaning. Raises SheetError with every fault."""
    faults = [
        SheetFault(
            table.file, 1, name,
            f"the column is missing; required: {', '.join(REQUIRED)}",
        )
        for name in REQUIRED
        if name not in table.columns
    ]  # fmt: skip
    if faults:
        raise SheetError(faults)
    life: dict[str, Floats] = {}
    defaults = {"shots_from": 0.0, "shots_good": math.nan, "shots_failed": math.inf, "count": 1.0}
    broken: set[tuple[int, str]] = set()
    for name in LIFE_NUMBERS:
        if name not in table.columns:
            life[name] = np.full(table.rows, defaults[name])
            continue
        life[name], f = numbers(table, name, defaults[name])
        faults += f
        broken |= {(x.row, name) for x in f}
    empty = np.isnan(life["shots_good"])
    for i in np.flatnonzero(empty):
        if (int(i) + 2, "shots_good") not in broken:
            faults.append(
                SheetFault(
                    table.file, int(i) + 2, "shots_good",
                    "empty; the highest count at which the unit was known good is required "
                    "(0 if it was found failed at its first inspection)",
                )
            )  # fmt: skip
    rows_broken = {r for r, _ in broken} | {int(i) + 2 for i in np.flatnonzero(empty)}
    found = find_faults(
        life["shots_from"],
        np.where(empty, 0.0, life["shots_good"]),
        life["shots_failed"],
        life["count"],
    )
    faults += [
        SheetFault(table.file, f.row + 2, f.column, f.message)
        for f in found
        if f.row + 2 not in rows_broken
    ]
    words: dict[str, NDArray[np.object_]] = {}
    for name in TEXTS:
        if name in table.columns:
            words[name], f = texts(table, name)
            faults += f
            if name in REQUIRED:
                told = {x.row for x in f}
                faults += [
                    SheetFault(table.file, int(i) + 2, name, "empty; it is required")
                    for i in np.flatnonzero(words[name] == "")
                    if i + 2 not in told
                ]
    covariates: dict[str, Floats] = {}
    for name, (above, upto, allowed) in STRESSES.items():
        if name not in table.columns:
            continue
        covariates[name], f = numbers(table, name, math.nan)
        faults += f
        bad = (covariates[name] <= above) | (covariates[name] > upto)
        faults += [
            SheetFault(
                table.file, int(i) + 2, name, f"{covariates[name][i]:g} is out of range; allowed: {allowed}"
            )
            for i in np.flatnonzero(bad)
        ]  # fmt: skip
    unknown = [c for c in table.columns if c not in (*LIFE_NUMBERS, *TEXTS, *STRESSES)]
    notes = []
    for name in unknown:
        kind, values, f = _extra(table, name)
        faults += f
        if kind == "number":
            covariates[name] = values
        else:
            words[name] = values
    if unknown:
        shown = ", ".join(unknown)
        notes.append(
            Note(
                "unknown_columns", f"Kept as extra covariates, not part of the life sheet: {shown}."
            )
        )
    faults += history_faults(table.file, life, words, rows_broken)
    if faults:
        faults.sort(key=lambda f: (f.row, f.column))
        raise SheetError(faults)
    base = ("mode", "builder", "module", "slot", "unit", "part", "lot", "event", "removed")
    return (
        LifeRecords.of(
            life["shots_good"],
            life["shots_failed"],
            shots_from=life["shots_from"],
            count=life["count"],
            **{k: words.get(k) for k in base},
            covariates=covariates,
            labels={k: v for k, v in words.items() if k not in base},
        ),
        tuple(notes),
    )
