"""One way in for every contribution: from the command line, the dashboard, the API."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from reliability.notes import Note
from reliability.records import LifeRecords
from reliability.sheets.finding import Finding
from reliability.sheets.life import LifeSheet
from reliability.sheets.namesakes import namesakes
from reliability.sheets.quality import findings
from reliability.sheets.side import SideSheet
from reliability.sheets.table import read_table
from reliability.store.readings import refuse_contradictions
from reliability.store.store import Added, Contribution, Store


@dataclass(frozen=True)
class Taken:
    """Outcome of taking a file in.

    Attributes
    ----------
    contribution : Contribution
    new : bool
        False if the same bytes or the same facts were there before.
    notes : tuple of Note
    findings : tuple of Finding
        What looks odd in it.
    """

    contribution: Contribution
    new: bool
    notes: tuple[Note, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Terms:
    """How a contribution is given.

    Attributes
    ----------
    by : str
        Who gives it, for the log of deeds.
    status : str
        ``accepted``, or ``received`` where it waits.
    licence : str
    supersedes : tuple of int
        Contributions that it corrects.
    beside : bool
        Records like those that stand already are of other units.
    """

    by: str = ""
    status: str = "accepted"
    licence: str = ""
    supersedes: tuple[int, ...] = ()
    beside: bool = False


def store_sheet(
    box: Store,
    sheet: LifeSheet | SideSheet,
    terms: Terms | None = None,
    other: dict[str, bytes] | None = None,
) -> Added:
    """Store a checked sheet of any kind as one contribution. Raises StoreError."""
    t = terms or Terms()
    if isinstance(sheet, SideSheet):
        return box.add_side(
            sheet, status=t.status, licence=t.licence, supersedes=t.supersedes, by=t.by
        )
    return box.add(
        sheet, status=t.status, licence=t.licence, supersedes=t.supersedes, other=other, by=t.by
    )


def repeat_notes(added: Added) -> tuple[Note, ...]:
    """A note where rows of a file were stored already."""
    if not added.repeated:
        return ()
    what = "some of its rows are" if added.new else "all its facts are"
    text = (
        f"{added.repeated} row{'s' if added.repeated != 1 else ''}: {what} stored already under another file "
        "(the same unit, slot and counts); they do not count twice."
    )
    return (Note("repeated_facts", text),)


def _spelt_otherwise(sheet: SideSheet, before: LifeRecords | None) -> tuple[Finding, ...]:
    """Units of a wear or misfire sheet whose life records write the name another way."""
    if before is None or not len(before):
        return ()
    table = read_table(Path(sheet.name), sheet.content)
    named: dict[str, Any] = {
        k: [str(c or "").strip() for c in table.columns[k]]
        for k in ("builder", "module", "slot", "unit")
        if k in table.columns
    }
    rows = LifeRecords.of(np.ones(table.rows), np.full(table.rows, np.inf), **named)
    return tuple(namesakes(rows, before))


def put(
    box: Store,
    sheet: LifeSheet | SideSheet,
    terms: Terms | None = None,
    other: dict[str, bytes] | None = None,
) -> Taken:
    """Store a checked sheet of any kind, and look for what is odd in it.

    Raises
    ------
    SheetError
        Where it contradicts what is stored of the same units; nothing is stored then.
    StoreError
    """
    refuse_contradictions(box, sheet, other or {}, terms.supersedes if terms else ())
    before = box.records() if box.exists else None
    added = store_sheet(box, sheet, terms, other)
    if not isinstance(sheet, LifeSheet):
        return Taken(added.contribution, added.new, (), _spelt_otherwise(sheet, before))
    found = tuple(findings(sheet.records, before)) if added.new else ()
    return Taken(added.contribution, added.new, sheet.notes + repeat_notes(added), found)
