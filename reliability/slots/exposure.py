"""A slot's records at an operating point: shots at each voltage, and the bench positions they were got on.

With cumulative exposure (Nelson 1990, ch. 10) a shot at voltage V ages a unit (V / V_use)^e times as
much as one at the voltage of use. So all that matters of a unit is how many shots it had at each
voltage, and at which it failed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reliability.histories import histories_of
from reliability.records import LifeRecords

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
SAME_VOLTAGE = 0.01
"""voltages that differ by less than this share count as one"""
LONGEST_DRAWN = 2000
"""units of a slot above which its tests are not drawn again"""


@dataclass(frozen=True)
class Units:
    """Units of a slot, B samples of them side by side (B = 1 for those seen).

    Attributes
    ----------
    start, end : arrays (n, B)
        Shots when observation began and when it ended (failed, or still good).
    failed : bool array (n, B)
    level : int array (n,)
        Voltage at the end, and of all shots where ``spent`` has no row.
    spent : dict of row to array (levels, B)
        Shots since the beginning at each voltage, for units whose voltage was changed.
    suspects : dict of row to str
        Failures that one of several units had (``suspects``): the label of the event.
    share : array (n,) or None
        What each failure counts for: 1, or a suspect's probability that it was the one.
    """

    start: Array
    end: Array
    failed: NDArray[np.bool_]
    level: Ints
    spent: dict[int, Array]
    suspects: dict[int, str] = field(default_factory=dict)
    share: Array | None = None

    @property
    def died(self) -> Array:
        """Failures, each with its share, (n, B)."""
        own = self.failed.astype(float)
        return own if self.share is None else own * self.share[:, None]


@dataclass(frozen=True)
class Position:
    """A place on a bench where units of the slot were run one after the other.

    Attributes
    ----------
    entry : float
        Shots on the first unit when it came.
    lengths : tuple of float
        Shots planned at each voltage, in order.
    levels : tuple of int
        Those voltages.
    look : float
        Shots between inspections; 0 if it is watched.
    """

    entry: float
    lengths: tuple[float, ...]
    levels: tuple[int, ...]
    look: float


@dataclass(frozen=True)
class SlotData:
    """All that the model of a slot knows.

    Attributes
    ----------
    name : str
    units : Units
    positions : tuple of Position
    x : array (levels,)
        ln(V / V_use) of each voltage; a single 0 where the voltage does not matter.
    ages : array (units, levels + 1)
        Shots that each unit to be promised has at each voltage, the last at the voltage of use.
    law : bool
        Whether life depends on the voltage.
    copies : float
        Equal units in the slot of one module for each of ``ages``, the first failure ending it.
    mission : tuple of (float, float)
        Legs of the mission: ln(V / V_use) and the share of its shots.
    """

    name: str
    units: Units
    positions: tuple[Position, ...]
    x: Array
    ages: Array
    law: bool
    copies: float = 1.0
    mission: tuple[tuple[float, float], ...] = ((0.0, 1.0),)

    @property
    def failures(self) -> float:
        """Failures seen."""
        return float(self.units.died.sum())


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
    what is known of it. The tests drawn again place theirs alike, so the bound is calibrated for it."""
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
    ends : mapping of (builder, module) to float
        Shots that each module's bench ran, see ``bench_ends``.
    """

    use_V: float = float("nan")
    ages: Sequence[Age] = ((),)
    copies: float = 1.0
    ends: Mapping[tuple[str, str], float] = field(default_factory=dict)


def slot_data(name: str, records: LifeRecords, asked: Asked) -> SlotData:
    """A slot's records, all with a voltage or none, at an operating point."""
    use = asked.use_V
    volts = records.covariates.get("charge_V", np.full(len(records), np.nan))
    if not np.isfinite(use):
        volts = np.full(len(records), np.nan)
    steps, level = levels_of(np.asarray(volts, float))
    x = np.log(steps / use) if np.isfinite(use) else np.zeros(1)
    x = np.where(np.abs(x) < SAME_VOLTAGE, 0.0, x)
    units = chains(records)
    ages = np.zeros((len(asked.ages), steps.size + 1))
    for own, stretches in zip(ages, asked.ages, strict=True):
        for v, shots in stretches:
            if np.isfinite(v) and np.isfinite(use) and abs(np.log(v / use)) >= SAME_VOLTAGE:
                own[int(np.argmin(np.abs(np.log(steps / v))))] += shots
            else:
                own[-1] += shots
    return SlotData(
        name, _units(records, units, level, steps.size), _positions(records, units, level, asked.ends), x, ages,
        bool(np.isfinite(use) and (np.abs(x) > 0).any()), asked.copies,
    )  # fmt: skip


def bench_ends(records: LifeRecords) -> dict[tuple[str, str], float]:
    """Shots that each module's bench ran: the most of any of its slots, swaps counted on."""
    run: dict[tuple[str, str, str], float] = {}
    for rows in chains(records):
        for i in rows.tolist():
            key = (str(records.builder[i]), str(records.module[i]), str(records.slot[i]))
            run[key] = run.get(key, 0.0) + _row_length(records, i)
    out: dict[tuple[str, str], float] = {}
    for (builder, module, _), length in run.items():
        out[(builder, module)] = max(out.get((builder, module), 0.0), length)
    return out


def _units(r: LifeRecords, units: list[Ints], level: Ints, levels: int) -> Units:
    start: list[float] = []
    end: list[float] = []
    failed: list[bool] = []
    last: list[int] = []
    spent: dict[int, Array] = {}
    suspects: dict[int, str] = {}
    for rows in units:
        first, final = int(rows[0]), int(rows[-1])
        at = float(r.shots_good[final])
        if r.failed[final]:
            at = working_count(at, float(r.shots_failed[final]), float(r.shots_from[final]))
        if at <= r.shots_from[first]:
            continue  # never seen working: it tells nothing
        for _ in range(int(r.count[first])):
            if rows.size > 1 and len(set(level[rows].tolist())) > 1:
                own = np.zeros((levels, 1))
                for i in rows[:-1]:
                    own[level[i], 0] += r.shots_good[i] - r.shots_from[i]
                own[level[final], 0] += at - r.shots_from[final]
                spent[len(start)] = own
            if r.event[final]:
                suspects[len(start)] = f"{r.builder[final]}/{r.module[final]}/{r.event[final]}"
            start.append(float(r.shots_from[first]))
            end.append(at)
            failed.append(bool(r.failed[final]))
            last.append(int(level[final]))
    column = (len(start), 1)
    return Units(
        np.array(start, float).reshape(column), np.array(end, float).reshape(column),
        np.array(failed, bool).reshape(column), np.array(last, np.intp), spent,
        suspects,
    )  # fmt: skip


def _positions(
    r: LifeRecords, units: list[Ints], level: Ints, ends: Mapping[tuple[str, str], float]
) -> tuple[Position, ...]:
    """Bench positions: a module's units of the slot, one after the other.

    A position's planned length is what was run on it where its last unit was still good; where that
    one failed, what the module's bench ran (``ends``), or if this slot ended it as much as the
    builder's other benches (their median): no planned end is made by a failure.
    """
    run: dict[tuple[str, str, int], list[Ints]] = {}
    for k, rows in enumerate(units):
        key = (str(r.builder[rows[0]]), str(r.module[rows[0]]), -1 if r.module[rows[0]] else k)
        run.setdefault(key, []).append(rows)
    totals: dict[str, list[float]] = {}
    for (builder, *_), own in run.items():
        if r.right[own[-1][-1]]:
            totals.setdefault(builder, []).append(_length(r, own))
    everywhere = [v for vs in totals.values() for v in vs]
    look = _looks(r)
    out = []
    for (builder, module, _), own in run.items():
        parts = [(float(_row_length(r, i)), int(level[i])) for rows in own for i in rows]
        if not r.right[own[-1][-1]]:
            run_here = sum(p[0] for p in parts)
            bench = ends.get((builder, module), 0.0) if module else 0.0
            if bench <= run_here * (1 + 1e-9):
                bench = float(np.median(totals.get(builder) or everywhere or [0.0]))
            parts.append((max(bench - run_here, 0.0), parts[-1][1]))
        lengths, levels = zip(*[p for p in parts if p[0] > 0] or [(1.0, 0)], strict=True)
        entry = float(r.shots_from[own[0][0]])
        out += [Position(entry, lengths, levels, look(own))] * int(r.count[own[0][0]])
    return tuple(out)


def _row_length(r: LifeRecords, i: int) -> float:
    end = r.shots_good[i] if r.right[i] else r.shots_failed[i]
    return float(end - r.shots_from[i])


def _length(r: LifeRecords, own: list[Ints]) -> float:
    return sum(_row_length(r, i) for rows in own for i in rows)


def _looks(r: LifeRecords) -> Callable[[list[Ints]], float]:
    """Shots between inspections of a position: of its own failures, else of its builder's."""
    width = np.where(r.interval | r.left, r.shots_failed - r.shots_good, 0.0)
    dead = r.failed
    usual = {
        b: float(np.median(width[dead & (r.builder == b)])) for b in set(r.builder[dead].tolist())
    }

    def look(own: list[Ints]) -> float:
        mine = [width[rows[-1]] for rows in own if dead[rows[-1]]]
        return float(np.median(mine)) if mine else usual.get(str(r.builder[own[0][0]]), 0.0)

    return look
