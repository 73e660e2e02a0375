"""The door for files from outside: what a file is, what was read of it, what is asked, the sheets it gives.

``open_file`` runs in the short-lived process (``sheets/apart``); what it gives back are values only.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from reliability.notes import BadInput, Note
from reliability.sheets.bench.desk import Change, Known, Question
from reliability.sheets.bench.headers import header_of
from reliability.sheets.bench.mapping import BenchMapping
from reliability.sheets.bench.proposal import Proposal, propose, shown
from reliability.sheets.bundle import is_bundle
from reliability.sheets.doubts import doubts
from reliability.sheets.life import LifeSheet
from reliability.sheets.quality import Finding
from reliability.sheets.side import SideSheet, read_contribution, read_sheet
from reliability.sheets.table import SheetError, SheetFault, Table, file_bytes, read_table

SHOWN = 200
"""rows of what was read that are handed on to be looked at"""
LARGE = 1 << 20
"""bytes from which a sheet of ours is read by its own reader alone, if nothing in it is in doubt"""
_DOUBTFUL = re.compile(r"\s*[1-9]\d{0,2}[.,]\d{3}\s*")
Sheets = tuple[LifeSheet | SideSheet, ...]


@dataclass(frozen=True)
class TheirColumn:
    """A column of the file: its header, our column (or ``extra``, ``leave_out``), a first cell."""

    written: str
    column: str
    example: str = ""


@dataclass(frozen=True)
class LeftOut:
    """A row of the file that is no record, and why."""

    row: int
    text: str
    why: str


@dataclass(frozen=True)
class Reading:
    """What was read of a file: to be looked at, agreed with or corrected before it counts.

    Attributes
    ----------
    file, kind : str
        ``kind`` is ``life``, ``wear``, ``misfires``, ``ignition``, ``bundle`` or ``shots`` (a log).
    where : str
        Sheet of a workbook, or the pattern of a serial log's lines.
    header_row, rows : int
        Row of the header as the file counts; rows read.
    how : tuple of str
        How the file itself was read, such as its delimiter.
    theirs : tuple of TheirColumn
    columns : tuple of str
        Our columns, in the order of ``cells``.
    cells : tuple of tuple of str
        The first rows, as they were read.
    source_rows : tuple of int
        Row of the file that each of ``cells`` comes from.
    changes : tuple of Change
        Everything read otherwise than written.
    questions : tuple of Question
        Grave ones first: those must be answered each by itself.
    left_out : tuple of LeftOut
    faults : tuple of SheetFault
    findings : tuple of Finding
        What looks odd; ``rows`` are rows of the file.
    notes : tuple of Note
    mapping : BenchMapping
        All that was decided; open questions as ``?``.
    plain : bool
        One of ours as it stands: nothing to agree with.
    """

    file: str
    kind: str
    rows: int
    where: str = ""
    header_row: int = 0
    how: tuple[str, ...] = ()
    theirs: tuple[TheirColumn, ...] = ()
    columns: tuple[str, ...] = ()
    cells: tuple[tuple[str, ...], ...] = ()
    source_rows: tuple[int, ...] = ()
    changes: tuple[Change, ...] = ()
    questions: tuple[Question, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    faults: tuple[SheetFault, ...] = ()
    findings: tuple[Finding, ...] = ()
    notes: tuple[Note, ...] = ()
    mapping: BenchMapping = field(default_factory=BenchMapping)
    plain: bool = False

    @property
    def grave(self) -> tuple[Question, ...]:
        """Questions that agreeing to all does not answer."""
        return tuple(q for q in self.questions if q.grave)

    @property
    def settled(self) -> bool:
        """Whether agreeing to what is shown is all that is wanted."""
        return not self.grave and not self.faults

    @property
    def slots_without_part(self) -> tuple[str, ...]:
        """Slots of the rows shown that name no part."""
        if "slot" not in self.columns:
            return ()
        at = self.columns.index("slot")
        part = self.columns.index("part") if "part" in self.columns else -1
        return tuple(
            dict.fromkeys(r[at] for r in self.cells if r[at] and (part < 0 or not r[part]))
        )

    def mapping_text(self) -> str:
        """The mapping as the JSON that ``check`` writes, with the questions beside it."""
        asked = {
            q.id: q.text + (f" Allowed: {', '.join(q.choices)}." if q.choices else "")
            for q in self.questions
        }
        hints = {}
        if self.kind == "life":
            for slot in self.slots_without_part:
                hints[f"fill:part of {slot}"] = "?"
                asked[f"fill:part of {slot}"] = "Which part is it? Leave the question mark if unknown."
        return self.mapping.with_answers(hints).text(asked)


@dataclass(frozen=True)
class Opened:
    """A file opened: what was read, and the sheets it gives once nothing is left to answer.

    Attributes
    ----------
    reading : Reading
    sheets : tuple of LifeSheet or SideSheet
        Empty until the reading is agreed with; a log gives several.
    licence : str
        Of a bundle, else "".
    other : dict of name to bytes
        Further files of a bundle.
    again : bool
        It is a log, which takes a process that may write files of its own to be reduced.
    """

    reading: Reading
    sheets: Sheets = ()
    licence: str = ""
    other: dict[str, bytes] = field(default_factory=dict, repr=False)
    again: bool = False


@dataclass(frozen=True)
class Terms:
    """What a person said of a file before it is opened.

    Attributes
    ----------
    mapping : BenchMapping
        Answers given.
    agree : bool
        The person has seen the reading and agrees with its suggestions and changes.
    known : Known
        Names in the pool, for near misses.
    columns : tuple of str
        Columns that must stand in the file, since the person named them.
    """

    mapping: BenchMapping = field(default_factory=BenchMapping)
    agree: bool = False
    known: Known = field(default_factory=Known)
    columns: tuple[str, ...] = ()


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
    from reliability.sheets.log_door import open_log, which_log

    if which := which_log(path, data):
        return open_log(path, data, terms, which)
    p = propose(path, data, terms.mapping, terms.known)
    reading = reading_of(p)
    _named(reading, terms.columns)
    if p.faults and p.ours:
        try:
            read_sheet(path, data)  # of a sheet of ours every fault is told, by its own reader
        except SheetError as e:
            return Opened(replace(reading, faults=tuple(e.faults), questions=()))
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


def _named(reading: Reading, columns: Sequence[str]) -> None:
    there = {t.written for t in reading.theirs}
    missing = [c for c in columns if c not in there]
    if missing:
        raise BadInput(
            f"{reading.file} has no column {', '.join(missing)}, which was named; it has: {', '.join(sorted(there))}"
        )


def reading_of(p: Proposal) -> Reading:
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
    return Reading(
        p.file, p.kind, len(p.source_rows), p.sheet_name, p.header_row, p.how, tuple(theirs), columns, cells,
        p.source_rows[:SHOWN], p.changes, p.questions, left, p.faults, p.findings, (), p.mapping(), p.plain,
    )  # fmt: skip


def _asked_columns(questions: Sequence[Question]) -> dict[str, str]:
    return {q.id: q.suggestion or "extra" for q in questions if q.id.startswith("columns:")}


def _table_reading(file: str, kind: str, table: Table) -> Reading:
    """A sheet that is read as it stands."""
    columns = tuple(table.columns)
    n = min(SHOWN, table.rows)
    cells = tuple(tuple(shown(table.columns[k][i]) for k in columns) for i in range(n))
    return Reading(
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
    names = [n for n in r.column_names][:40]
    n = min(SHOWN, len(r))
    columns = {k: r.column(k) for k in names}
    cells = tuple(tuple(shown(_plain(columns[k][i])) for k in names) for i in range(n))
    reading = Reading(
        path.name, "bundle", len(r), columns=tuple(names), cells=cells, questions=tuple(open_), findings=found,
        source_rows=tuple(range(2, n + 2)), notes=sheet.notes, plain=not open_,
        mapping=terms.mapping.with_answers({q.id: "?" for q in open_}),
    )  # fmt: skip
    return Opened(reading, () if open_ else (sheet,), licence, dict(other))


def _plain(cell: Any) -> Any:
    x = cell.item() if hasattr(cell, "item") else cell
    return None if isinstance(x, float) and x != x else x


def answers_of(given: Mapping[str, str], mapping: BenchMapping | None = None) -> BenchMapping:
    """A mapping with answers by question id. Raises BadInput."""
    return (mapping or BenchMapping()).with_answers(given)
