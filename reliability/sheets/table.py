"""A file as columns of raw cells: CSV, Parquet or XLSX, before any meaning is given to it."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reliability.sheets.limits import LIMITS

MAX_BYTES = LIMITS.file_bytes
SUFFIXES = (".csv", ".parquet", ".xlsx")


@dataclass(frozen=True)
class SheetFault:
    """One fault of a file.

    Attributes
    ----------
    file : str
    row : int
        As a spreadsheet counts: the header is row 1. 0 where the fault is the file's.
    column : str
        Name of the column, or "" for the whole row or file.
    message : str
        What is wrong, and what is allowed.
    """

    file: str
    row: int
    column: str
    message: str

    def __str__(self) -> str:
        if not self.row and not self.column:
            return f"{self.file}: {self.message}"
        return f"{self.file}:{self.row}:{self.column}: {self.message}"


class SheetError(Exception):
    """A file that breaks the rules; it is refused whole. ``faults`` lists every one."""

    def __init__(self, faults: list[SheetFault]) -> None:
        self.faults = faults
        super().__init__("\n".join(map(str, faults[:20])))


@dataclass(frozen=True)
class Table:
    """Raw cells by column; the first data row is row 2 of the file.

    A cell is a text, a number or None (empty).
    """

    file: str
    columns: dict[str, list[Any]]
    rows: int


def refuse(file: str, message: str, row: int = 0, column: str = "") -> SheetError:
    """An error with a single fault."""
    return SheetError([SheetFault(file, row, column, message)])


def file_bytes(path: Path, data: bytes | None = None) -> bytes:
    """The content of a file, or of an upload of that name.

    Raises
    ------
    SheetError
        If there is no such file, or it is empty or too large.
    """
    if data is None:
        if not path.exists():
            raise refuse(str(path), "there is no such file")
        if path.is_dir():
            raise refuse(str(path), "this is a folder; a CSV, Parquet or XLSX file is wanted")
        if path.stat().st_size > MAX_BYTES:
            raise refuse(path.name, LIMITS.refusal("file_bytes"))
        data = path.read_bytes()
    if len(data) > MAX_BYTES:
        raise refuse(path.name, LIMITS.refusal("file_bytes"))
    if not data:
        raise refuse(path.name, "the file is empty; a header row and one row a record are wanted")
    return data


def read_table(path: Path, data: bytes | None = None) -> Table:
    """Read a file into raw columns.

    Parameters
    ----------
    path : Path
        Its name tells the format.
    data : bytes, optional
        The content, if it is already in memory (an upload).

    Raises
    ------
    SheetError
        If the file cannot be read as a table.
    """
    name = path.name
    data = file_bytes(path, data)
    suffix = path.suffix.lower()
    if suffix == ".parquet":
        return _read_parquet(name, data)
    if suffix == ".xlsx":
        return _read_xlsx(name, data)
    if suffix in (".csv", ".txt", ".tsv", ""):
        return _read_csv(name, data)
    raise refuse(name, f"unknown kind of file {suffix!r}; allowed: {', '.join(SUFFIXES)}")


def _read_csv(name: str, data: bytes) -> Table:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        row = data[: e.start].count(b"\n") + 1
        raise refuse(name, "not UTF-8 text; save the sheet as CSV UTF-8", row) from None
    if "\0" in text:
        raise refuse(name, "holds NUL characters: this is not a CSV file")
    first = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    return _from_rows(name, csv_rows(name, text, delimiter))


def csv_rows(name: str, text: str, delimiter: str, strict: bool = True) -> list[list[Any]]:
    """A text's rows, read one by one within the limits. Raises SheetError."""
    csv.field_size_limit(LIMITS.cell_chars)
    rows: list[list[Any]] = []
    cells = 0
    try:
        # newline="": the csv module finds the ends of lines itself, also the lone CR of old files
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=strict):
            rows.append(row)
            cells += len(row)
            if len(row) > LIMITS.columns:
                raise refuse(name, LIMITS.refusal("columns"), len(rows))
            if len(rows) > LIMITS.rows + 1:
                raise refuse(name, LIMITS.refusal("rows"), len(rows))
            if cells > LIMITS.cells:
                raise refuse(name, LIMITS.refusal("cells"), len(rows))
    except csv.Error as e:
        if "field limit" in str(e):
            raise refuse(name, LIMITS.refusal("cell_chars"), len(rows) + 1) from None
        raise refuse(name, f"not readable as CSV ({e})", len(rows) + 1) from None
    return rows


def _read_xlsx(name: str, data: bytes) -> Table:
    from reliability.sheets.workbook import workbook_sheets

    sheets = workbook_sheets(name, data, first=True)
    if not sheets:
        raise refuse(name, "a workbook without a sheet")
    return _from_rows(name, sheets[0][1])


def _from_rows(name: str, rows: list[list[Any]]) -> Table:
    if not rows or not any(str(c).strip() for c in rows[0]):
        raise refuse(name, "no header row; the first row must name the columns", 1)
    header = [str(c).strip() for c in rows[0]]
    while header and not header[-1]:
        header.pop()
    faults = []
    seen: set[str] = set()
    for i, h in enumerate(header):
        if not h:
            faults.append(SheetFault(name, 1, f"column {i + 1}", "the column has no name"))
        elif h in seen:
            faults.append(SheetFault(name, 1, h, "the column appears twice"))
        seen.add(h)
    width = len(header)
    body = rows[1:]
    while body and not any(c not in ("", None) for c in body[-1]):
        body.pop()
    ragged = [i for i, r in enumerate(body) if len(r) != width]
    for i in ragged:
        r = body[i]
        if len(r) > width and not any(c not in ("", None) for c in r[width:]):
            body[i] = r[:width]
        elif not any(c not in ("", None) for c in r):
            faults.append(SheetFault(name, i + 2, "", "empty row; remove it"))
        else:
            faults.append(
                SheetFault(name, i + 2, "", f"{len(r)} cells, but the header names {width} columns")
            )
    if faults:
        raise SheetError(faults)
    if not body:
        raise refuse(name, "a header but no records; one row a record is wanted", 2)
    columns = {h: list(c) for h, c in zip(header, zip(*body, strict=True), strict=True)}
    return Table(name, columns, len(body))


def _check_parquet(name: str, meta: Any) -> None:
    """What it would cost, by the file's own figures, before it is unpacked."""
    if meta.num_columns > LIMITS.columns:
        raise refuse(name, LIMITS.refusal("columns"))
    if meta.num_rows > LIMITS.rows:
        raise refuse(name, LIMITS.refusal("rows"))
    if meta.num_rows * meta.num_columns > LIMITS.cells:
        raise refuse(name, LIMITS.refusal("cells"))
    groups = [meta.row_group(i) for i in range(meta.num_row_groups)]
    if sum(max(g.total_byte_size, 0) for g in groups) > LIMITS.unpacked_bytes:
        raise refuse(name, LIMITS.refusal("unpacked_bytes"))


def _read_parquet(name: str, data: bytes) -> Table:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        meta = pq.read_metadata(pa.BufferReader(data))
        _check_parquet(name, meta)
        table = pq.read_table(pa.BufferReader(data))
        names = list(table.column_names)
    except SheetError:
        raise
    except Exception as e:
        raise refuse(name, f"not readable as Parquet ({type(e).__name__})") from None
    if len(set(names)) != len(names):
        raise refuse(name, "a column appears twice", 1)
    if table.num_rows == 0:
        raise refuse(name, "no records; one row a record is wanted", 2)
    try:
        columns = {str(n).strip(): table.column(n).to_pylist() for n in names}
    except MemoryError:
        raise refuse(name, LIMITS.refusal("memory_bytes")) from None
    except Exception as e:
        raise refuse(
            name, f"holds values that are not text or numbers ({type(e).__name__})"
        ) from None
    return Table(name, columns, table.num_rows)
