"""What a flight module carries: its units with their parts, stresses and shots so far, and their drift."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from reliability.decisions.operating import in_words
from reliability.decisions.question import Level
from reliability.notes import BadInput, CannotAnswer
from reliability.readings import WearReadings
from reliability.records import LifeRecords
from reliability.slots.exposure import SAME_VOLTAGE, chains
from reliability.slots.mission import Drift
from reliability.wear.limits import DEFAULT_LIMITS, outlook
from reliability.wear.paths import fit_paths
from reliability.words import level_number, range_text, unit_label, volts_text

NAN = float("nan")


@dataclass(frozen=True)
class OnBoard:
    """Units of one slot and part on board.

    Attributes
    ----------
    slot, part : str
    unit : str
        Their names.
    so_far : float
        Shots on the oldest.
    stress : dict
        Stress at which they were last run.
    ages : tuple of tuples of (voltage, shots)
        Stretches of each unit; voltage nan where it is not recorded.
    key : str
        Label of the first unit, as wear readings have it.
    builder, lot : str
        Whose they are; the lot "" where it is not recorded, or differs between them.
    """

    slot: str
    part: str
    unit: str
    so_far: float
    stress: dict[str, Level]
    ages: tuple[tuple[tuple[float, float], ...], ...]
    key: str
    builder: str
    lot: str

    def voltage_matters(self, pool: LifeRecords) -> bool:
        """Whether the pool's records of the slot have a voltage."""
        v = pool.covariates.get("charge_V")
        return v is not None and bool(np.isfinite(v[pool.slot == self.slot]).any())


TAKEN_OUT = ("failure", "suspect")
"""why a good unit was taken out of its module"""


def whose(records: LifeRecords, module: str) -> NDArray[np.bool_]:
    """Rows of the units that were last in a module, wherever they were before, (n,)."""
    out = np.zeros(len(records), bool)
    for rows in chains(records):
        out[rows] = records.module[rows[-1]] == module
    return out


def _still_good(records: LifeRecords, last: int) -> bool:
    """Whether a unit is still in its module, by its last row."""
    return bool(records.right[last]) and records.removed[last] not in TAKEN_OUT


def refuse_ambiguous(mine: LifeRecords, module: str) -> None:
    """Raise BadInput where records of a module's name are of several builders."""
    builders = sorted(set(mine.builder.tolist()))
    if len(builders) > 1:
        raise BadInput(
            f"module {module[:40]!r} stands for modules of {', '.join(builders)}; choose the builder"
        )


def on_board_of(records: LifeRecords, module: str) -> tuple[OnBoard, ...]:
    """Units of the module that are still good, by slot and part.

    Raises
    ------
    BadInput
        If there is no such module, or its name stands for modules of several builders.
    CannotAnswer
        If a slot's last unit has failed.
    """
    mine = records.select(whose(records, module))
    if not len(mine):
        some = ", ".join(sorted(set(records.module.tolist()))[:12])
        raise BadInput(f"no records of module {module!r}; there are, among others: {some}")
    refuse_ambiguous(mine, module)
    good: dict[tuple[str, str], list[np.ndarray]] = {}
    for rows in chains(mine):
        last = int(rows[-1])
        if _still_good(mine, last):
            good.setdefault((str(mine.slot[last]), str(mine.part[last])), []).append(rows)
    dead = sorted(set(mine.slot.tolist()) - {slot for slot, _ in good})
    if dead:
        raise CannotAnswer(
            f"In module {module} the last unit of {', '.join(dead)} has failed, is a suspect or was taken out, and no good "
            "one is recorded. "
            "Record the replacement with its shots so far, then ask again."
        )
    return tuple(_group(mine, slot, part, units) for (slot, part), units in sorted(good.items()))


def ready_modules(records: LifeRecords) -> list[str]:
    """Modules with a good unit last in each of their slots, sorted: those that ``on_board_of`` can tell of."""
    good: dict[str, dict[str, bool]] = {}
    builders: dict[str, set[str]] = {}
    for rows in chains(records):
        last = int(rows[-1])
        module, slot = str(records.module[last]), str(records.slot[last])
        slots = good.setdefault(module, {})
        slots[slot] = slots.get(slot, False) or _still_good(records, last)
        builders.setdefault(module, set()).add(str(records.builder[last]))
    return sorted(m for m, slots in good.items() if all(slots.values()) and len(builders[m]) == 1)


def _group(r: LifeRecords, slot: str, part: str, units: Sequence[np.ndarray]) -> OnBoard:
    last = int(units[0][-1])
    stress: dict[str, Level] = {
        k: float(v[last]) for k, v in r.covariates.items() if not np.isnan(v[last])
    }
    volts = r.covariates.get("charge_V", np.full(len(r), NAN))
    ages = []
    for rows in units:
        first = int(rows[0])
        stretches = (
            [(float(volts[first]), float(r.shots_from[first]))] if r.shots_from[first] else []
        )
        stretches += [(float(volts[i]), float(r.shots_good[i] - r.shots_from[i])) for i in rows]
        ages.append(tuple(s for s in stretches if s[1] > 0))
    names = [str(r.unit[u[0]]) for u in units if r.unit[u[0]]]
    key = unit_label((r.builder[last], r.module[last], slot, r.unit[last]))
    so_far = max(float(r.shots_good[u[-1]]) for u in units)
    lots = {str(r.lot[u[-1]]) for u in units}
    return OnBoard(
        slot, part, ", ".join(names), so_far, stress, tuple(ages), key, str(r.builder[last]),
        lots.pop() if len(lots) == 1 else "",
    )  # fmt: skip


def places(
    on_board: Sequence[OnBoard], use: Mapping[str, Level], legs: Sequence[float]
) -> tuple[str, str]:
    """In words: where a module is promised, and where its units were run so far; "" where that is not recorded.

    Examples
    --------
    >>> one = OnBoard("fuel", "", "", 5.0, {"charge_V": 1400.0}, (((1200.0, 4.0), (1400.0, 1.0)),), "", "", "")
    >>> places([one], {}, ()), places([one], {"charge_V": 1300.0}, ())
    (('at 1,400 V', 'as last run; at 1,200 V before'), ('at 1,300 V', 'run at 1,200 and 1,400 V so far'))
    """
    run = [v for b in on_board for own in b.ages for v, _ in own if np.isfinite(v)]
    last = _apart([float(b.stress["charge_V"]) for b in on_board if "charge_V" in b.stress])
    if legs or "charge_V" in use:
        flown = list(legs) or [float(use["charge_V"])]
        there = f"on legs at {_volts(flown)}" if legs else f"at {in_words(use)}"
        return there, f"run at {_volts(run)} so far" if _others(run, flown) else ""
    before = f"; at {_volts(_others(run, last))} before" if _others(run, last) else ""
    if len(last) > 1:
        return "", f"each part as last run, at {_volts(last)}{before}"
    point = {**use, **({"charge_V": last[0]} if last else {})}
    as_run = "as last run" if last and not use else ""
    return f"at {in_words(point)}" if point else "", f"{as_run}{before}".removeprefix("; ")


def _others(volts: Sequence[float], than: Sequence[float]) -> list[float]:
    """Voltages that are like none of the others."""
    return [v for v in volts if not any(_alike(v, other) for other in than)]


def _alike(a: float, b: float) -> bool:
    return abs(float(np.log(a / b))) < SAME_VOLTAGE


def _apart(volts: Sequence[float]) -> list[float]:
    """Voltages that are not alike, the lowest of those that are."""
    out: list[float] = []
    for v in sorted(volts):
        if not out or not _alike(v, out[-1]):
            out.append(v)
    return out


def _volts(volts: Sequence[float]) -> str:
    """Voltages in words: ``1,200 and 1,400 V``, of many the lowest and highest."""
    some = _apart(volts)
    if len(some) > 3:
        return range_text("charge_V", some[0], some[-1])
    *first, final = some
    before = ", ".join(map(level_number, first))
    return f"{before} and {volts_text(final)}" if before else volts_text(final)


def drift_of(
    readings: WearReadings | None, records: LifeRecords, module: str, on_board: Sequence[OnBoard]
) -> dict[str, Drift]:
    """Hazard of drift to a limit over shots from now, for each unit that has readings enough.

    Of each slot the first quantity that has a named limit is taken, and only the unit's own readings:
    drift is one cause, sudden failure another, and the two add.
    """
    out: dict[str, Drift] = {}
    if readings is None:
        return out
    for b in on_board:
        own = readings.select(readings.slot == b.slot)
        for quantity, limit in DEFAULT_LIMITS.items():
            if not (own.quantity == quantity).any():
                continue
            paths = own.of_quantity(quantity)
            if b.key not in set(paths.labels.tolist()):
                continue
            try:
                found = outlook(fit_paths(paths), b.key, limit)
            except CannotAnswer:
                continue
            out[b.key] = partial(found.hazard, b.so_far)
            break
    return out
