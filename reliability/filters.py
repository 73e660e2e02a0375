"""Choosing records: by label, by mode, and by simple conditions on any column."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Sequence

import numpy as np

from reliability.notes import BadInput
from reliability.records import LifeRecords

_CONDITION = re.compile(r"^\s*([^<>=!]+?)\s*(<=|>=|!=|=|<|>)\s*(.*?)\s*$")
_COMPARE: dict[str, Callable[..., np.ndarray]] = {
    "<=": operator.le,
    ">=": operator.ge,
    "<": operator.lt,
    ">": operator.gt,
    "=": operator.eq,
    "!=": operator.ne,
}


def where(records: LifeRecords, condition: str) -> LifeRecords:
    """Records that meet ``column=value`` (also ``!= < <= > >=``).

    Raises
    ------
    BadInput
        For an unreadable condition or an unknown column.
    """
    m = _CONDITION.match(condition)
    if not m:
        raise BadInput(
            f"cannot read the condition {condition!r}; allowed: column=value, or with <= >= < > !="
        )
    name, op, wanted = m.groups()
    try:
        column = records.column(name)
    except KeyError:
        raise BadInput(
            f"no column {name!r} to filter by; there are: {', '.join(records.column_names)}"
        ) from None
    if column.dtype == object:
        if op not in ("=", "!="):
            raise BadInput(f"{name} holds texts; allowed there: {name}=value or {name}!=value")
        return records.select(_COMPARE[op](column, wanted))
    try:
        value = float(wanted)
    except ValueError:
        raise BadInput(f"{name} holds numbers; {wanted!r} is not one") from None
    return records.select(_COMPARE[op](column, value))


def choose(
    records: LifeRecords,
    *,
    slot: Sequence[str] = (),
    part: Sequence[str] = (),
    builder: Sequence[str] = (),
    conditions: Sequence[str] = (),
) -> LifeRecords:
    """Records with one of these slots, parts and builders that meet every condition.

    Raises
    ------
    BadInput
        If nothing is left; the message says at which filter.
    """
    for name, wanted in (("slot", slot), ("part", part), ("builder", builder)):
        if wanted:
            column = records.column(name)
            present = sorted(set(column.tolist()) - {""})
            records = records.select(np.isin(column, list(wanted)))
            if not len(records):
                known = ", ".join(present[:20]) or "none"
                raise BadInput(f"no record with {name} {', '.join(wanted)}; there are: {known}")
    for condition in conditions:
        records = where(records, condition)
        if not len(records):
            raise BadInput(f"no record is left after the condition {condition!r}")
    return records
