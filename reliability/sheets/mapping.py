"""Column mappings: a builder's own names for the life sheet's columns, saved once and reused."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

from reliability.notes import BadInput
from reliability.sheets.table import Table


@dataclass(frozen=True)
class Mapping:
    """Their column -> ours, and values for columns that their sheet lacks.

    Attributes
    ----------
    rename : dict of theirs to ours
    fill : dict of our column to the value for every row
    """

    rename: dict[str, str]
    fill: dict[str, str]

    def apply(self, table: Table) -> Table:
        """The table under our names. Raises BadInput if one of their columns is missing."""
        missing = [c for c in self.rename if c not in table.columns]
        if missing:
            raise BadInput(
                f"{table.file} has no column {', '.join(missing)}, which the mapping names; it has: {', '.join(table.columns)}"
            )
        columns = {self.rename.get(k, k): v for k, v in table.columns.items()}
        for name, value in self.fill.items():
            columns.setdefault(name, [value] * table.rows)
        return replace(table, columns=columns)


def parse_mapping(pairs: tuple[str, ...]) -> Mapping:
    """Read ``theirs=ours`` and ``ours:=value``. Raises BadInput."""
    rename, fill = {}, {}
    for pair in pairs:
        if ":=" in pair:
            ours, _, value = pair.partition(":=")
            fill[ours.strip()] = value.strip()
            continue
        theirs, eq, ours = pair.rpartition("=")
        if not eq or not theirs or not ours:
            raise BadInput(
                f"cannot read the column mapping {pair!r}; allowed: theirs=ours, or ours:=value for all rows"
            )
        rename[theirs.strip()] = ours.strip()
    return Mapping(rename, fill)


def save_mapping(mapping: Mapping, path: Path) -> None:
    """Keep a mapping as JSON."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(
        json.dumps({"rename": mapping.rename, "fill": mapping.fill}, indent=1, ensure_ascii=False)
        + "\n",
        encoding="utf-8",
    )


def load_mapping(path: Path) -> Mapping:
    """A kept mapping. Raises BadInput."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        return Mapping(dict(data["rename"]), dict(data["fill"]))
    except FileNotFoundError:
        known = ", ".join(sorted(p.stem for p in path.parent.glob("*.json"))) or "none"
        raise BadInput(f"no mapping {path.stem!r} is kept; there are: {known}") from None
    except (ValueError, KeyError, TypeError):
        raise BadInput(f"{path} is not a column mapping") from None
