"""A slot's records at an operating point: shots at each voltage.

With cumulative exposure (Nelson 1990, ch. 10) a shot at voltage V ages a unit (V / V_use)^e times as
much as one at the voltage of use. So all that matters of a unit is how many shots it had at each
voltage, and at which it failed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reliability.histories import histories_of
from reliability.records import LifeRecords, possible_modes

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]
UNNAMED = "units"
"""what records are of that name no slot"""
SAME_VOLTAGE = 0.01
"""voltages that differ by less than this share count as one"""
NO_LAW = 0.5
"""prior chance that the voltage does not matter, of slots that are no capacitor; a choice"""
MOST_GROUPS = 300
"""builders and lots above which they are not told apart (a choice, for time)"""


def middle_of(shots: Array) -> float:
    """The geometric mean of counts."""
    return float(np.exp(np.mean(np.log(shots))))


@dataclass(frozen=True)
class Units:
    """Units of a slot.

    Attributes
    ----------
    start, end : arrays (n,)
        Shots when observation began and when it ended (failed, or still good).
    failed : bool array (n,)
    level : int array (n,)
        Voltage at the end, and of all shots where ``spent`` has no row.
    spent : dict of row to array (levels,)
        Shots since the beginning at each voltage, for units whose voltage was changed.
    suspects : dict of row to str
        Failures that one of several units had: the label of the event.
    modes : dict of row to set of str
        Modes that a failure may have been of, where records name some.
    group : int array (n,) or None
        Builder and lot of each unit, as an index; None where all are of one or none are named.
    """

    start: Array
    end: Array
    failed: Flags
    level: Ints
    spent: dict[int, Array] = field(default_factory=dict)
    suspects: dict[int, str] = field(default_factory=dict)
    modes: dict[int, frozenset[str]] = field(default_factory=dict)
    group: Ints | None = None

    @property
    def middle(self) -> float:
        """Shots in the unit of counts of a slot: its own, so that it is drawn alike beside whatever slots."""
        return middle_of(self.end)


@dataclass(frozen=True)
class SlotData:
    """All that the model of a slot knows.

    Attributes
    ----------
    name : str
    units : Units
    x : array (levels,)
        ln(V / V_use) of each voltage; a single 0 where the voltage does not matter.
    ages : array (units, levels + 1)
        Shots that each unit to be promised has at each voltage, the last at the voltage of use.
    law : bool
        Whether life may depend on the voltage.
    doubt : float
        Prior chance that it does not even so.
    copies : float
        Equal units in the slot of one module for each of ``ages``, the first failure ending it.
    flown : int
        Group of the units to be promised; -1 for one not tested.
    mission : tuple of (float, float)
        Legs of the mission: ln(V / V_use) and the share of its shots.
    """

    name: str
    units: Units
    x: Array
    ages: Array
    law: bool
    copies: float = 1.0
    flown: int = -1
    doubt: float = 0.0
    mission: tuple[tuple[float, float], ...] = ((0.0, 1.0),)

    def pace(self, exponent: Array) -> Array:
        """Shots at the voltage of use that one shot of the mission ages a unit, at exponents."""
        return np.asarray(
            np.sum([share * np.exp(exponent * leg) for leg, share in self.mission], axis=0)
        )

    @property
    def failures(self) -> float:
        """Failures seen, those with several suspects among them."""
        return float(self.units.failed.sum())

    @property
    def from_new(self) -> float:
        """Units watched from their first shot."""
        return float((self.units.start == 0).sum())


def chains(records: LifeRecords) -> list[Ints]:
    """Rows of one unit together, in the order of its stretches; see ``histories``.

    Raises
    ------
    BadInput
        If records of one unit contradict each other.
    """
    h = histories_of(records)
    return [h.order[a : b + 1] for a, b in zip(h.first.tolist(), h.last.tolist(), strict=True)]


def working_count(good: float, failed: float, entry: float) -> float:
    """Where a failure is placed in the working likelihood: exactly, or in the middle (of the logs) of
    what is known of it."""
    if good == failed:
        return failed
    low = max(good, entry)
    return float(np.sqrt(low * failed)) if low > 0 else 0.5 * failed


def levels_of(volts: Array) -> tuple[Array, Ints]:
    """Distinct voltages (within 1 %), rising, and which of them each value is; nan is level 0."""
    known = np.unique(volts[np.isfinite(volts)])
    kept: list[float] = []
    for v in known:
        if not kept or v > kept[-1] * (1 + SAME_VOLTAGE):
            kept.append(float(v))
    if not kept:
        return np.ones(1), np.zeros(volts.size, np.intp)
    steps = np.array(kept)
    where = np.searchsorted(steps, volts, side="right") - 1
    return steps, np.clip(np.where(np.isfinite(volts), where, 0), 0, None).astype(np.intp)


def voltages_differ(volts: Array) -> bool:
    """Whether voltages (nan: not recorded) are more than one."""
    known = volts[np.isfinite(volts)]
    return bool(known.size and known.max() > known.min() * (1 + SAME_VOLTAGE))


Age = Sequence[tuple[float, float]]
"""(voltage, shots) of the stretches of a unit; nan for the voltage of use"""


@dataclass(frozen=True)
class Asked:
    """What is asked of a slot.

    Attributes
    ----------
    use_V : float
        Voltage of use; nan where the voltage does not matter.
    ages : sequence of Age
        What each unit to be promised has behind it.
    copies : float
    builder, lot : str
        Of the units to be promised; "" where it is not said.
    """

    use_V: float = float("nan")
    ages: Sequence[Age] = ((),)
    copies: float = 1.0
    builder: str = ""
    lot: str = ""


def slot_data(name: str, records: LifeRecords, asked: Asked) -> SlotData:
    """A slot's records, all with a voltage or none, at an operating point."""
    use = asked.use_V
    volts = records.covariates.get("charge_V", np.full(len(records), np.nan))
    if not np.isfinite(use):
        volts = np.full(len(records), np.nan)
    tested, level = levels_of(np.asarray(volts, float))
    aged_at = {v for stretches in asked.ages for v, _ in stretches if np.isfinite(v)}
    # exact voltages, not the nearest tested ones: else a voltage just above those of tests gains by it
    steps = (
        np.array([*tested, *sorted(aged_at - set(tested.tolist()))]) if np.isfinite(use) else tested
    )
    x = np.log(steps / use) if np.isfinite(use) else np.zeros(1)
    units = chains(records)
    ages = np.zeros((len(asked.ages), steps.size + 1))
    for own, stretches in zip(ages, asked.ages, strict=True):
        for v, shots in stretches:
            known = np.isfinite(use) and np.isfinite(v)
            own[int(np.argmin(np.abs(np.log(steps / v)))) if known else -1] += shots
    labels = groups_of(records)
    return SlotData(
        name, _units(records, units, level, steps.size, labels), x, ages,
        bool(np.isfinite(use) and (np.abs(x) > 0).any()), asked.copies,
        labels.get((asked.builder, asked.lot), -1), 0.0 if "capacitor" in name else NO_LAW,
    )  # fmt: skip


def groups_of(records: LifeRecords) -> dict[tuple[str, str], int]:
    """An index for each builder and lot of the records; empty where there is one only, or very many."""
    found = sorted(set(zip(records.builder.tolist(), records.lot.tolist(), strict=True)))
    return {own: k for k, own in enumerate(found)} if 1 < len(found) <= MOST_GROUPS else {}


def _units(
    r: LifeRecords, units: list[Ints], level: Ints, levels: int, labels: dict[tuple[str, str], int]
) -> Units:
    start: list[float] = []
    end: list[float] = []
    failed: list[bool] = []
    last: list[int] = []
    spent: dict[int, Array] = {}
    suspects: dict[int, str] = {}
    modes: dict[int, frozenset[str]] = {}
    group: list[int] = []
    for rows in units:
        first, final = int(rows[0]), int(rows[-1])
        at = float(r.shots_good[final])
        if r.failed[final]:
            at = working_count(at, float(r.shots_failed[final]), float(r.shots_from[final]))
        if at <= r.shots_from[first]:
            continue  # never seen working: it tells nothing
        for _ in range(int(r.count[first])):
            if rows.size > 1 and len(set(level[rows].tolist())) > 1:
                own = np.zeros(levels)
                for i in rows[:-1]:
                    own[level[i]] += r.shots_good[i] - r.shots_from[i]
                own[level[final]] += at - r.shots_from[final]
                spent[len(start)] = own
            if r.event[final]:
                suspects[len(start)] = f"{r.builder[final]}/{r.module[final]}/{r.event[final]}"
            named = possible_modes(str(r.mode[final])) if r.failed[final] else frozenset()
            if named:
                modes[len(start)] = named
            if labels:
                group.append(labels[(r.builder[final], r.lot[final])])
            start.append(float(r.shots_from[first]))
            end.append(at)
            failed.append(bool(r.failed[final]))
            last.append(int(level[final]))
    return Units(
        np.array(start, float), np.array(end, float), np.array(failed, bool), np.array(last, np.intp), spent, suspects, modes,
        np.array(group, np.intp) if labels else None,
    )  # fmt: skip
