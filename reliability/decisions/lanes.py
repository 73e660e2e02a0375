"""Units of a module on its own axis of shots: where each stretch begins, and who came after whom.

Records count the shots of units, not of the module, and do not say when a unit was put in. So:

* a unit that failed, is a suspect or was taken out made room for the next one of its slot;
* a unit that is still good makes no room: another one of the slot stands beside it;
* of several that made room, the earlier ``date`` came first, then the name (``mai2`` before ``mai10``);
* a slot's first unit begins where its records begin (late entry), unless it came from another module.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reliability.histories import Histories
from reliability.records import LifeRecords
from reliability.words import unit_label

NAN = float("nan")


@dataclass(frozen=True)
class Stretch:
    """One stretch of a unit in its module.

    Attributes
    ----------
    builder, module, slot, unit, part, lot : str
        ``unit`` is its name; "" where it has none.
    label : str
        ``builder/module/slot/unit`` of its last stretch, by which the unit is asked for; "" without a name.
    track : int
        Units of one slot that work side by side stand on tracks of their own, from 0.
    begin, end : float
        On the module's axis; ``end`` is where it was last known good.
    found : float
        On the module's axis, where it was found failed; nan if it was not. Above ``end`` where the
        failure lies between two looks.
    shots_from, shots_good, shots_failed : float
        On the unit itself; ``shots_failed`` nan if it was not found failed.
    charge_V, temp_C : float
        nan where not recorded.
    ends : str
        ``failed``, ``suspect`` (one of several failed), ``looked bad`` or ``withdrawn`` (good, taken out),
        ``still good``, or ``goes on`` in a further stretch.
    mode, event, date : str
    count : float
        Equal units that the record stands for.
    moved : bool
        Whether the unit came from another module, or left for one.
    """

    builder: str
    module: str
    slot: str
    unit: str
    part: str
    lot: str
    label: str
    track: int
    begin: float
    end: float
    found: float
    shots_from: float
    shots_good: float
    shots_failed: float
    charge_V: float
    temp_C: float
    ends: str
    mode: str
    event: str
    date: str
    count: float
    moved: bool

    def on_module(self, shots: float) -> float:
        """A count of the unit as one of the module."""
        return self.begin + shots - self.shots_from

    @property
    def last(self) -> float:
        """Where the stretch ends on the module's axis, failed or not."""
        return self.found if self.found == self.found else self.end


_ENDS = {"suspect": "looked bad", "failure": "withdrawn"}


def how_it_ends(r: LifeRecords, i: int) -> str:
    """How the record ends that is its unit's last."""
    if np.isfinite(r.shots_failed[i]):
        return "suspect" if r.event[i] else "failed"
    return _ENDS.get(str(r.removed[i]), "still good")


def label_of(r: LifeRecords, i: int) -> str:
    """``builder/module/slot/unit`` of a record, as wear readings name it; "" without a unit's name."""
    if not r.unit[i]:
        return ""
    return unit_label((r.builder[i], r.module[i], r.slot[i], r.unit[i]))


def natural(text: str) -> tuple[tuple[int, str], ...]:
    """A name's place in an order where ``mai2`` comes before ``mai10``."""
    return tuple((int(p), "") if p.isdigit() else (-1, p) for p in re.split(r"(\d{1,15})", text))


@dataclass(frozen=True)
class _Stay:
    """One unit's rows, in order, while it was in one module."""

    rows: Sequence[int]
    unit: int
    came: bool
    left: bool


def lanes(h: Histories, modules: Sequence[tuple[str, str]]) -> tuple[Stretch, ...]:
    """The stretches in these modules (builder and name), by module, slot, track and place.

    Records without a module are passed over: they have no axis to stand on.
    """
    wanted = set(modules)
    stays: dict[tuple[str, str, str], list[_Stay]] = defaultdict(list)
    r = h.records
    for u in range(len(h)):
        rows = list(h.rows_of(u))
        for part in _by_module(r, rows):
            key = (str(r.builder[part[0]]), str(r.module[part[0]]))
            if key in wanted:
                stay = _Stay(part, u, part[0] != rows[0], part[-1] != rows[-1])
                stays[(*key, str(r.slot[part[0]]))].append(stay)
    out: list[Stretch] = []
    for place in sorted(stays):
        out += _slot(h, stays[place])
    return tuple(out)


def _by_module(r: LifeRecords, rows: Sequence[int]) -> list[list[int]]:
    out: list[list[int]] = []
    for i in rows:
        if out and r.module[out[-1][-1]] == r.module[i]:
            out[-1].append(i)
        else:
            out.append([i])
    return out


def _slot(h: Histories, stays: list[_Stay]) -> list[Stretch]:
    """Units of one slot of one module, each after the one that made room for it."""
    r = h.records
    dates = r.labels.get("date")

    def place(s: _Stay) -> tuple[str, bool, tuple[tuple[int, str], ...]]:
        i = s.rows[-1]
        stays_on = not s.left and how_it_ends(r, i) == "still good"
        return "" if dates is None else str(dates[s.rows[0]]), stays_on, natural(str(r.unit[i]))

    tracks: list[float] = []  # where the next unit of each would begin; inf where there is no room
    out: list[Stretch] = []
    for s in sorted(stays, key=place):
        free = next((k for k, at in enumerate(tracks) if np.isfinite(at)), len(tracks))
        first = s.rows[0]
        start = (
            tracks[free] if free < len(tracks) else 0.0 if s.came else float(r.shots_from[first])
        )
        own = _stretches(h, s, free, start)
        good = own[-1].ends == "still good"
        tracks[free : free + 1] = [np.inf if good else own[-1].last]
        out += own
    return sorted(out, key=lambda x: (x.track, x.begin))


def _stretches(h: Histories, s: _Stay, track: int, begin: float) -> list[Stretch]:
    r = h.records
    last = int(h.last[s.unit])

    def number(name: str, i: int) -> float:
        values = r.covariates.get(name)
        return NAN if values is None else float(values[i])

    def text(name: str, i: int) -> str:
        values = r.labels.get(name)
        return "" if values is None else str(values[i])

    out = []
    for i in s.rows:
        start, good, dead = (float(v[i]) for v in (r.shots_from, r.shots_good, r.shots_failed))
        failed = np.isfinite(dead)
        goes_on = i != last
        out.append(
            Stretch(
                str(r.builder[i]), str(r.module[i]), str(r.slot[i]), str(r.unit[i]), str(r.part[i]), str(r.lot[i]),
                label_of(r, last), track, begin, begin + good - start, begin + dead - start if failed else NAN,
                start, good, dead if failed else NAN, number("charge_V", i), number("temp_C", i),
                "goes on" if goes_on else how_it_ends(r, i), str(r.mode[i]), str(r.event[i]), text("date", i),
                float(r.count[i]), s.came or s.left,
            )
        )  # fmt: skip
        begin += good - start
    return out
