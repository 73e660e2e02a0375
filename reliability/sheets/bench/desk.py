"""Where a proposal is worked out: changes and questions are put down as they come up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from reliability.safe_text import bounded
from reliability.sheets.bench.mapping import BenchMapping
from reliability.sheets.table import SheetFault


@dataclass(frozen=True)
class Change:
    """Something read otherwise than written.

    Attributes
    ----------
    column : str
        Their column, "" for the file.
    to : str
        Our column.
    rows : int
        How many rows it bears on.
    before, after : str
        An example.
    why : str
    """

    column: str
    to: str
    rows: int
    before: str
    after: str
    why: str


@dataclass(frozen=True)
class Question:
    """Something that a person has to agree with or to answer.

    Attributes
    ----------
    id : str
        ``section:key`` of the mapping.
    text : str
    choices : tuple of str
        Allowed answers; empty if any text is.
    suggestion : str
        What is read meanwhile; "" if nothing can be.
    grave : bool
        Must be answered by itself: agreeing to all is not enough.
    """

    id: str
    text: str
    choices: tuple[str, ...]
    suggestion: str
    grave: bool


@dataclass(frozen=True)
class Known:
    """What the pool knows already: names that a near miss is matched with."""

    builders: tuple[str, ...] = ()
    slots: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()


@dataclass
class Desk:
    """Answers given before, and what comes up now.

    ``content`` names the bytes: a doubt is agreed to for one file, not for those to come. ``ours``:
    every column has our own name, so a slot that is like no other is a slot of that name.
    """

    file: str
    mapping: BenchMapping
    known: Known = field(default_factory=Known)
    content: str = ""
    changes: list[Change] = field(default_factory=list)
    questions: dict[str, Question] = field(default_factory=dict)
    faults: list[SheetFault] = field(default_factory=list)
    used: dict[str, str] = field(default_factory=dict)
    ours: bool = False

    def ask(
        self,
        ident: str,
        text: str,
        choices: Sequence[str] = (),
        suggestion: str = "",
        grave: bool = False,
    ) -> str:
        """The answer given before, or the suggestion meanwhile; the question is put down."""
        section, _, key = ident.partition(":")
        given = self.mapping.get(section, key)
        if given and (not choices or given in choices):
            self.used[ident] = given
            return given
        if given:
            text += f" ({bounded(given, 40)!r} is not an answer)"
        self.questions[ident] = Question(
            ident, text, tuple(choices), suggestion, grave or not suggestion
        )
        return suggestion

    def given(self, ident: str) -> str:
        """The answer given before, "" if none."""
        section, _, key = ident.partition(":")
        answer = self.mapping.get(section, key)
        if answer:
            self.used[ident] = answer
        return answer

    def note(
        self, column: str, to: str, rows: int, before: object, after: object, why: str
    ) -> None:
        """Put a change down."""
        self.changes.append(Change(column, to, rows, bounded(before, 60), bounded(after, 60), why))

    def fault(self, row: int, column: str, message: str) -> None:
        """Put down what cannot be read at all; ``row`` as the file counts."""
        if len(self.faults) < 1000:
            self.faults.append(SheetFault(self.file, row, column, message))
