"""The side sheets of a bundle (wear, misfires, ignition) from several contributions, as one of each kind."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import Any

from reliability.sheets.table import SheetError, SheetFault, Table, read_table
from reliability.sheets.wear import kind_of_table
from reliability.sheets.write import cell_text

KINDS = ("wear", "misfires", "ignition")


def _text(value: Any) -> str:
    """A number as it was written, any other text made harmless to spreadsheets."""
    if isinstance(value, str):
        value = value.strip()
        try:
            float(value)
            return str(value)
        except ValueError:
            return cell_text(value)
    return cell_text(value)


def _merged(tables: list[Table], builders: Collection[str]) -> bytes | None:
    """Rows of these builders under the union of columns; None if there are none."""
    names = list(dict.fromkeys(n for t in tables for n in t.columns))
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(names)
    written = 0
    for t in tables:
        for i in range(t.rows):
            if str(t.columns["builder"][i]).strip() not in builders:
                continue
            row = [t.columns[n][i] if n in t.columns else None for n in names]
            writer.writerow([_text(v) for v in row])
            written += 1
    return buffer.getvalue().encode() if written else None


def side_files(given: Iterable[tuple[str, bytes]], builders: Collection[str]) -> dict[str, bytes]:
    """wear.csv, misfires.csv and ignition.csv of a bundle.

    Parameters
    ----------
    given : iterable of (file name, bytes)
        Side sheets of any format, already checked one by one.
    builders : collection of str
        Whose rows are wanted.

    Returns
    -------
    dict of file name to bytes
        Only kinds that have a row.

    Raises
    ------
    SheetError
        If a file is no side sheet.
    """
    by_kind: dict[str, list[Table]] = {k: [] for k in KINDS}
    for name, content in given:
        table = read_table(Path(name), content)
        kind = kind_of_table(table)
        if kind not in by_kind:
            raise SheetError(
                [SheetFault(name, 1, "", f"not a sheet of {', '.join(KINDS)}; its columns tell")]
            )
        by_kind[kind].append(table)
    out = {}
    for kind, tables in by_kind.items():
        merged = _merged(tables, builders) if tables else None
        if merged is not None:
            out[f"{kind}.csv"] = merged
    return out
