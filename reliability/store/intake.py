"""One way in for every contribution: from the command line, the dashboard, the API."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from reliability.notes import Note
from reliability.sheets.life import LifeSheet
from reliability.sheets.quality import Finding, findings
from reliability.sheets.side import SideSheet, read_contribution
from reliability.store.store import Contribution, Store


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


def put(
    box: Store,
    sheet: LifeSheet | SideSheet,
    *,
    status: str = "accepted",
    licence: str = "",
    other: dict[str, bytes] | None = None,
    supersedes: int | None = None,
) -> Taken:
    """Store a checked sheet of any kind. Raises StoreError."""
    if isinstance(sheet, SideSheet):
        added = box.add_side(sheet, status=status, licence=licence, supersedes=supersedes)
        return Taken(added.contribution, added.new, (), ())
    before = box.records() if box.exists else None
    added = box.add(sheet, status=status, licence=licence, supersedes=supersedes, other=other)
    found = tuple(findings(sheet.records, before)) if added.new else ()
    return Taken(added.contribution, added.new, sheet.notes, found)


def take_in(box: Store, path: Path, data: bytes, *, status: str, licence: str = "") -> Taken:
    """Check and store an upload.

    Raises
    ------
    SheetError
        With every fault; nothing is stored then.
    StoreError
    """
    sheet, own, other = read_contribution(path, data)
    return put(box, sheet, status=status, licence=licence or own, other=other)
