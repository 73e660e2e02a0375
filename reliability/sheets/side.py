"""Contributions on their way into the store: life sheets and bundles, wear and misfire sheets."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from reliability.sheets.bundle import is_bundle, read_bundle
from reliability.sheets.life import LifeSheet, life_sheet
from reliability.sheets.table import file_bytes, read_table
from reliability.sheets.wear import (
    ignition_from_table,
    kind_of_table,
    misfires_from_table,
    wear_from_table,
)


@dataclass(frozen=True)
class SideSheet:
    """A checked wear, misfire or ignition sheet, kept as it came.

    Attributes
    ----------
    file : str
        Its own name.
    kind : str
        ``wear``, ``misfires`` or ``ignition``.
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


def read_sheet(path: Path, data: bytes | None = None) -> LifeSheet | SideSheet:
    """Read and check a sheet of any kind; its columns tell which it is.

    Raises
    ------
    SheetError
        With every fault of the file.
    """
    data = file_bytes(path, data)
    table = read_table(path, data)
    kind = kind_of_table(table)
    if kind == "life":
        return life_sheet(path, data, table)
    check = {
        "wear": wear_from_table,
        "misfires": misfires_from_table,
        "ignition": ignition_from_table,
    }
    check[kind](table)
    builders = tuple(sorted({str(b) for b in table.columns["builder"]}))
    name = f"{kind}{path.suffix.lower()}"
    return SideSheet(
        path.name, kind, name, data, hashlib.sha256(data).hexdigest(), builders, table.rows
    )


def read_contribution(
    path: Path, data: bytes | None = None
) -> tuple[LifeSheet | SideSheet, str, dict[str, bytes]]:
    """What a builder gives: a sheet of any kind or a bundle. Sheet, licence, other files of the bundle.

    Raises
    ------
    SheetError
        With every fault.
    """
    if is_bundle(path):
        b = read_bundle(path, data)
        return b.life, b.licence, b.other
    return read_sheet(path, data), "", {}
