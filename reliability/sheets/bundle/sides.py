"""The side sheets of a bundle (wear, misfires, ignition) from several contributions, as one of each kind."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reliability.records import LifeRecords
from reliability.sheets.table import SheetError, SheetFault, Table, read_table
from reliability.sheets.wear import kind_of_table
from reliability.sheets.write import cell_text

KINDS = ("wear", "misfires", "ignition")
WHOLE_MODULE = "module"
"""slot of readings of a module as a whole"""
IGNITION_SLOT = "igniter"
"""what the rows of an ignition sheet are of, which name no slot"""


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


@dataclass(frozen=True)
class Places:
    """Whose side rows are wanted: builders, and under a filter of the records only what these are of.

    Attributes
    ----------
    builders : frozenset of str
    units : mapping of (builder, module, slot) to the names of its units, or None
        None: whatever is the builders'. A row without a unit, or of a place with a unit without a name, is wanted
        for its place; one of the module itself, such as its impulse bit, for the module.
    """

    builders: frozenset[str]
    units: Mapping[tuple[str, str, str], frozenset[str]] | None = None

    @classmethod
    def of(cls, records: LifeRecords, whole: bool) -> Places:
        """Places of records; ``whole`` where they are all records of their builders."""
        builders = frozenset(records.builder.tolist())
        if whole:
            return cls(builders)
        units: dict[tuple[str, str, str], set[str]] = {}
        columns = (records.builder, records.module, records.slot, records.unit)
        for *place, unit in zip(*(c.tolist() for c in columns), strict=True):
            units.setdefault((place[0], place[1], place[2]), set()).add(unit)
            units.setdefault((place[0], place[1], WHOLE_MODULE), {""})
        return cls(builders, {k: frozenset(v) for k, v in units.items()})

    def hold(self, builder: str, module: str, slot: str, unit: str) -> bool:
        """Whether a row is wanted."""
        if self.units is None or builder not in self.builders:
            return builder in self.builders
        there = self.units.get((builder, module, slot))
        return there is not None and (not unit or "" in there or unit in there)


def _merged(tables: list[Table], places: Places) -> bytes | None:
    """Rows of these places under the union of columns; None if there are none."""
    names = list(dict.fromkeys(n for t in tables for n in t.columns))
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(names)
    written = 0
    for t in tables:
        for i in range(t.rows):
            builder, module, slot, unit = (
                str(t.columns[n][i] or "").strip() if n in t.columns else ""
                for n in ("builder", "module", "slot", "unit")
            )
            if not places.hold(builder, module, slot or IGNITION_SLOT, unit):
                continue
            row = [t.columns[n][i] if n in t.columns else None for n in names]
            writer.writerow([_text(v) for v in row])
            written += 1
    return buffer.getvalue().encode() if written else None


def side_files(given: Iterable[tuple[str, bytes]], places: Places) -> dict[str, bytes]:
    """wear.csv, misfires.csv and ignition.csv of a bundle.

    Parameters
    ----------
    given : iterable of (file name, bytes)
        Side sheets of any format, already checked one by one.
    places : Places
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
        merged = _merged(tables, places) if tables else None
        if merged is not None:
            out[f"{kind}.csv"] = merged
    return out
