"""Histories: the stretches of each unit in order, and every contradiction among them.

A unit is one physical part, of one type, one lot and one rating. Its records (stretches) chain: each begins at
the count where the one before ended, only the last may have failed, and the module may change on the
way.

Which records are one unit
--------------------------
Builders name units in two ways, and both are read:

* a name of its own for every part of a builder and slot (``cap-17``), whatever module it sits in;
* names that begin anew in every module (``mai1`` in each).

Records without a unit name, and records of ``count`` above 1, are units of their own. Records of
one builder, *module*, slot and unit name are always one unit. Across modules:

1. all records of one builder, slot and name that chain without a gap are one unit that moved;
2. a record that begins where exactly one record in another module left the name alive, and nothing
   else takes that one up, is that unit, moved. More than one way to read it is a contradiction;
3. otherwise, if this builder's names begin anew in modules (some name starts at the same count in
   two modules, in any slot), the records of each module are units of their own;
4. otherwise the name is one part, and records that do not chain contradict each other.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reliability.notes import BadInput
from reliability.records import Fault, InvalidRecords, LifeRecords
from reliability.words import unit_label

Ints = NDArray[np.intp]
Where = Callable[[int], str]
"""how a record is called in messages, by its index"""

_CHAIN = "each stretch begins (shots_from) where the one before ended"
_RENAME = "another part needs another unit name"


def _record(i: int) -> str:
    return f"record {i}"


@dataclass(frozen=True)
class Histories:
    """Life records put together by unit.

    Attributes
    ----------
    records : LifeRecords
        The records, reordered by unit, then stretch; units in the order they first appear.
    unit : int array (n,)
        Unit of each row of ``records``.
    first, last : int arrays (m,)
        Row of each unit's first and last stretch; the rows between are its others, in order.
    order : int array (n,)
        Where each row stood in the records that were given.
    """

    records: LifeRecords
    unit: Ints
    first: Ints
    last: Ints
    order: Ints

    @classmethod
    def of(cls, records: LifeRecords, where: Where = _record, events: bool = True) -> Histories:
        """Put records together. See the module's first lines for what is one unit.

        Parameters
        ----------
        records : LifeRecords
        where : callable
            How a record is called in messages, by its index.
        events : bool
            Whether to check failures with several suspects too; False for part of the slots.

        Raises
        ------
        InvalidRecords
            With every contradiction; each names both records and what is allowed.
        """
        units, faults = _group(records, where)
        if events:
            faults += _event_faults(records, units, where)
        if faults:
            raise InvalidRecords(sorted(faults, key=lambda f: (f.row, f.column)))
        return cls._ordered(records, units)

    @classmethod
    def _ordered(cls, records: LifeRecords, units: list[list[int]]) -> Histories:
        units.sort(key=min)
        sizes = np.array([len(u) for u in units], np.intp)
        order = np.array([i for u in units for i in u], np.intp)
        last = np.cumsum(sizes) - 1
        same = order.size == 0 or bool((order == np.arange(order.size)).all())
        return cls(
            records if same else records.select(order),
            np.repeat(np.arange(sizes.size), sizes),
            last - sizes + 1,
            last,
            order,
        )

    def __len__(self) -> int:
        return int(self.first.size)

    @property
    def simple(self) -> bool:
        """Whether every unit has one stretch only."""
        return len(self) == len(self.records)

    @property
    def stretches(self) -> Ints:
        """Number of stretches of each unit, (m,)."""
        return self.last - self.first + 1

    @property
    def moved(self) -> NDArray[np.bool_]:
        """Which units were in more than one module, (m,)."""
        if not len(self):
            return np.zeros(0, bool)
        changed = self.records.module != self.records.module[self.first][self.unit]
        return np.bincount(self.unit, changed, len(self)) > 0

    def rows_of(self, unit: int) -> range:
        """Rows of a unit in ``records``."""
        return range(int(self.first[unit]), int(self.last[unit]) + 1)

    def select(self, mask: NDArray[np.bool_]) -> Histories:
        """Some of the units, whole: the way to filter without cutting a history in two."""
        keep = np.asarray(mask, bool)[self.unit]
        unit = (np.cumsum(mask) - 1)[self.unit[keep]]
        sizes = self.stretches[mask]
        last = np.cumsum(sizes) - 1
        return Histories(
            self.records.select(keep), unit, last - sizes + 1, last, self.order[keep]
        )  # fmt: skip

    def lives(self) -> LifeRecords:
        """One record a unit: from its first entry to what is known last.

        Stresses, labels and module are those of the last stretch. Fit for anything that does not
        ask at which stress the shots were fired.
        """
        if self.simple:
            return self.records
        whole = self.records.select(self.last)
        return replace(whole, shots_from=self.records.shots_from[self.first])

    def events(self) -> tuple[Ints, ...]:
        """Rows of each failure with several suspects."""
        r = self.records
        found: dict[tuple[str, str, str], list[int]] = defaultdict(list)
        for i in np.flatnonzero(r.event != ""):
            found[r.builder[i], r.module[i], r.event[i]].append(int(i))
        return tuple(np.array(rows, np.intp) for rows in found.values())


def histories_of(records: LifeRecords) -> Histories:
    """The histories of records.

    Suspects of one failure stand in several slots, so they are checked where all slots are at hand.

    Raises
    ------
    BadInput
        If records of one unit contradict each other.
    """
    try:
        return Histories.of(records, events=False)
    except InvalidRecords as e:
        raise BadInput(
            f"records of one unit contradict each other: {e}. 'shotlife records --contradictions' lists all in a "
            "store, and how to mend them."
        ) from None


def lives_of(records: LifeRecords) -> LifeRecords:
    """One record a unit (see ``Histories.lives``). Raises BadInput on contradictions."""
    return histories_of(records).lives()


def contradictions(records: LifeRecords, where: Where = _record) -> list[Fault]:
    """Every contradiction among records, which may be unchecked ones.

    The list is empty where ``Histories.of`` succeeds.
    """
    units, faults = _group(records, where)
    return sorted(
        faults + _event_faults(records, units, where), key=lambda f: (f.row, f.column)
    )  # fmt: skip


# --- which records are one unit ----------------------------------------------------------------


def _group(r: LifeRecords, where: Where) -> tuple[list[list[int]], list[Fault]]:
    """Rows of each unit in order, and the contradictions found on the way."""
    units: list[list[int]] = []
    names: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    keys = zip(r.builder.tolist(), r.slot.tolist(), r.unit.tolist(), strict=True)
    for i, key in enumerate(keys):
        if key[2]:
            names[key].append(i)
        else:
            units.append([i])
    checker = _Checker(r, where)
    several: list[tuple[tuple[str, str, str], list[int]]] = []
    for key, rows in names.items():
        if len(rows) == 1:
            units.append(rows)
        else:
            several.append((key, rows))
    anew = {key[0] for key, rows in several if checker.begins_anew(rows)}
    for key, rows in several:
        for part in checker.split(rows, key[0] in anew):
            units += checker.check(part)
    return units, checker.faults


class _Checker:
    """Puts rows of one unit name together and gathers what contradicts."""

    def __init__(self, r: LifeRecords, where: Where) -> None:
        self.r, self.where = r, where
        self.start, self.good = r.shots_from.tolist(), r.shots_good.tolist()
        self.dead = np.isfinite(r.shots_failed).tolist()
        self.end = np.where(r.failed, r.shots_failed, r.shots_good).tolist()
        self.module = r.module.tolist()
        self.faults: list[Fault] = []

    def begins_anew(self, rows: Sequence[int]) -> bool:
        """Whether the name starts at the same count in two modules."""
        if len({self.module[i] for i in rows}) == 1:
            return False
        ends = {(self.module[i], self.end[i]) for i in rows} | {("", self.end[i]) for i in rows}
        starts: dict[float, str] = {}
        for i in rows:
            s = self.start[i]
            if s > 0 and ("", s) in ends:
                continue
            if starts.setdefault(s, self.module[i]) != self.module[i]:
                return True
        return False

    def split(self, rows: list[int], anew: bool) -> list[list[int]]:
        """Rows of one builder, slot and name as groups that must each be one unit."""
        modules: dict[str, list[int]] = defaultdict(list)
        for i in rows:
            modules[self.module[i]].append(i)
        if len(modules) == 1 or not anew:
            return [rows]
        root = {m: m for m in modules}

        def find(m: str) -> str:
            while root[m] != m:
                m = root[m]
            return m

        by_end: dict[float, list[int]] = defaultdict(list)
        for i in rows:
            by_end[self.end[i]].append(i)
        for j in rows:
            if self.start[j] > 0:
                before = [i for i in by_end.get(self.start[j], ()) if i != j]
                if before and not any(self.module[i] == self.module[j] for i in before):
                    # it begins where the name ended elsewhere: the same part, or a contradiction
                    for i in before:
                        root[find(self.module[j])] = find(self.module[i])
        joined: dict[str, list[int]] = defaultdict(list)
        for m, own in modules.items():
            joined[find(m)] += own
        return list(joined.values())

    def check(self, rows: list[int]) -> list[list[int]]:
        """The unit that these rows are, in order; what contradicts goes to ``faults``."""
        if len(rows) == 1:
            return [rows]
        before = len(self.faults)
        self._alone(rows)
        order = sorted(rows, key=lambda i: (self.start[i], self.end[i], i))
        if len(self.faults) == before:
            for a, b in pairwise(order):
                self._pair(a, b)
        return [order] if len(self.faults) == before else [[i] for i in rows]

    def _fault(self, row: int, column: str, text: str, other: int) -> None:
        self.faults.append(Fault(row, column, text, other))

    def _alone(self, rows: list[int]) -> None:
        """What one row cannot be when the unit has others."""
        ending: dict[float, list[int]] = defaultdict(list)
        for i in rows:
            if len(ending[self.end[i]]) < 2:
                ending[self.end[i]].append(i)
        for i in rows:
            before = [j for j in ending.get(self.start[i], ()) if j != i]
            other = before[0] if before else rows[rows[0] == i]
            who, there = self._who(i), self.where(other)
            if self.r.count[i] > 1:
                self._fault(
                    i, "count", f"{self.r.count[i]:g} units cannot be one stretch of {who}, which {there} has too; "
                    "allowed: count 1, or no unit name", other,
                )  # fmt: skip
            elif self.good[i] < self.start[i]:
                self._fault(
                    i, "shots_good", f"this stretch of {who} runs backwards, from {self.start[i]:g} to "
                    f"{self.good[i]:g}, beside {there} ({self._range(other)}); allowed: {_CHAIN}", other,
                )  # fmt: skip
            elif self.good[i] == self.start[i] and not self.dead[i]:
                self._fault(
                    i, "shots_good", f"{who} fired no shot in this stretch ({self.start[i]:g} to {self.good[i]:g}), "
                    f"beside {there} ({self._range(other)}); allowed: stretches of more than 0 shots, so leave "
                    "this row out", other,
                )  # fmt: skip

    def _pair(self, a: int, b: int) -> None:
        """What contradicts between a row and the next."""
        who, there = self._who(b), self.where(a)
        for column in ("part", "lot", "rated_V"):
            here, before = (self._said(column, i) for i in (b, a))
            if here and before and here != before:
                text = (
                    f"{who} is of {column} {here[:60]!r} here and of {before[:60]!r} in {there}; allowed: one {column} a "
                    f"unit; {_RENAME}"
                )
                self._fault(b, column, text, a)
        if self.dead[a] and self.start[b] >= self.good[a]:
            event = self.r.event[a]
            how = f"was a suspect of {event!r}" if event else "failed"
            text = (
                f"{who} goes on from {self.start[b]:g} but {how} at {self.end[a]:g} in {there}; "
                f"allowed: only the last stretch may have failed; {_RENAME}"
            )
            self._fault(b, "shots_from", text, a)
        elif self.start[b] < self.good[a] or self.dead[a]:
            self._fault(b, "shots_from", self._overlap(a, b), a)
        elif self.start[b] > self.good[a]:
            gap = self.start[b] - self.good[a]
            text = (
                f"{who} begins at {self.start[b]:g} but {there} left it at {self.good[a]:g}: {gap:g} shots are missing; "
                f"allowed: {_CHAIN}; {_RENAME}"
            )
            self._fault(b, "shots_from", text, a)
        elif self.r.removed[a] in ("failure", "suspect"):
            text = (
                f"{who} was taken out here ({self.r.removed[a]}) but goes on from {self.start[b]:g} in "
                f"{self.where(b)}; allowed: empty on every stretch but the last"
            )
            self._fault(a, "removed", text, b)

    def _said(self, column: str, i: int) -> str:
        """What a row says of its unit; empty where nothing."""
        if column in ("part", "lot"):
            return str(getattr(self.r, column)[i])
        value = float(self.r.covariates[column][i]) if column in self.r.covariates else np.nan
        return f"{value:g}" if np.isfinite(value) else ""

    def _overlap(self, a: int, b: int) -> str:
        who, there = self._who(b), self.where(a)
        if (self.start[a], self.good[a], self.end[a]) == (self.start[b], self.good[b], self.end[b]):
            same = "in two modules at once" if self.module[a] != self.module[b] else "twice"
            return (
                f"{who} stands here and in {there} with the same shots ({self._range(b)}), {same}; "
                f"allowed: each stretch once; {_RENAME}"
            )
        if self.start[a] == self.start[b] > 0 and self.module[a] != self.module[b]:
            return (
                f"{who} goes on at {self.start[b]:g} in two modules at once, {self.module[b]!r} here and "
                f"{self.module[a]!r} in {there}; allowed: one module at a time; {_RENAME}"
            )
        return (
            f"{who} is at {self._range(b)} here and at {self._range(a)} in {there}: the same shots "
            f"twice; allowed: {_CHAIN}; {_RENAME}"
        )

    def _range(self, i: int) -> str:
        dead = " failed" if self.dead[i] else ""
        return f"{self.start[i]:g} to {self.end[i]:g}{dead}"

    def _who(self, i: int) -> str:
        return f"unit {str(self.r.unit[i])[:60]!r}"


# --- failures with several suspects ------------------------------------------------------------


def _event_faults(r: LifeRecords, units: list[list[int]], where: Where) -> list[Fault]:
    """Labels are of a module: the same label in another module is another failure."""
    rows_of: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    by_label: dict[tuple[str, str], list[int]] = defaultdict(list)
    for i in np.flatnonzero(r.event != "").tolist():
        rows_of[r.builder[i], r.module[i], r.event[i]].append(i)
        by_label[r.builder[i], r.event[i]].append(i)
    if not rows_of:
        return []
    unit_of = {i: k for k, rows in enumerate(units) for i in rows}
    faults: list[Fault] = []
    for (builder, _, label), rows in rows_of.items():
        name = f"event {label[:60]!r}"
        if len(rows) > 1:
            faults += _one_event(r, name, rows, unit_of, where)
        else:
            faults.append(_lone_suspect(r, name, rows[0], by_label[builder, label], where))
    return faults


def _lone_suspect(r: LifeRecords, name: str, a: int, namesakes: list[int], where: Where) -> Fault:
    other = next((j for j in namesakes if j != a), None)
    if other is not None:
        text = (
            f"{name} is of module {r.module[a]!r} here and of {r.module[other]!r} in {where(other)}; allowed: "
            "two or more suspects, all of one module"
        )
        return Fault(a, "event", text, other)
    near = _nearest(r, a)
    beside = f"; {where(near)} of the same module is not marked" if near is not None else ""
    text = (
        f"{name} has one row only{beside}; allowed: two or more rows of one module with the same "
        "label, of which one failed; a failure whose unit is known needs no event"
    )
    return Fault(a, "event", text, near)


def _one_event(
    r: LifeRecords, name: str, rows: list[int], unit_of: dict[int, int], where: Where
) -> list[Fault]:
    a = rows[0]
    faults = []
    for b in rows[1:]:
        if unit_of[b] == unit_of[a]:
            text = f"{name} names the unit of {where(a)} again; allowed: each suspect once"
            faults.append(Fault(b, "event", text, a))
    for i in rows:
        other = next(j for j in rows if j != i)
        if not np.isfinite(r.shots_failed[i]):
            text = (
                f"a suspect of {name}, as in {where(other)}, needs the count of the failure in "
                "shots_failed; allowed: a count there, or no event if it is known to be good"
            )
            faults.append(Fault(i, "shots_failed", text, other))
        elif (r.shots_good[i] == r.shots_failed[i]) != (r.shots_good[a] == r.shots_failed[a]):
            text = (
                f"the failure of {name} lies between two counts either here or in {where(a)}, and is "
                "known to the shot in the other; allowed: all suspects alike"
            )
            faults.append(Fault(i, "shots_failed", text, a))
        elif r.count[i] > 1:
            text = f"a suspect of {name}, as in {where(other)}, is one unit; allowed: count 1"
            faults.append(Fault(i, "count", text, other))
    return faults


def _nearest(r: LifeRecords, row: int) -> int | None:
    """The row of the same module whose last count is nearest, None where there is no other."""
    own = np.flatnonzero((r.module == r.module[row]) & (r.builder == r.builder[row]))
    own = own[own != row]
    if not own.size:
        return None
    end = np.where(r.failed[own], r.shots_failed[own], r.shots_good[own])
    return int(own[np.abs(end - r.shots_failed[row]).argmin()]) if r.failed[row] else int(own[0])


# --- readings and misfires against histories ---------------------------------------------------


def reading_faults(
    histories: Histories,
    labels: Iterable[object],
    shots: Iterable[float],
    what: str = "a reading",
    where: Where = _record,
) -> list[Fault]:
    """Wear readings or misfires that their unit's life record contradicts.

    Parameters
    ----------
    histories : Histories
    labels : iterable of str
        Unit of each reading as ``builder/module/slot/unit`` (``WearReadings.labels``; systems of
        ``Recurrences``). Readings of units that have no life record are passed over.
    shots : iterable of float
        Count of each reading.
    what : str
        What it is, for the message.
    where : callable
        How a life record is called in the message, by its index in the records that
        ``histories`` was made of.

    Returns
    -------
    list of Fault
        ``row`` is the index of the reading, ``other`` that of the life record.
    """
    r = histories.records
    key = zip(r.builder, r.module, r.slot, r.unit, strict=True)
    unit = {unit_label(k): int(u) for k, u in zip(key, histories.unit, strict=True) if k[3]}
    faults = []
    for i, (label, s) in enumerate(zip(labels, shots, strict=True)):
        u = unit.get(str(label))
        if u is None:
            continue
        row = int(histories.last[u])
        dead = bool(np.isfinite(r.shots_failed[row]))
        end = float(r.shots_failed[row] if dead else r.shots_good[row])
        if s <= end:
            continue
        other = int(histories.order[row])
        how = "it failed at" if dead else "it was last known good at"
        text = (
            f"{what} of {label} at {s:g} shots, but {how} {end:g} in {where(other)}; allowed: readings up to "
            f"{end:g} shots" + ("" if dead else ", or a higher shots_good there")
        )
        faults.append(Fault(i, "shots", text, other))
    return faults
