"""A bench's file as sheets of rows: encoding, delimiter and workbook found out, nothing interpreted yet."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from reliability.sheets.bench.headers import header_score
from reliability.sheets.bench.markup import markup_rows, without_rules
from reliability.sheets.limits import LIMITS, Limits
from reliability.sheets.table import csv_rows, file_bytes, read_table, refuse

_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF32_LE, "utf-32"), (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)  # fmt: skip
_WESTERN = ("cp1252", "cp1250", "mac_roman", "cp850")
_LOOK = 40
"""rows at the top of a sheet among which the header is looked for"""


@dataclass(frozen=True)
class Sheet:
    """One sheet: its name ("" for a text file) and its rows; row 1 of the file is element 0."""

    name: str
    rows: list[list[Any]]


@dataclass(frozen=True)
class Grid:
    """A file taken apart: its sheets and how its text was read."""

    file: str
    sheets: tuple[Sheet, ...]
    how: tuple[str, ...]
    delimiter: str = ""
    content: bytes = field(repr=False, default=b"")


def read_grid(path: Path, data: bytes | None = None, limits: Limits = LIMITS) -> Grid:
    """Read CSV of any dialect and encoding, TSV, pasted text, XLSX, OpenDocument or Parquet into rows.

    Raises
    ------
    SheetError
        If it is none of these, or passes a limit.
    """
    data = file_bytes(path, data)
    return replace(_read(path, data, limits), content=data)


def _read(path: Path, data: bytes, limits: Limits) -> Grid:
    name, suffix = path.name, path.suffix.lower()
    if data[:4] == b"PAR1" or suffix == ".parquet":
        t = read_table(path.with_suffix(".parquet"), data)
        body = [list(r) for r in zip(*t.columns.values(), strict=True)]
        return Grid(name, (Sheet("", [list(t.columns), *body]),), ())
    if data[:2] == b"PK" or suffix in (".xlsx", ".xlsm", ".xls", ".ods"):
        from reliability.sheets.workbook import workbook_sheets

        found = workbook_sheets(name, data, limits)
        return Grid(name, tuple(Sheet(n, [_trim(r) for r in rows]) for n, rows in found), ())
    text, how = _decode(name, data)
    return _text_grid(name, text, how)


def _trim(row: list[Any]) -> list[Any]:
    n = len(row)
    while n and (row[n - 1] is None or (isinstance(row[n - 1], str) and not row[n - 1].strip())):
        n -= 1
    return row[:n]


def _decode(name: str, data: bytes) -> tuple[str, list[str]]:
    for bom, code in _BOMS:
        if data.startswith(bom):
            try:
                return data.decode(code), [] if code == "utf-8-sig" else [f"read as {code.upper()}"]
            except UnicodeDecodeError:
                raise refuse(name, f"begins as {code} text but is not") from None
    zeros = data[:4000].count(0)
    if zeros > len(data[:4000]) // 4:
        code = "utf-16-le" if data[1:2] == b"\0" else "utf-16-be"
        try:
            return data.decode(code), [f"read as {code.upper()}"]
        except UnicodeDecodeError:
            raise refuse(name, "holds NUL bytes: this is not a text file") from None
    if b"\0" in data:
        raise refuse(name, "holds NUL characters: this is not a text file")
    try:
        return data.decode("utf-8"), []
    except UnicodeDecodeError:
        pass
    from charset_normalizer import from_bytes

    sample = data[:50_000]
    best = from_bytes(sample, cp_isolation=[*_WESTERN, "cp1251", "shift_jis"]).best()
    code = best.encoding if best is not None else "cp1252"
    if code in _WESTERN and not any(0x80 <= b < 0xA0 for b in sample):
        code = "cp1252"  # only here all of these agree on the letters of western Europe
    try:
        return data.decode(code), [f"not UTF-8; read as {code}"]
    except UnicodeDecodeError:
        return data.decode("latin-1"), ["not UTF-8; read as latin-1"]


def _text_grid(name: str, text: str, how: list[str]) -> Grid:
    if marked := markup_rows(name, text):
        return Grid(name, (Sheet("", [_trim(r) for r in marked[0]]),), (*how, marked[1]))
    if found := re.match(r"sep=(.)\r?\n", text[:20], re.I):
        rows: list[list[Any]] = [
            [],
            *csv_rows(name, text[found.end() :], found.group(1), strict=False),
        ]
        return Grid(name, (Sheet("", [_trim(r) for r in rows]),), tuple(how), found.group(1))
    head = "\n".join(text[:200_000].splitlines()[:200])
    best, mark = (-1.0, -1.0), ","
    for d in (",", ";", "\t", "|"):
        if d not in head:
            continue
        rows = csv_rows(name, head, d, strict=False)
        widths = [len(_trim(r)) for r in rows if len(r) > 1]
        score = max((header_score(r) for r in rows[:_LOOK]), default=0.0)
        usual = max((widths.count(w) for w in set(widths)), default=0) / max(len(rows), 1)
        if (score, usual) > best:
            best, mark = (score, usual), d
    if best[0] < 2 and re.search(r"\S {2,}\S", head):
        rows = [
            re.split(r" {2,}|\t", line.strip()) for line in text.splitlines()[: LIMITS.rows + 1]
        ]
        if max((header_score(r) for r in rows[:_LOOK]), default=0.0) > best[0]:
            return Grid(name, (Sheet("", rows),), (*how, "columns parted by blanks"), " ")
    rows = csv_rows(name, text, mark, strict=False)
    if mark == "|":
        rows = without_rules(rows)
    if mark != ",":
        how.append(f"columns parted by {mark!r}")
    return Grid(name, (Sheet("", [_trim(r) for r in rows]),), tuple(how), mark)
