"""What there is to choose between in one slot's records, and what two are meant where nobody says so."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import get_args

import numpy as np

from reliability.decisions.comparison_answer import EVERYTHING, By
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.exposure import levels_of
from reliability.words import level_text

USUAL: tuple[By, ...] = ("part", "builder", "lot", "fuel", "revision", "voltage")
"""what two are taken to differ in, the first of which there are two; modules and pools only where somebody says so"""
Choices = Mapping[By, tuple[str, ...]]


def choices_in(records: LifeRecords) -> dict[By, tuple[str, ...]]:
    """Labels of one slot's records by what they are labels of, those with most units first; voltages as tested."""
    out: dict[By, tuple[str, ...]] = {}
    for by in get_args(By):
        if by == "voltage":
            out[by] = _voltages(records)
        elif by != "pool":
            out[by] = _labels(records, by)
    out["pool"] = (EVERYTHING, *out["builder"]) if len(out["builder"]) > 1 else ()
    return out


def _labels(records: LifeRecords, by: str) -> tuple[str, ...]:
    if by not in records.column_names:
        return ()
    new = ~records.continued
    names, place = np.unique(records.column(by).astype(str), return_inverse=True)
    units = np.bincount(place[new], records.count[new], names.size)
    rows = zip(names.tolist(), units.tolist(), strict=True)
    return tuple(v for v, _ in sorted(rows, key=lambda row: (-row[1], row[0])) if v)


def _voltages(records: LifeRecords) -> tuple[str, ...]:
    volts = records.covariates.get("charge_V", np.full(len(records), np.nan))
    known = volts[np.isfinite(volts) & ~records.continued]
    return tuple(f"{v:.10g}" for v in levels_of(known)[0]) if known.size else ()


def usual(known: Choices) -> By | None:
    """The first of what is usually chosen between of which there are two, or None."""
    return next((by for by in USUAL if len(known[by]) > 1), None)


def what_differs(records: LifeRecords, first: str, second: str) -> By:
    """What the two differ in, where nobody has said so.

    Raises
    ------
    BadInput
        Where the two are named, and are not two of anything.
    CannotAnswer
        Where there are not two of anything: which records would make a comparison possible.
    """
    known = choices_in(records)
    if not first:
        found = usual(known)
        if found is None:
            raise CannotAnswer(_nothing(records, known))
        return found
    names: tuple[str, ...] = (first, second)
    kinds: tuple[By, ...] = (*USUAL, "module")
    if found := _of(names, kinds, known, all):
        return found
    if any(name == EVERYTHING or "+" in name for name in names):
        return "pool"
    if all(map(_is_number, names)):
        return "voltage"
    if found := _of(names, kinds, known, any):  # the other is then told to be none of its kind
        return found
    raise BadInput(
        f"first and second are two of one kind: {_listed(known)}; not {first[:40]!r} and {second[:40]!r}"
    )


def _of(
    names: Sequence[str],
    kinds: Sequence[By],
    known: Choices,
    holds: Callable[[Iterable[bool]], bool],
) -> By | None:
    """The first kind of which the names are labels: all of them, or any."""
    return next((by for by in kinds if holds(name in known[by] for name in names)), None)


def _is_number(text: str) -> bool:
    return text.replace(".", "", 1).isdecimal()


def _listed(known: Choices) -> str:
    """What there are two or more of, in words."""
    there = [
        f"{by} ({', '.join(known[by][:6])}{', …' if len(known[by]) > 6 else ''})"
        for by in known
        if len(known[by]) > 1 and by != "pool"
    ]
    return ", ".join(there) or "there are not two of anything"


def others_than(records: LifeRecords, by: By) -> str:
    """What else there are two of, as a hint where there are not two of what was asked."""
    known = choices_in(records)
    two = [b for b in (*USUAL, "module") if b != by and len(known[b]) > 1]
    return f"; there are two or more by {', '.join(two)}" if two else ""


def _nothing(records: LifeRecords, known: Choices) -> str:
    """Why nothing can be compared, and which records would mend it."""
    slot = str(records.slot[0]).replace("_", " ")
    same = [
        f"one {by} ({level_text('charge_V', float(v)) if by == 'voltage' else v})"
        for by in USUAL
        for v in known[by]
    ]
    all_of = (
        f" all are of {_and(same)}"
        if same
        else " none says its part, builder, lot, fuel, revision or voltage"
    )
    modules = (
        " Modules can be compared with each other: by module." if len(known["module"]) > 1 else ""
    )
    return (
        f"There are not two to choose between among the {records.units:g} units of the {slot}:{all_of}. Records of a {slot} of another "
        f"part, or run at another charge voltage, would make a comparison possible, once some units have failed.{modules}"
    )


def _and(texts: Sequence[str]) -> str:
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"
