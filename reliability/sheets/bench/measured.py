"""Quantities of a wear sheet by our names: the unit of measure beside the value, or behind the quantity."""

from __future__ import annotations

from collections.abc import Sequence

from reliability.safe_text import bounded
from reliability.sheets.bench.columns import Column
from reliability.sheets.bench.desk import Desk
from reliability.sheets.bench.units import converted, split_header, unit_named
from reliability.sheets.bench.vocabulary import COLUMN_WORDS, plain

_CAPACITANCE = "capacitance_uF"
_SHORT = {"c": _CAPACITANCE}
_UNIT_HEADS = {plain(w) for w in ("unit", "units", "Einheit", "unit\u00e9", "unidad", "unit\u00e0", "eenheid", "unit of measure", "jednostka", "\u5358\u4f4d")}  # fmt: skip


def by_our_names(desk: Desk, columns: dict[str, Column]) -> None:
    """Name and convert the quantities that are ours; the others keep their name, with the unit behind it.

    A column of units of measure is taken out of ``columns``: it labels no part.
    """
    quantity, value = columns["quantity"], columns["value"]
    beside = _unit_column(desk, columns)
    units = [None] * len(value.values) if beside is None else columns[beside].values
    done: dict[tuple[str, str], tuple[str, str]] = {}
    for i, name in enumerate(quantity.values):
        if name is None:
            continue
        key = (str(name), "" if units[i] is None else str(units[i]))
        if key not in done:
            done[key] = _named(desk, quantity.name, *key)
        quantity.values[i], unit = done[key]
        if unit and value.values[i] is not None:
            value.values[i] = converted(value.values[i], unit, _CAPACITANCE)
    for (name, unit), (ours, _) in done.items():
        if ours != name:
            desk.note(quantity.name, "quantity", 0, f"{name} {unit}".strip(), ours, "the quantity with its unit")  # fmt: skip
    if beside is not None:
        columns.pop(beside)


def _unit_column(desk: Desk, columns: dict[str, Column]) -> str | None:
    """The column whose cells are all units of measure; single letters may be labels of parts as well."""
    for name, c in columns.items():
        named = name == "unit" or c.header.column == "extra"
        if not named or plain(c.header.written) not in _UNIT_HEADS or not _all_units(c.values):
            continue
        full = sorted({str(v) for v in c.values if v is not None})
        if name != "unit":
            return name
        sure = any(len(v) > 1 for v in full)
        if not sure and all(
            _says_its_unit(str(q)) for q in columns["quantity"].values if q is not None
        ):
            return None
        text = f"{c.name} holds {', '.join(full[:4])}: units of measure, or labels of parts?"
        if desk.ask(f"choose:{name} holds", text, ("measure", "label"), "measure" if sure else "label") == "measure":  # fmt: skip
            return name
    return None


def _says_its_unit(quantity: str) -> bool:
    """Whether a quantity has its unit behind its name, as ours have."""
    _, parted, behind = quantity.rpartition("_")
    return bool(parted) and unit_named(behind, "value") is not None


def _all_units(values: Sequence[object]) -> bool:
    full = [str(v) for v in values if v is not None]
    return bool(full) and all(v == "%" or unit_named(v, "value") is not None for v in full)


def _named(desk: Desk, column: str, name: str, unit: str) -> tuple[str, str]:
    """Our name of a quantity, and the unit that its values are in where they are to be converted."""
    word, behind = (name, unit) if unit else split_header(name)
    meant = COLUMN_WORDS.get(plain(word), "") or _SHORT.get(plain(word), "")
    if meant != _CAPACITANCE or name == _CAPACITANCE:
        same = not unit or plain(name).endswith(plain(unit))
        return (name if same else f"{name}_{unit}"), ""
    found = unit_named(behind, _CAPACITANCE) if behind else None
    if found is None:
        text = f"{bounded(name, 40)!r} in {column} is a capacitance in which unit?"
        answer = desk.ask(f"units:{name}", text, ("uF", "nF", "pF", "F"), "", True)
        return _CAPACITANCE, answer
    return _CAPACITANCE, found.name
