"""Counts at which a unit went into its module: of the module's counter, or of the unit's own shots."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from reliability.sheets.bench.columns import Column
from reliability.sheets.bench.desk import Desk

COUNTED = ("shots_good", "shots_failed")


def since_installed(desk: Desk, columns: dict[str, Column], out: dict[str, list[Any]]) -> None:
    """Count a unit's shots from where it went in, if the counts are the module's.

    A part that went in new at 3,998 shots of its module and was taken out at 6,000 has seen 2,002: read as
    its own counts, it would have outlived what it never saw. A bench's word for the column does not tell.
    """
    start = columns.get("shots_from")
    if start is None or desk.ours or start.header.written == "shots_from":
        return
    later = [i for i, v in enumerate(start.values) if v]
    if not later:
        return
    text = (
        f"{start.name}: are its counts, such as {start.values[later[0]]:g}, those of the module when the part went in "
        "new (module), or shots that the part itself had before (unit)?"
    )
    seen = _one_after_the_other(columns, start)
    answer = desk.ask(f"choose:{start.name} counts", text, ("module", "unit"), seen, not seen)
    if answer != "module":
        return
    for name in COUNTED:
        out[name] = [
            v if v is None or a is None else v - a
            for v, a in zip(out.get(name, [None] * len(start.values)), start.values, strict=True)
        ]
    out["shots_from"] = [None if v is None else 0.0 for v in start.values]
    desk.note(start.name, "shots_good", len(later), "counts of the module", "shots of the unit", "counted from where it went in")  # fmt: skip


def _one_after_the_other(columns: dict[str, Column], start: Column) -> str:
    """``module`` where different units of one place follow each other, ``unit`` where one follows itself; "" if neither."""
    units = columns["unit"].values if "unit" in columns else [None] * len(start.values)
    place = [columns[k].values for k in ("builder", "module", "slot") if k in columns]
    there: dict[Any, dict[Any, str]] = defaultdict(dict)
    ends = next(
        (columns[k].values for k in ("shots", "shots_good", "shots_failed") if k in columns), []
    )
    said = set()
    for i, end in enumerate(ends):
        key = tuple(values[i] for values in place)
        before = there[key].get(start.values[i])
        if before is not None and start.values[i]:
            said.add("unit" if before == str(units[i]) and units[i] is not None else "module")
        there[key][end] = str(units[i])
    return next(iter(said)) if len(said) == 1 else ""
