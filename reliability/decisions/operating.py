"""The operating point a question is asked for, and what of it the pool carries."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from reliability.decisions.question import Level, refuse_unless
from reliability.filters import whole_units
from reliability.life.stress import label_of
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.carried import Carried
from reliability.words import volts_text


def commonest(records: LifeRecords) -> dict[str, Level]:
    """The commonest voltage, and the commonest part at it, of the slot whose voltage is recorded.

    A unit counts at the voltage of its last stretch. Of voltages equally common the highest, of parts the
    first by name; empty without a voltage.
    """
    volts = records.covariates.get("charge_V")
    if volts is None or np.isnan(volts).all():
        return {}
    known = np.isfinite(volts) & ~records.continued
    weights: dict[float, float] = {}
    for v, n in zip(volts[known], records.count[known], strict=True):
        weights[float(v)] = weights.get(float(v), 0.0) + float(n)
    use = max(weights, key=lambda v: (weights[v], v))
    return {"charge_V": use}


def refuse_unknown_part(records: LifeRecords, point: Mapping[str, Level]) -> None:
    """Raise CannotAnswer where the part asked for was tested in none of the records' slots."""
    parts = sorted(set(records.part.tolist()) - {""})
    if "part" in point and point["part"] not in parts:
        slots = sorted(set(records.slot.tolist()))
        where = slots[0].replace("_", " ") if len(slots) == 1 else "slot of these records"
        raise CannotAnswer(
            f"part {point['part']} was tested in no {where}; there are: {', '.join(parts) or 'none'}. "
            "Test some units of it, or choose another part."
        )


def refuse_idle(
    use: Iterable[str], taken: Collection[str], records: LifeRecords, model: str = ""
) -> None:
    """Raise NoEffect for a column of the operating point that is not ``taken``: it would change nothing.

    ``model`` names what takes it or not, unless it is the slot's own.
    """
    for column in use:
        refuse_unless(column in taken, f"use {column}", _why_idle(column, records, model))


def _why_idle(column: str, records: LifeRecords, model: str) -> str:
    """Why a column changes nothing: no record says it, tests had one level of it, or it is not modelled."""
    slots = sorted(set(records.slot.tolist()))
    whose = f" of {slots[0].replace('_', ' ')}" if len(slots) == 1 and slots[0] else ""
    seen = {label_of(v) for v in said_levels(column, records)}
    if not seen:
        return f"no record{whose} says it"
    if len(seen) == 1:
        return f"all records{whose} that say it have one {column}, {seen.pop()[:40]}, so nothing tells how life goes with it"
    if model:
        return f"it is no term of {model}; add it as a stress, or choose the records tested at it (where)"
    return "the slot's model does not take it; choose the records tested at it (where)"


def said_levels(column: str, records: LifeRecords) -> list[float | str]:
    """Values of a column as far as records say it."""
    if column not in records.column_names:
        return []
    return [v for v in records.column(column).tolist() if v == v and v != ""]


def refuse_uncarried(use: Iterable[str], carried: Iterable[Carried], records: LifeRecords) -> None:
    """The same, where ``carried`` says what of the operating point the records carry."""
    refuse_idle(use, {c.stress for c in carried}, records)


def slot_point(records: LifeRecords, point: Mapping[str, Level]) -> dict[str, Level]:
    """The operating point as it bears on one slot: its own commonest part where none is said."""
    out = dict(point)
    parts = records.part[records.part != ""]
    if "part" in out and out["part"] not in set(records.part.tolist()):
        out.pop("part")  # a part of another slot
    if "part" not in out and parts.size:
        names, counts = np.unique(parts.astype(str), return_counts=True)
        out["part"] = str(names[counts.argmax()])
    return out


@dataclass(frozen=True)
class OfOnePart:
    """Records of one part of a slot, which ("" where parts are not told apart), and what is left out, in words."""

    records: LifeRecords
    part: str = ""
    left_out: str = ""


def of_one_part(records: LifeRecords, said: str) -> OfOnePart:
    """The records of the part that is said, else of the commonest, as ``slot_point`` has it.

    Raises
    ------
    CannotAnswer
        For a part that was not tested.
    """
    point: dict[str, Level] = {"part": said} if said else {}
    refuse_unknown_part(records, point)
    slot = _where_voltage_matters(records)
    part = str(slot_point(slot, point).get("part", ""))
    others = sorted({p or "not named" for p in slot.part.tolist() if p != part})
    if not part or not others:
        return OfOnePart(records, said)
    own = whole_units(records, "part", records.part == part)
    return OfOnePart(
        own, part, f"{slot.units - own.units:g} units of other parts: {', '.join(others)}"
    )


def _where_voltage_matters(records: LifeRecords) -> LifeRecords:
    """The records of slots of which a voltage is recorded; all where none is."""
    volts = records.covariates.get("charge_V")
    if volts is None or not np.isfinite(volts).any():
        return records
    return records.select(
        np.isin(records.slot, np.unique(records.slot[np.isfinite(volts)].astype(str)))
    )


def point_of_one(records: LifeRecords, said: Mapping[str, Level]) -> dict[str, Level]:
    """The operating point of a slot asked for by itself; what is not said of it is taken as the commonest.

    Raises
    ------
    CannotAnswer
        For a part that was not tested in it.
    """
    refuse_unknown_part(records, said)
    return slot_point(records, {**commonest(records), **said})


def in_words(point: Mapping[str, Level]) -> str:
    """The operating point as the beginning of a sentence, such as ``At 1,400 V and 25 deg C``."""
    texts = []
    if "charge_V" in point:
        texts.append(volts_text(float(point["charge_V"])))
    if "temp_C" in point:
        texts.append(f"{float(point['temp_C']):g} deg C")
    if "rate_Hz" in point:
        texts.append(f"{float(point['rate_Hz']):.3g} shots a second")
    if "part" in point:
        texts.append(f"part {point['part']}")
    return ", ".join(texts)
