"""Choosing records: by label, by mode, and by simple conditions on any column."""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Sequence

import numpy as np

from reliability.notes import BadInput
from reliability.records import LifeRecords

LONGEST_CONDITION = 300
"""characters of one condition"""
MOST_CONDITIONS = 20
MOST_NAMES = 200
"""slots, parts or builders named in one filter"""
LONGEST_NAME = 200
"""characters of one of them"""

_COMPARE: dict[str, Callable[..., np.ndarray]] = {
    "<=": operator.le,
    ">=": operator.ge,
    "<": operator.lt,
    ">": operator.gt,
    "=": operator.eq,
    "!=": operator.ne,
}


def _short(text: str) -> str:
    return repr(text if len(text) <= 60 else text[:57] + "...")


def parse(condition: str) -> tuple[str, str, str]:
    """Column, comparison and value of a condition, in one pass.

    The first of ``< > = !`` ends the column's name; no backtracking, so a hostile text costs no more
    than its length. Raises BadInput.
    """
    if len(condition) > LONGEST_CONDITION:
        raise BadInput(
            f"a condition has at most {LONGEST_CONDITION} characters, not {len(condition):,}"
        )
    at = next((i for i, c in enumerate(condition) if c in "<>=!"), len(condition))
    name, rest = condition[:at].strip(), condition[at:]
    op = next((o for o in ("<=", ">=", "!=", "=", "<", ">") if rest.startswith(o)), "")
    if not name or not op:
        raise BadInput(
            f"cannot read the condition {_short(condition)}; allowed: column=value, or with <= >= < > !="
        )
    return name, op, rest[len(op) :].strip()


def where(records: LifeRecords, condition: str) -> LifeRecords:
    """Records that meet ``column=value`` (also ``!= < <= > >=``).

    Raises
    ------
    BadInput
        For an unreadable condition or an unknown column.
    """
    name, op, wanted = parse(condition)
    try:
        column = records.column(name)
    except KeyError:
        raise BadInput(
            f"no column {_short(name)} to filter by; there are: {', '.join(records.column_names)}"
        ) from None
    if column.dtype == object:
        if op not in ("=", "!="):
            raise BadInput(f"{name} holds texts; allowed there: {name}=value or {name}!=value")
        return records.select(_COMPARE[op](column, wanted))
    try:
        value = float(wanted)
        if math.isnan(value):
            raise ValueError
    except ValueError:
        raise BadInput(f"{name} holds numbers; {_short(wanted)} is not one") from None
    return records.select(_COMPARE[op](column, value))


def _refuse_long(name: str, wanted: Sequence[str]) -> None:
    if len(wanted) > MOST_NAMES:
        raise BadInput(f"at most {MOST_NAMES} of {name} in one filter, not {len(wanted):,}")
    longest = max((len(w) for w in wanted), default=0)
    if longest > LONGEST_NAME:
        raise BadInput(f"a {name} has at most {LONGEST_NAME} characters, not {longest:,}")


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
        If nothing is left (the message says at which filter), or if more is asked than a filter may hold.
    """
    if len(conditions) > MOST_CONDITIONS:
        raise BadInput(f"at most {MOST_CONDITIONS} conditions, not {len(conditions):,}")
    for name, wanted in (("slot", slot), ("part", part), ("builder", builder)):
        if wanted:
            _refuse_long(name, wanted)
            column = records.column(name)
            present = sorted(set(column.tolist()) - {""})
            records = records.select(np.isin(column, list(wanted)))
            if not len(records):
                known = ", ".join(present[:20]) or "none"
                asked = ", ".join(list(wanted)[:20])
                raise BadInput(f"no record with {name} {asked}; there are: {known}")
    for condition in conditions:
        records = where(records, condition)
        if not len(records):
            raise BadInput(f"no record is left after the condition {_short(condition)}")
    return records
