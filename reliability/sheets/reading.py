"""What was read of a file, as values: to be looked at, agreed with or corrected before it counts."""

from __future__ import annotations

from dataclasses import dataclass, field

from reliability.notes import Note
from reliability.sheets.bench.desk import Change, Known, Question
from reliability.sheets.bench.mapping import BenchMapping
from reliability.sheets.finding import Finding
from reliability.sheets.life import LifeSheet
from reliability.sheets.side import SideSheet
from reliability.sheets.table import SheetFault

SHOWN = 200
"""rows of what was read that are handed on to be looked at"""
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
class FileReading:
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
        """Slots of the rows shown that name no part; of a log, the slots it watches."""
        if self.kind == "shots":
            watched = [s.strip() for s in self.mapping.get("log", "slots").split(",")]
            return tuple(s for s in watched if s and not self.mapping.get("fill", f"part of {s}"))
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
        if self.kind in ("life", "shots"):
            for slot in self.slots_without_part:
                hints[f"fill:part of {slot}"] = "?"
                asked[f"fill:part of {slot}"] = (
                    "Which part is it? Leave the question mark if unknown."
                )
        return self.mapping.with_answers(hints).text(asked)


@dataclass(frozen=True)
class Opened:
    """A file opened: what was read, and the sheets it gives once nothing is left to answer.

    Attributes
    ----------
    reading : FileReading
    sheets : tuple of LifeSheet or SideSheet
        Empty until the reading is agreed with; a log gives several.
    licence : str
        Of a bundle, else "".
    other : dict of name to bytes
        Further files of a bundle.
    again : bool
        It is a log, which takes a process that may write files of its own to be reduced.
    """

    reading: FileReading
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
