"""One way in for every contribution: from the command line, the dashboard, the API."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reliability.notes import Note
from reliability.sheets.life import LifeSheet
from reliability.sheets.quality import Finding, findings
from reliability.sheets.side import SideSheet, read_contribution
from reliability.sheets.wear import (
    join_ignition,
    join_misfires,
    join_wear,
    read_ignition,
    read_misfires,
    read_wear,
)
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


_SIDE: dict[str, tuple[Callable[..., Any], Callable[[list[Any]], Any]]] = {
    "wear": (read_wear, join_wear),
    "misfires": (read_misfires, join_misfires),
    "ignition": (read_ignition, join_ignition),
}


def kept_side(box: Store, kind: str) -> Any:
    """The accepted wear readings, misfires or ignition counts as one; None if there are none."""
    read, join = _SIDE[kind]
    found = [
        read(Path(name), c) for _, name, c in box.bundle_files() if name.startswith(f"{kind}.")
    ]
    return join(found) if found else None


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
) -> Taken:
    """Store a checked sheet of any kind, and look for what is odd in it. Raises StoreError."""
    if isinstance(sheet, SideSheet):
        added = store_sheet(box, sheet, status=status, licence=licence)
        return Taken(added.contribution, added.new, (), ())
    before = box.records() if box.exists else None
    added = store_sheet(box, sheet, status=status, licence=licence, other=other)
    found = tuple(findings(sheet.records, before)) if added.new else ()
    return Taken(added.contribution, added.new, sheet.notes + repeat_notes(added), found)


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
