"""A bench's file read as a proposal: what was read, what was changed, what has to be answered."""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from reliability.notes import BadInput
from reliability.safe_text import bounded, for_terminal
from reliability.sheets.bench import assemble
from reliability.sheets.bench.columns import (
    NUMBERS,
    Column,
    empty_cells,
    footnotes,
    own_decimal,
    read_dates,
    read_numbers,
    read_texts,
)
from reliability.sheets.bench.desk import Change, Desk, Known, Question
from reliability.sheets.bench.grid import Grid, Sheet, read_grid
from reliability.sheets.bench.headers import (
    OURS,
    Body,
    Header,
    blank,
    find_body,
    find_header,
    header_of,
    turned,
)
from reliability.sheets.bench.installed import since_installed
from reliability.sheets.bench.mapping import OPEN, BenchMapping
from reliability.sheets.bench.numerals import numeral
from reliability.sheets.bench.vocabulary import SLOT_WORDS, plain
from reliability.sheets.doubts import doubts, side_doubts
from reliability.sheets.finding import Finding
from reliability.sheets.life import LifeSheet, life_from_table
from reliability.sheets.limits import LIMITS, Limits
from reliability.sheets.side import SideSheet, read_sheet
from reliability.sheets.table import SheetError, SheetFault, Table, refuse
from reliability.words import counted

EXTRA = "no column of ours"
OWN_KINDS = (
    {"builder", "module", "slot", "shots_good"}, {"builder", "module", "slot", "shots", "quantity", "value"},
    {"builder", "module", "slot", "shots", "event"}, {"builder", "module", "shots", "ignition_V", "commanded", "misfires"},
)  # fmt: skip
"""columns that make a sheet one of ours"""
WANTED = {
    "life": ("builder", "module", "slot"),
    "wear": ("builder", "module", "slot"),
    "misfires": ("builder", "module", "slot"),
    "ignition": ("builder", "module"),
}


@dataclass(frozen=True)
class Proposal:
    """What a file was read as. Nothing of it counts before ``sheet`` gives it.

    Attributes
    ----------
    file, kind, sheet_name : str
        ``kind`` is ``life``, ``wear``, ``misfires`` or ``ignition``.
    header_row : int
        As the file counts.
    columns : dict
        Our columns, a list of cells each (text, number or None): the table "what I read".
    source_rows : tuple of int
        Row of the file that each row was read from.
    changes : tuple of Change
        Everything read otherwise than written.
    questions : tuple of Question
        Grave ones first.
    left_out : tuple of (row, text, reason)
    faults : tuple of SheetFault
        Cells that cannot be read; the file is refused until they are corrected or left out.
    findings : tuple of Finding
        Doubts about the numbers; ``rows`` are rows of the file.
    how : tuple of str
        How the file itself was read (encoding, delimiter).
    ours : bool
        Every column has our own name.
    first_cells : dict
        Their header: its first cell, for people.
    """

    file: str
    kind: str
    sheet_name: str
    header_row: int
    columns: dict[str, list[Any]]
    source_rows: tuple[int, ...]
    changes: tuple[Change, ...]
    questions: tuple[Question, ...]
    left_out: tuple[tuple[int, str, str], ...]
    faults: tuple[SheetFault, ...]
    findings: tuple[Finding, ...]
    how: tuple[str, ...]
    used: Mapping[str, str] = field(repr=False)
    given: BenchMapping = field(repr=False)
    source: Grid = field(repr=False)
    known: Known = field(repr=False, default_factory=Known)
    ours: bool = False
    first_cells: Mapping[str, str] = field(repr=False, default_factory=dict)

    @property
    def open(self) -> tuple[Question, ...]:
        """Questions that agreeing to all does not answer."""
        return tuple(q for q in self.questions if q.grave)

    def _header_cells(self) -> list[Any]:
        found = next(s for s in self.source.sheets if s.name == self.sheet_name)
        return found.rows[self.header_row - 1]

    @property
    def plain(self) -> bool:
        """Whether the file is one of ours as it stands: nothing changed, asked or left out.

        Columns that are kept as they are, as extra ones, are no change.
        """
        same = (
            all(h.startswith("columns parted by '") for h in self.how)
            and self.source.delimiter != "|"
        )
        names = {str(c).strip() for c in self._header_cells() if not blank(c)}
        return (
            same
            and names == set(self.columns)
            and all(c.why == EXTRA for c in self.changes)
            and not (self.questions or self.left_out)
        )

    def mapping(self) -> BenchMapping:
        """All that was decided, suggestions among it, open questions as ``?``; agree by giving it back."""
        out = self.given.with_answers(self.used)
        return out.with_answers(
            {q.id: (q.suggestion if not q.grave else "") or OPEN for q in self.questions}
        )

    def mapping_text(self) -> str:
        """The mapping as the JSON that ``check`` writes, with the questions beside it."""
        asked = {
            q.id: q.text + (f" Allowed: {', '.join(q.choices)}." if q.choices else "")
            for q in self.questions
        }
        return self.mapping().text(asked)

    def answered(self, answers: Mapping[str, str] | BenchMapping) -> Proposal:
        """The proposal read anew with these answers (by question id, or a whole mapping).

        Raises
        ------
        BadInput
        SheetError
        """
        m = answers if isinstance(answers, BenchMapping) else self.given.with_answers(answers)
        return _decide(self.source, m, self.known)

    def sheet(
        self, answers: Mapping[str, str] | BenchMapping | None = None, agree: bool = False
    ) -> LifeSheet | SideSheet:
        """The checked sheet, once every question is answered.

        Parameters
        ----------
        answers : mapping of question id to answer, or BenchMapping
        agree : bool
            The person has seen the table and agrees with every suggestion and change.

        Raises
        ------
        SheetError
            With every open question, cell that cannot be read, and fault of the sheet by rows of the file.
        """
        p = self if answers is None else self.answered(answers)
        open_ = [q for q in p.questions if q.grave or not agree]
        faults = list(p.faults)
        faults += [SheetFault(p.file, 0, q.id, f"not answered: {q.text}") for q in open_]
        if not agree and not p.plain and not p.given.answers and not faults:
            faults.append(
                SheetFault(
                    p.file, 0, "", "read otherwise than written; look at the changes and agree"
                )
            )
        if faults:
            raise SheetError(faults)
        if p.plain:
            return read_sheet(Path(p.file), p.source.content)
        try:
            sheet = read_sheet(Path(f"{p.kind}.csv"), p.csv())
        except SheetError as e:
            raise SheetError([p._of_file(f) for f in e.faults]) from None
        return dataclasses.replace(sheet, file=p.file)

    def _of_file(self, f: SheetFault) -> SheetFault:
        i = f.row - 2
        row = self.source_rows[i] if 0 <= i < len(self.source_rows) else self.header_row
        return SheetFault(self.file, row, f.column, f.message)

    def csv(self) -> bytes:
        """The table as one of our CSV sheets."""
        out = io.StringIO()
        w = csv.writer(out, lineterminator="\n")
        w.writerow(self.columns)
        for row in zip(*self.columns.values(), strict=True):
            w.writerow([shown(c) for c in row])
        return out.getvalue().encode()

    def as_dict(self, rows: int = 200) -> dict[str, Any]:
        """The proposal as JSON, its first rows."""
        return {
            "file": self.file, "kind": self.kind, "sheet": self.sheet_name, "header_row": self.header_row,
            "rows": len(self.source_rows), "how": list(self.how),
            "columns": {k: [shown(c) for c in v[:rows]] for k, v in self.columns.items()},
            "source_rows": list(self.source_rows[:rows]),
            "changes": [dataclasses.asdict(c) for c in self.changes],
            "questions": [dataclasses.asdict(q) for q in self.questions],
            "left_out": [{"row": r, "text": t, "why": w} for r, t, w in self.left_out],
            "faults": [str(f) for f in self.faults],
            "findings": [dataclasses.asdict(f) for f in self.findings],
            "mapping": {k: dict(v) for k, v in self.mapping().answers.items()},
        }  # fmt: skip

    def lines(self, rows: int = 8) -> str:
        """The proposal as text for a terminal: grave doubts first, then changes, then the first rows."""
        out = [f"{self.file}: {self.kind} sheet, {len(self.source_rows)} rows, header in row {self.header_row}"
               + (f" of sheet {self.sheet_name!r}" if self.sheet_name else "")]  # fmt: skip
        out += [f"  CANNOT BE READ  {f}" for f in self.faults[:20]]
        for q in self.questions:
            allowed = f" [{', '.join(q.choices)}]" if q.choices else ""
            word = "TO ANSWER" if q.grave else "to agree "
            out.append(
                f"  {word}  {q.id}: {q.text}{allowed}"
                + (f" -> {q.suggestion}" if q.suggestion else "")
            )
        out += [f"  {h}" for h in self.how]
        out += [
            f"  {c.column} -> {c.to}: {c.before} -> {c.after} ({c.rows} rows; {c.why})"
            for c in self.changes
        ]
        out += [f"  row {r} left out ({why}): {text}" for r, text, why in self.left_out[:20]]
        out.append("  " + " | ".join(self.columns))
        for row in list(zip(*self.columns.values(), strict=True))[:rows]:
            out.append("  " + " | ".join(bounded(shown(c), 24) for c in row))
        return for_terminal("\n".join(out))


def shown(cell: Any) -> str:
    """A cell as text: whole numbers without a decimal part, "" for none."""
    if cell is None:
        return ""
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    return str(cell)


def propose(
    path: Path,
    data: bytes | None = None,
    mapping: BenchMapping | None = None,
    known: Known | None = None,
    limits: Limits = LIMITS,
) -> Proposal:
    """Read a bench's file of any kind and say what it holds.

    Parameters
    ----------
    path : Path
        CSV of any dialect, TSV, pasted text (``.txt``), XLSX or Parquet.
    data : bytes, optional
        The content, if in memory already.
    mapping : BenchMapping, optional
        What was agreed on before.
    known : Known, optional
        Names in the pool, for near misses.
    limits : Limits

    Raises
    ------
    SheetError
        If there is no table in it, or it passes a limit.
    """
    return _decide(read_grid(path, data, limits), mapping or BenchMapping(), known or Known())


def _decide(grid: Grid, mapping: BenchMapping, known: Known) -> Proposal:
    desk = Desk(grid.file, mapping, known, hashlib.sha256(grid.content).hexdigest()[:8])
    sheet = _pick(desk, grid)
    header = _header(desk, sheet)
    body = find_body(sheet.rows, header)
    if not body.rows:
        raise refuse(grid.file, "a header but no records; one row a record is wanted", header + 2)
    body = _foot(desk, sheet, header, body)
    columns = _columns(desk, sheet, header, body)
    assemble.fill_down(desk, columns)
    kind = assemble.kind_of(desk, columns)
    cells, rows = _cells(desk, kind, columns, len(body.rows))
    source_rows = tuple(body.rows[i] + 1 for i in rows)
    _fills(desk, kind, cells, len(rows), grid, sheet, header)
    findings = _findings(desk, kind, cells, source_rows)
    ordered = sorted(desk.questions.values(), key=lambda q: not q.grave)
    left = tuple((i + 1, t, w) for i, t, w in body.left_out)
    return Proposal(
        grid.file, kind, sheet.name, header + 1, cells, source_rows, tuple(desk.changes), tuple(ordered),
        left, tuple(desk.faults), findings, grid.how, dict(desk.used), mapping, grid, known, desk.ours,
        _first_cells(sheet, header, body),
    )  # fmt: skip


def _first_cells(sheet: Sheet, header: int, body: Body) -> dict[str, str]:
    """The first full cell below each header."""
    out = {}
    for j, head in enumerate(sheet.rows[header]):
        cells = (sheet.rows[i][j] for i in body.rows[:50] if j < len(sheet.rows[i]))
        out[bounded(head, 120)] = bounded(next((c for c in cells if not blank(c)), ""), 40)
    return out


def _pick(desk: Desk, grid: Grid) -> Sheet:
    """The sheet with the likeliest table; several are asked about."""
    scored = [(find_header(s.rows)[1], s) for s in grid.sheets]
    good = [(x, s) for x, s in scored if x >= 2 and len(s.rows) > 1]
    wanted = desk.given("choose:sheet")
    for s in grid.sheets:
        if s.name == wanted and wanted:
            return s
    if not good:
        good = sorted(((x, s) for x, s in scored if s.rows), key=lambda p: -p[0])[:1]
    if not good:
        raise refuse(grid.file, "no cell with anything in it")
    best = max(good, key=lambda p: p[0])[1]
    if len(good) > 1:
        names = tuple(s.name for _, s in good)
        desk.ask(
            "choose:sheet",
            f"tables stand in the sheets {', '.join(names)}; only one is read at a time",
            names,
            best.name,
        )
    elif len(grid.sheets) > 1:
        desk.note("", "", 1, f"{len(grid.sheets)} sheets", best.name, "the one sheet with a table")
    return best


def _header(desk: Desk, sheet: Sheet) -> int:
    given = desk.given("choose:header_row")
    if given.isdigit() and 1 <= int(given) <= len(sheet.rows):
        return int(given) - 1
    at, score = find_header(sheet.rows)
    if score < 2 and (names := turned(sheet.rows)):
        raise refuse(
            desk.file, f"its records stand side by side: the first column names columns ({', '.join(names)}). Turn the table, "
            "so that each record is a row: in a spreadsheet copy it and paste it anew with 'transpose'",
        )  # fmt: skip
    if score < 2:
        raise refuse(
            desk.file, "no row that names columns was found in the first 40; name them in a row above the records, or give "
            "'choose': {'header_row': '3'} and 'columns' in the mapping; for a controller's log give the pattern of its lines "
            "there, such as 'log': {'pattern': '#{shot} t={time} Vb={before}'}",
        )  # fmt: skip
    if at > 0:
        desk.note(
            "",
            "",
            at,
            f"{counted(at, 'row')} above",
            f"header in row {at + 1}",
            "what stands above the header is no record",
        )
    return at


def _foot(desk: Desk, sheet: Sheet, header: int, body: Body) -> Body:
    """A last row of numbers only is a total without a name where the names of others are full."""
    if len(body.rows) < 3:
        return body
    last = sheet.rows[body.rows[-1]]
    texts = [
        j
        for j, c in enumerate(sheet.rows[body.rows[-2]])
        if isinstance(c, str) and not any(ch.isdigit() for ch in c[:1])
    ]
    named = [
        j
        for j in texts
        if all(j < len(sheet.rows[i]) and not blank(sheet.rows[i][j]) for i in body.rows[:-1])
    ]
    if named and all(j >= len(last) or blank(last[j]) for j in named):
        shown = bounded(" | ".join(str(c) for c in last if not blank(c)), 100)
        at = body.rows[-1]
        text = f"row {at + 1} ({shown}) names nothing, as a total does; it is left out"
        if desk.ask(f"agreed:row {at + 1}", text, ("yes", "no"), "yes") == "yes":
            return Body(
                body.rows[:-1], (*body.left_out, (at, shown, "a total without a name")), body.units
            )
    return body


def _columns(desk: Desk, sheet: Sheet, header: int, body: Body) -> dict[str, Column]:
    """The columns by our names, read."""
    taken: dict[str, Column] = {}
    head = sheet.rows[header]
    widest = max(len(sheet.rows[i]) for i in body.rows)
    for i in body.rows:
        if len(sheet.rows[i]) > len(head):
            more = len(sheet.rows[i])
            desk.fault(
                i + 1, "", f"{more} cells, but the header names {len(head)} columns: a decimal comma or a remark without quotes?"
            )  # fmt: skip
    seen: set[str] = set()
    exact = {h.column: h.written for c in head if isinstance(c, str) and (h := header_of(c)).sure}
    for j in range(min(widest, len(head))):
        cells = [sheet.rows[i][j] if j < len(sheet.rows[i]) else None for i in body.rows]
        if blank(head[j]):
            if not all(blank(c) for c in cells):
                desk.fault(
                    header + 1, f"column {j + 1}", "the column has no name; name it or empty it"
                )
            continue
        h = _meaning(desk, str(head[j]), body.units[j] if j < len(body.units) else "", taken, exact)
        h = _no_numbers(desk, h, cells, head)
        if h.written in seen:
            desk.fault(header + 1, h.written, "the column appears twice")
            continue
        seen.add(h.written)
        if h.column == "leave_out" or (h.column == "extra" and all(blank(c) for c in cells)):
            continue
        name = _extra_name(h.written, {*taken, *OURS}) if h.column == "extra" else h.column
        taken[name] = Column(h, cells, body.rows, [None] * len(cells), [""] * len(cells))
    desk.ours = all(
        c.header.column == "extra" or c.header.written == n for n, c in taken.items()
    ) and any(own <= set(taken) for own in OWN_KINDS)
    return _read(desk, taken)


def _no_numbers(desk: Desk, h: Header, cells: Sequence[Any], head: Sequence[Any]) -> Header:
    """A header of numbers over cells of which none has a digit in front: labels, of units perhaps."""
    full = [c for c in cells if not blank(c)]
    if h.column not in NUMBERS or h.unit or h.written in OURS or not full:
        return h
    if any(not isinstance(c, str) or numeral(c) or not c.strip(" -?/.") for c in full):
        return h
    labels = not any(isinstance(c, str) and header_of(c).column == "unit" for c in head)
    text = f"the column {h.written!r} holds no numbers, but texts such as {bounded(full[0], 20)!r}"
    column = desk.ask(
        f"columns:{h.written}", text, ("unit", "extra", "leave_out"), "unit" if labels else "extra"
    )
    return dataclasses.replace(h, column=column)


def _extra_name(written: str, taken: set[str]) -> str:
    name = bounded(written, 60)
    while name in taken:
        name += "_"
    return name


def _meaning(
    desk: Desk, text: str, unit: str, taken: Mapping[str, Column], exact: Mapping[str, str]
) -> Header:
    """Which column a header means here; ``exact`` are columns that a header of the table names exactly."""
    h = header_of(text)
    if unit and not h.unit:
        h = dataclasses.replace(h, unit=unit)
    given = desk.given(f"columns:{h.written}")
    if given:
        if given not in (*OURS, "extra", "leave_out"):
            desk.questions[f"columns:{h.written}"] = Question(
                f"columns:{h.written}", f"{given!r} is no column of ours", tuple(sorted(OURS)), "", True
            )  # fmt: skip
            given = "extra"
        return dataclasses.replace(h, column=given)
    column = h.column
    if not h.sure and column in exact:
        text = (
            f"{h.written!r} is near to {column}, which {exact[column]!r} says; it is kept beside it"
        )
        column = desk.ask(f"columns:{h.written}", text, _choices(h), "extra")
    elif not h.sure:
        text = f"the column {h.written!r} is read as {column}"
        if column == "extra":
            text = f"the column {h.written!r} may be {' or '.join(c for c in h.others if c != 'extra')}; it is kept beside the others"
        column = desk.ask(f"columns:{h.written}", text, _choices(h), column)
    if column != "extra" and column in taken:
        first = taken[column].name
        text = f"{h.written!r} and {first!r} both look like {column}; {first!r} is taken, {h.written!r} kept beside it"
        column = desk.ask(f"columns:{h.written}", text, (), "extra")
    elif h.sure and column == "extra":
        desk.note(h.written, h.written, 0, h.written, "kept as an extra column", EXTRA)
    elif h.sure and column != h.written:
        desk.note(h.written, column, 0, h.written, column, "our name for the column")
    desk.used.setdefault(f"columns:{h.written}", column)
    return dataclasses.replace(h, column=column)


def _choices(h: Header) -> tuple[str, ...]:
    """What may be answered of a header of several meanings; any column of one that is near to a name."""
    return (*dict.fromkeys((*h.others, "extra")), "leave_out") if h.others else ()


def _read(desk: Desk, columns: dict[str, Column]) -> dict[str, Column]:
    marks = {}
    for name, c in columns.items():
        footnotes(desk, c)
        numeric = name in NUMBERS or c.header.column == "extra"
        if numeric:
            marks[name] = own_decimal(c)[0] or desk.given(f"decimal:{c.name}")
    said = {m for m in marks.values() if m}
    elsewhere = next(iter(said)) if len(said) == 1 else ""
    for name, c in columns.items():
        if name in NUMBERS:
            empty_cells(desk, c)
            read_numbers(desk, c, elsewhere)
        elif name == "date":
            read_dates(desk, c)
        elif not (c.header.column == "extra" and read_numbers(desk, c, elsewhere, extra=True)):
            read_texts(c)
    assemble.slot_by_cells(desk, columns)
    if "slot" in columns:
        assemble.name_slots(desk, columns["slot"])
    if "part" in columns:
        assemble.name_parts(desk, columns["part"])
    return columns


def _cells(
    desk: Desk, kind: str, columns: dict[str, Column], n: int
) -> tuple[dict[str, list[Any]], list[int]]:
    if kind != "life" and "shots" in columns:
        assemble.only_exact(
            desk, columns["shots"], "<>-", f"one count is wanted in a sheet of {kind}"
        )
    if kind == "wear":
        return assemble.wear_cells(desk, columns, n)
    if kind == "misfires":
        assemble.event_words(desk, columns["event"])
    out: dict[str, list[Any]] = {}
    pseudo = (
        {"shots", "status", "failed", "mode", "shots_good", "shots_failed", "period_s"}
        if kind == "life"
        else set()
    )
    for name, c in columns.items():
        if name not in pseudo:
            out[name] = list(c.values)
    rows = list(range(n))
    if kind == "life":
        cells, rows = assemble.life_cells(desk, columns, n)
        out |= cells
        since_installed(desk, columns, out)
        if "period_s" in columns and "rate_Hz" not in out:
            c = columns["period_s"]
            out["rate_Hz"] = [
                None if v is None else float(f"{1 / v:.9g}") if v > 0 else v for v in c.values
            ]
            desk.note(c.name, "rate_Hz", n, "seconds between shots", "shots a second", "1 / period")
    if len(rows) < n:
        out = {k: [v[i] for i in rows] for k, v in out.items()}
    return out, rows


def _fills(
    desk: Desk,
    kind: str,
    cells: dict[str, list[Any]],
    n: int,
    grid: Grid,
    sheet: Sheet,
    header: int,
) -> None:
    """Required columns that the file lacks: from the lines above the header, titles and names, or asked for."""
    above = assemble.preamble(sheet.rows, header)
    titles = [str(c) for r in sheet.rows[:header] for c in r if isinstance(c, str)]
    for name in dict.fromkeys((*WANTED[kind], *(k for k in above if kind == "life"))):
        if name in cells and any(v is not None for v in cells[name]):
            continue
        value = above.get(name, "")
        if name == "slot":
            said = value or assemble.slot_in_words(
                [*titles, sheet.name, grid.file.rpartition(".")[0]]
            )
            value = SLOT_WORDS.get(plain(said), said) if said else ""
            if not value and kind == "misfires":
                value = "igniter"
        open_ = WHOSE if name == "builder" else "what is it for every row?"
        text = f"no column says the {name}; " + (
            f"{value!r} is read for every row" if value else open_
        )
        got = desk.ask(f"fill:{name}", text, (), value)
        if got:
            cells[name] = [got] * n
    if kind in ("wear", "misfires") and "unit" not in cells:
        cells["unit"] = [None] * n
    if kind == "life" and "slot" in cells:
        _parts(desk, cells, n)


WHOSE = "whose units are these? One short code for every row"


def _parts(desk: Desk, cells: dict[str, list[Any]], n: int) -> None:
    """Parts said once for a slot, for its rows that name none: ``fill: {"part of igniter": "x"}``."""
    said = {
        slot: desk.given(f"fill:part of {slot}")
        for slot in dict.fromkeys(s for s in cells["slot"] if s is not None)
    }
    if not any(said.values()):
        return
    parts = cells.get("part", [None] * n)
    cells["part"] = [
        p if p is not None else said.get(s, "") or None
        for p, s in zip(parts, cells["slot"], strict=True)
    ]


def _findings(
    desk: Desk, kind: str, cells: dict[str, list[Any]], source_rows: Sequence[int]
) -> tuple[Finding, ...]:
    """Doubts about the numbers; grave ones become questions."""
    if desk.faults:
        return ()
    out = []
    for f in _doubts(desk, kind, cells, len(source_rows)):
        rows = tuple(source_rows[r - 2] for r in f.rows if 0 <= r - 2 < len(source_rows))
        out.append(dataclasses.replace(f, rows=rows))
        if f.severity == "grave" and desk.given(f"agreed:{f.code} {desk.content}") != "yes":
            where = f" Rows {', '.join(map(str, rows[:6]))}." if rows else ""
            desk.ask(f"agreed:{f.code} {desk.content}", f.text + where, ("yes",), "", True)
    return tuple(out)


def _doubts(desk: Desk, kind: str, cells: dict[str, list[Any]], rows: int) -> list[Finding]:
    if kind != "life":
        return side_doubts(kind, cells)
    if not {"builder", "module", "slot", "shots_good"} <= set(cells):
        return []
    texts = {k: [shown(c) for c in v] for k, v in cells.items()}
    try:
        records, _ = life_from_table(Table(desk.file, dict(texts), rows))
    except (SheetError, BadInput):
        return []  # its faults are told when the sheet is asked for
    return doubts(records)
