"""One way in for every contribution: from the command line, the dashboard, the API."""

from __future__ import annotations

from dataclasses import dataclass

from reliability.notes import Note
from reliability.sheets.life import LifeSheet
from reliability.sheets.quality import Finding, findings
from reliability.sheets.side import SideSheet
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


def store_sheet(
    box: Store,
    sheet: LifeSheet | SideSheet,
    *,
    status: str = "accepted",
    licence: str = "",
    other: dict[str, bytes] | None = None,
    supersedes: int | None = None,
) -> Added:
    """Store a checked sheet of any kind as one contribution. Raises StoreError."""
    if isinstance(sheet, SideSheet):
        return box.add_side(sheet, status=status, licence=licence, supersedes=supersedes)
    return box.add(sheet, status=status, licence=licence, supersedes=supersedes, other=other)


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


def put(
    box: Store,
    sheet: LifeSheet | SideSheet,
    *,
    status: str = "accepted",
    licence: str = "",
    other: dict[str, bytes] | None = None,
    supersedes: int | None = None,
) -> Taken:
    """Store a checked sheet of any kind, and look for what is odd in it.

    Raises
    ------
    SheetError
        Where it contradicts what is stored of the same units; nothing is stored then.
    StoreError
    """
    refuse_contradictions(box, sheet, other or {}, supersedes)
    before = box.records() if box.exists and isinstance(sheet, LifeSheet) else None
    added = store_sheet(
        box, sheet, status=status, licence=licence, other=other, supersedes=supersedes
    )
    if not isinstance(sheet, LifeSheet):
        return Taken(added.contribution, added.new, (), ())
    found = tuple(findings(sheet.records, before)) if added.new else ()
    return Taken(added.contribution, added.new, sheet.notes + repeat_notes(added), found)
