"""One way in for every contribution: from the command line, the dashboard, the API."""

from __future__ import annotations

from dataclasses import dataclass

from reliability.notes import Note
from reliability.sheets.life import LifeSheet
from reliability.sheets.quality import Finding, findings
from reliability.sheets.side import SideSheet
from reliability.store.store import Added, Contribution, Store


@dataclass(frozen=True)
class Taken:
    """Outcome of taking a file in.

    Attributes
    ----------
    contribution : Contribution
    new : bool
        False if the same bytes were there before.
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


def put(
    box: Store,
    sheet: LifeSheet | SideSheet,
    terms: Terms | None = None,
    other: dict[str, bytes] | None = None,
) -> Taken:
    """Store a checked sheet of any kind, and look for what is odd in it. Raises StoreError."""
    before = box.records() if box.exists and isinstance(sheet, LifeSheet) else None
    added = store_sheet(box, sheet, terms, other)
    if not isinstance(sheet, LifeSheet):
        return Taken(added.contribution, added.new, (), ())
    found = tuple(findings(sheet.records, before)) if added.new else ()
    return Taken(added.contribution, added.new, sheet.notes, found)
