"""The door for files from outside: what a file is, what was read of it, what is asked, the sheets it gives.

``open_file`` runs in the short-lived process (``sheets/apart``); what it gives back are values only.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from reliability.notes import BadInput
from reliability.sheets.bench.desk import Question
from reliability.sheets.bench.headers import header_of
from reliability.sheets.bench.proposal import OWN_KINDS, Proposal, propose, shown
from reliability.sheets.bundle import is_bundle
from reliability.sheets.doubts import doubts
from reliability.sheets.life import MODE_OF_GOOD, LifeSheet
from reliability.sheets.log_door import open_log, which_log
from reliability.sheets.reading import SHOWN, FileReading, LeftOut, Opened, Terms, TheirColumn
from reliability.sheets.side import SideSheet, read_contribution, read_sheet
from reliability.sheets.table import SheetError, Table, file_bytes, read_table, refuse

LARGE = 1 << 20
"""bytes from which a sheet of ours is read by its own reader alone, if nothing in it is in doubt"""
_DOUBTFUL = re.compile(r"\s*[1-9]\d{0,2}[.,]\d{3}\s*")


def open_file(path: Path, data: bytes | None = None, terms: Terms | None = None) -> Opened:
    """Open a file of any kind.

    Parameters
    ----------
    path : Path
        CSV of any dialect, pasted text, XLSX, Parquet, a bundle, a serial or shot log.
    data : bytes, optional
        The content, if in memory already.
    terms : Terms, optional

    Raises
    ------
    SheetError
        If nothing can be read of it, or it passes a limit.
    BadInput
        If a column that was named is not in it.
    """
    terms = terms or Terms()
    if is_bundle(path):
        return _bundle(path, data, terms)
    data = file_bytes(path, data)
    if len(data) >= LARGE and not terms.mapping.answers and (found := _as_it_stands(path, data)):
        return found
    if which := which_log(path, data, terms.mapping.get("log", "pattern")):
        return open_log(path, data, terms, which)
    p = propose(path, data, terms.mapping, terms.known)
    reading = reading_of(p)
    _named(reading, terms.columns)
    if p.faults and p.ours:
        try:
            read_sheet(path, data)  # of a sheet of ours every fault is told, by its own reader
        except SheetError as e:
            return Opened(replace(reading, faults=tuple(e.faults), questions=(), changes=()))
    agreed = terms.agree or p.plain or (bool(terms.mapping.answers) and not p.questions)
    try:
        sheet = p.sheet(agree=True)
    except SheetError as e:
        if not p.open and not p.faults:
            reading = replace(reading, faults=tuple(e.faults))
        return Opened(reading)
    if isinstance(sheet, LifeSheet):
        reading = replace(reading, notes=sheet.notes)
    return Opened(reading, (sheet,) if agreed else ())


def _named(reading: FileReading, columns: Sequence[str]) -> None:
    there = {t.written for t in reading.theirs}
    missing = [c for c in columns if c not in there]
    if missing:
        raise BadInput(
            f"{reading.file} has no column {', '.join(missing)}, which was named; it has: {', '.join(sorted(there))}"
        )


def read_ours(path: Path, data: bytes | None = None) -> Any:
    """A sheet of ours or a bundle, as ``read_contribution`` reads it: nothing in it is interpreted.

    Raises
    ------
    SheetError
        With every fault; of a bench's own file it says instead how that is taken in.
    """
    try:
        return read_contribution(path, data)
    except SheetError as e:
        if not is_bundle(path) and _of_a_bench(path, data):
            raise refuse(
                path.name,
                "a bench's own file, not a sheet of ours. 'shotlife check' shows how it is read; 'shotlife add --agree' "
                "takes it into a store, from which every command works",
            ) from e
        raise


def _of_a_bench(path: Path, data: bytes | None) -> bool:
    """Whether a header that is not ours was found in it: none of our required names is written there."""
    try:
        written = propose(path, data).first_cells
    except (SheetError, BadInput):
        return False
    return bool(written) and not set(written) & set().union(*OWN_KINDS)


def reading_of(p: Proposal) -> FileReading:
    """A proposal as it is looked at."""
    columns = tuple(p.columns)
    cells = tuple(
        tuple(shown(p.columns[k][i]) for k in columns)
        for i in range(min(SHOWN, len(p.source_rows)))
    )
    theirs = [
        TheirColumn(k.partition(":")[2], v, p.first_cells.get(k.partition(":")[2], ""))
        for k, v in {**p.used, **_asked_columns(p.questions)}.items()
        if k.startswith("columns:")
    ]
    left = tuple(LeftOut(*entry) for entry in p.left_out)
    return FileReading(
        p.file, p.kind, len(p.source_rows), p.sheet_name, p.header_row, p.how, tuple(theirs), columns, cells,
        p.source_rows[:SHOWN], p.changes, p.questions, left, p.faults, p.findings, (), p.mapping(), p.plain,
    )  # fmt: skip


def _asked_columns(questions: Sequence[Question]) -> dict[str, str]:
    return {q.id: q.suggestion or "extra" for q in questions if q.id.startswith("columns:")}


def _table_reading(file: str, kind: str, table: Table) -> FileReading:
    """A sheet that is read as it stands."""
    columns = tuple(table.columns)
    n = min(SHOWN, table.rows)
    cells = tuple(tuple(shown(table.columns[k][i]) for k in columns) for i in range(n))
    return FileReading(
        file, kind, table.rows, header_row=1, columns=columns, cells=cells, source_rows=tuple(range(2, n + 2)),
        theirs=tuple(TheirColumn(k, k) for k in columns), plain=True,
    )  # fmt: skip


def _as_it_stands(path: Path, data: bytes) -> Opened | None:
    """A large sheet of ours in which nothing is to be asked; None where the careful reader has to look."""
    if path.suffix.lower() not in (".csv", ".parquet"):
        return None
    try:
        table = read_table(path, data)
        if any(not _our_name(name) for name in table.columns) or _any_doubtful(table):
            return None
        sheet = read_sheet(path, data)
    except SheetError:
        return None
    odd = tuple(doubts(sheet.records)) if isinstance(sheet, LifeSheet) else ()
    if isinstance(sheet, SideSheet) or any(f.severity == "grave" for f in odd):
        return None
    if any(n.code == MODE_OF_GOOD for n in sheet.notes):
        return None
    reading = replace(_table_reading(path.name, "life", table), findings=odd, notes=sheet.notes)
    return Opened(reading, (sheet,))


def _our_name(name: str) -> bool:
    h = header_of(name)
    return h.sure and h.column == name


def _any_doubtful(table: Table) -> bool:
    return any(
        isinstance(c, str) and _DOUBTFUL.fullmatch(c) is not None
        for cells in table.columns.values()
        for c in cells
    )


def _bundle(path: Path, data: bytes | None, terms: Terms) -> Opened:
    sheet, licence, other = read_contribution(path, data)
    assert isinstance(sheet, LifeSheet)
    found = tuple(doubts(sheet.records))
    mark = sheet.sha256[:8]
    open_ = [
        Question(f"agreed:{f.code} {mark}", f.text, ("yes",), "", True)
        for f in found
        if f.severity == "grave" and terms.mapping.get("agreed", f"{f.code} {mark}") != "yes"
    ]
    r = sheet.records
    names = list(r.column_names)[:40]
    n = min(SHOWN, len(r))
    columns = {k: r.column(k) for k in names}
    cells = tuple(tuple(shown(_plain(columns[k][i])) for k in names) for i in range(n))
    reading = FileReading(
        path.name, "bundle", len(r), columns=tuple(names), cells=cells, questions=tuple(open_), findings=found,
        source_rows=tuple(range(2, n + 2)), notes=sheet.notes, plain=not open_,
        mapping=terms.mapping.with_answers({q.id: "?" for q in open_}),
    )  # fmt: skip
    return Opened(reading, () if open_ else (sheet,), licence, dict(other))


def _plain(cell: Any) -> Any:
    x = cell.item() if hasattr(cell, "item") else cell
    return None if isinstance(x, float) and x != x else x
