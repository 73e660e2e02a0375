"""Wear and misfire sheets on their way into the store: checked, kept as they came."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from reliability.sheets.table import SUFFIXES, read_table
from reliability.sheets.wear import kind_of_table, misfires_from_table, wear_from_table


@dataclass(frozen=True)
class SideSheet:
    """A checked wear or misfire sheet, kept as it came.

    Attributes
    ----------
    file : str
        Its own name.
    kind : str
        ``wear`` or ``misfires``.
    name : str
        Name it is kept under.
    content : bytes
    sha256 : str
    builders : tuple of str
    rows : int
    """

    file: str
    kind: str
    name: str
    content: bytes
    sha256: str
    builders: tuple[str, ...]
    rows: int


def side_sheet(path: Path, data: bytes | None = None) -> SideSheet | None:
    """The checked sheet if the file is one of wear or misfires; None for anything else.

    Raises
    ------
    SheetError
        If it is one, with faults.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES or (data is None and not path.is_file()):
        return None
    data = path.read_bytes() if data is None else data
    if not data:
        return None
    table = read_table(path, data)
    kind = kind_of_table(table)
    if kind == "life":
        return None
    if kind == "wear":
        wear_from_table(table)
    else:
        misfires_from_table(table)
    builders = tuple(sorted({str(b) for b in table.columns["builder"]}))
    return SideSheet(
        path.name,
        kind,
        f"{kind}{suffix}",
        data,
        hashlib.sha256(data).hexdigest(),
        builders,
        table.rows,
    )
