"""What happened to the modules? Their units along shots, and one unit's place among those like it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import model_validator

from reliability.decisions.lanes import Stretch, label_of, lanes, natural
from reliability.decisions.parts import Step, steps_of
from reliability.decisions.question import (
    Answer,
    Count,
    OnRecords,
    confidence_setting,
    refuse_unless,
    setting,
)
from reliability.histories import Histories
from reliability.notes import BadInput, Note
from reliability.pool import Pool
from reliability.records import InvalidRecords, LifeRecords
from reliability.words import counted, percent_text, so_many_shots, volts_text, whole

NAN = float("nan")
LIKE = ("charge_V", "temp_C")
"""stresses at which units must have run to be like each other"""
MOST_EVENTS = 2000
"""readings, and misfires, that a picture shows"""


@dataclass(frozen=True)
class ModuleHistory:
    """One module: its shots so far, units ever in it, how many failed and how many were swapped."""

    builder: str
    module: str
    shots: float
    units: Count
    failed: Count
    suspected: Count
    swaps: int


@dataclass(frozen=True)
class ReadingSeen:
    """A wear reading: ``shots`` on the unit, ``at`` on the module's axis."""

    label: str
    module: str
    slot: str
    track: int
    at: float
    shots: float
    quantity: str
    value: float


@dataclass(frozen=True)
class MisfireSeen:
    """A misfire: ``shots`` on the unit, ``at`` on the module's axis."""

    label: str
    module: str
    slot: str
    track: int
    at: float
    shots: float


@dataclass(frozen=True)
class UnitPlace:
    """One unit among the units like it: same slot, part, voltage and temperature all their life.

    Attributes
    ----------
    label, slot, part : str
    stress : str
        Voltage and temperature in words, "" where none is recorded.
    shots : float
        Where it failed (or was found so), or was last known good.
    ends : str
        See ``Stretch``.
    n, failed : number
        Units like it, itself among them, and how many of them failed.
    curve : tuple of Step
        Share of them still good, without a family; empty where none failed.
    survival, lower, upper : float
        The curve at its count; nan without a curve.
    why_not : str
        Why there is no curve, else "".
    stretches : tuple of Stretch
        Its whole record, in every module it was in.
    readings : tuple of ReadingSeen
    misfires : int
    """

    label: str
    slot: str
    part: str
    stress: str
    shots: float
    ends: str
    n: Count
    failed: Count
    curve: tuple[Step, ...]
    survival: float
    lower: float
    upper: float
    why_not: str
    stretches: tuple[Stretch, ...]
    readings: tuple[ReadingSeen, ...]
    misfires: int

    @property
    def sentence(self) -> str:
        """Where it stands, in one sentence."""
        text = f"{self.label} {_ENDED[self.ends]} {so_many_shots(self.shots)}"
        if self.why_not:
            return f"{text}; {self.why_not}"
        share = percent_text(self.survival)
        return f"{text}; {share} of the {self.n:g} units like it last that long ({self.failed:g} of them failed)."


_ENDED = {
    "failed": "failed by", "suspect": "is one of the suspects of a failure at", "looked bad": "was taken out, looking bad, at",
    "withdrawn": "was taken out, still good, at", "still good": "is still good at",
}  # fmt: skip


@dataclass(frozen=True)
class HistoryAnswer(Answer):
    """Modules as lanes over shots.

    Attributes
    ----------
    total : int
        Modules under the filters; ``modules`` are those shown.
    modules : tuple of ModuleHistory
    stretches : tuple of Stretch
        By module, slot, track and place.
    readings : tuple of ReadingSeen
    misfires : tuple of MisfireSeen
    loose : number
        Units without a module's name: they have no lane.
    unit : UnitPlace or None
        The unit asked for.
    confidence : float
        Of the limits on its curve.

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.History(module=("kite-03",)), rl.demo())
    >>> a.modules[0].failed, a.modules[0].swaps
    (3, 3)
    """

    total: int
    modules: tuple[ModuleHistory, ...]
    stretches: tuple[Stretch, ...]
    readings: tuple[ReadingSeen, ...]
    misfires: tuple[MisfireSeen, ...]
    loose: Count
    unit: UnitPlace | None
    confidence: float

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        if self.unit is not None:
            return self.unit.sentence
        if not self.modules:
            return f"None of these {self.loose:g} units has a module's name, so there is no lane to draw."
        failed = sum(m.failed for m in self.modules)
        units = sum(m.units for m in self.modules)
        swaps = sum(m.swaps for m in self.modules)
        who = (
            f"Module {self.modules[0].module}"
            if len(self.modules) == 1
            else f"{len(self.modules)} of {self.total} modules"
            if self.total > len(self.modules)
            else f"{len(self.modules)} modules"
        )
        up_to = "" if len(self.modules) == 1 else "up to "
        text = (
            f"{who}: {up_to}{so_many_shots(max(m.shots for m in self.modules))}, {units:g} units, "
            f"{failed:g} failed, {swaps} swapped"
        )
        events = {(s.builder, s.module, s.event) for s in self.stretches if s.ends == "suspect"}
        if events:
            some = "failure" if len(events) == 1 else "failures"
            text += f"; {len(events)} {some} with several suspects"
        return text + "."


class History(OnRecords):
    """What happened to the modules: each slot's units over shots, with swaps, voltages and failures.

    A unit asked for is shown with its record, and its place among the units like it.

    Examples
    --------
    >>> History(most=3).most
    3
    """

    name = "history"
    text = "What happened to the modules: units, swaps, voltages, failures, readings and misfires over shots."
    needs = ("life", "wear", "misfires")
    answer_type = HistoryAnswer

    module: tuple[str, ...] = setting((), "Only this module.", of="module")
    most: int = setting(6, "Modules shown, by name, where none is chosen.", ge=1, le=100)
    unit: str = setting(
        "", "A unit, for its record and its place among units like it.", of="unit",
        hint="BUILDER/MODULE/SLOT/UNIT",
    )  # fmt: skip
    confidence: float = confidence_setting(text="One-sided confidence of the limits on its curve.")

    @model_validator(mode="after")
    def _sound(self) -> History:
        refuse_unless(self.confidence == 0.95 or bool(self.unit), "confidence", "it goes with unit")
        refuse_unless(self.most == 6 or not self.module, "most", "modules are chosen")
        return self

    def answer(self, pool: Pool) -> HistoryAnswer:
        """The lanes.

        Raises
        ------
        BadInput
            For a module or unit that is not there; where records of one unit contradict each other.
        CannotAnswer
            Where nothing is stored.
        """
        return _History(self.as_recorded(pool), pool, self).answer()


class _History:
    """The lanes while they are worked out."""

    def __init__(self, records: LifeRecords, pool: Pool, q: History) -> None:
        self.pool, self.q = pool, q
        try:
            self.h = Histories.of(records, events=False)
        except InvalidRecords as e:
            raise BadInput(
                f"records of one unit contradict each other: {e}. 'shotlife records --contradictions' lists all in a "
                "store, and how to mend them."
            ) from None
        self.all = _modules(records)

    def answer(self) -> HistoryAnswer:
        q, r = self.q, self.h.records
        u = self.row_of(q.unit) if q.unit else None
        wanted = self.wanted(u)
        found = lanes(self.h, wanted)
        places = _Places(self.h, found)
        unit = None if u is None else self.unit(u)
        loose = r.count[(r.module == "") & ~r.continued].sum()
        return HistoryAnswer(
            len(self.all), tuple(_summary(b, m, found) for b, m in wanted), found,
            self.readings(places)[:MOST_EVENTS], self.misfires(places)[:MOST_EVENTS], whole(float(loose)),
            unit, q.confidence, notes=self.notes(found),
        )  # fmt: skip

    def wanted(self, u: int | None) -> list[tuple[str, str]]:
        """Modules shown: those chosen, those of the unit asked for (its number), or the first ones."""
        if not self.q.module:
            return self.all[: self.q.most] if u is None else self.modules_of(u)
        known = {m for _, m in self.all}
        for name in self.q.module:
            if name not in known:
                some = ", ".join(sorted(known)[:12]) or "none"
                raise BadInput(
                    f"no records of module {name!r} under these filters; there are, among others: {some}"
                )
        return [key for key in self.all if key[1] in self.q.module]

    def modules_of(self, u: int) -> list[tuple[str, str]]:
        """The modules that a unit was in."""
        return _modules(self.h.records.select(np.array(self.h.rows_of(u), np.intp)))

    def row_of(self, label: str) -> int:
        """Number of the unit of that label. Raises BadInput."""
        r = self.h.records
        for i in np.flatnonzero(r.unit != "").tolist():
            if label_of(r, i) == label:
                return int(self.h.unit[i])
        some = [label_of(r, i) for i in self.h.last.tolist()]
        near = [x for x in some if x][:3]
        raise BadInput(
            f"no unit {label[:80]!r} under these filters; allowed: builder/module/slot/unit, such as "
            f"{', '.join(near) or 'none here has a name'}"
        )

    def unit(self, u: int) -> UnitPlace:
        """The unit asked for, among those like it."""
        h = self.h
        own = lanes(h, self.modules_of(u))
        label = label_of(h.records, int(h.last[u]))
        mine = tuple(sorted((s for s in own if s.label == label), key=lambda s: s.shots_from))
        last = mine[-1]
        shots = last.shots_failed if last.shots_failed == last.shots_failed else last.shots_good
        like, stress, why = self.like(u)
        steps = () if why else steps_of(like.lives(), self.q.confidence)
        if not steps and not why:
            why = f"none of the {like.records.units:g} units like it has failed."
        here = _at(steps, shots)
        places = _Places(h, mine)
        return UnitPlace(
            label, last.slot, last.part, stress, shots, last.ends, whole(like.records.units), whole(like.records.failures), steps,
            *here, why, mine, self.readings(places), len(self.misfires(places)),
        )  # fmt: skip

    def like(self, u: int) -> tuple[Histories, str, str]:
        """Units of the same slot and part at the same voltage and temperature all their life."""
        h, r = self.h, self.h.records
        row = int(h.last[u])
        same = (r.slot[h.last] == r.slot[row]) & (r.part[h.last] == r.part[row])
        words = []
        for name in LIKE:
            values = r.covariates.get(name)
            if values is None:
                continue
            low, high = (_per_unit(f, values, h) for f in (np.fmin, np.fmax))
            if low[u] != high[u] and not np.isnan(low[u]):
                return h.select(same), "", (
                    f"its {_NAME[name]} was changed on the way ({low[u]:g} to {high[u]:g} {_UNIT[name]}), so no curve of "
                    "units at one stress is its own."
                )  # fmt: skip
            alike = np.isnan(low) if np.isnan(low[u]) else (low == low[u]) & (high == high[u])
            same = same & alike
            if not np.isnan(low[u]):
                words.append(volts_text(low[u]) if name == "charge_V" else f"{low[u]:g} deg C")
        return h.select(same), ", ".join(words), ""

    def readings(self, where: _Places) -> tuple[ReadingSeen, ...]:
        """Wear readings of the units at these places."""
        w = self.pool.wear
        if w is None:
            return ()
        labels = w.labels
        out = []
        for i in np.flatnonzero(np.isin(labels, list(where.last))).tolist():
            if (s := where.of(str(labels[i]), float(w.shots[i]))) is not None:
                at = s.on_module(float(w.shots[i]))
                out.append(
                    ReadingSeen(s.label, s.module, s.slot, s.track, at, float(w.shots[i]), str(w.quantity[i]), float(w.value[i]))
                )  # fmt: skip
        return tuple(sorted(out, key=lambda x: (x.label, x.quantity, x.shots)))

    def misfires(self, where: _Places) -> tuple[MisfireSeen, ...]:
        """Misfires of the units at these places."""
        e = self.pool.misfires
        if e is None:
            return ()
        out = []
        for i in np.flatnonzero(np.isin(e.system, list(where.last))).tolist():
            if (s := where.of(str(e.system[i]), float(e.shots[i]))) is not None:
                at = s.on_module(float(e.shots[i]))
                out.append(MisfireSeen(s.label, s.module, s.slot, s.track, at, float(e.shots[i])))
        return tuple(sorted(out, key=lambda x: (x.label, x.shots)))

    def notes(self, found: Sequence[Stretch]) -> tuple[Note, ...]:
        text = (
            "Records count the shots of units and do not say when one was put in: a unit that failed or was taken out is "
            "followed by the next of its slot, by date, then by name; units still good stand side by side."
        )
        notes = [Note("order_of_units", text)] if any(s.begin > 0 for s in found) else []
        if not self.q.module and not self.q.unit and len(self.all) > self.q.most:
            left = len(self.all) - self.q.most
            text = f"{counted(left, 'more module')} {'is' if left == 1 else 'are'} not shown; choose by module, or ask for more."
            notes.append(Note("more_modules", text))
        return tuple(notes)


_NAME = {"charge_V": "voltage", "temp_C": "temperature"}
_UNIT = {"charge_V": "V", "temp_C": "deg C"}


class _Places:
    """Where a count of a unit lies among its stretches; a unit is known by its label in any module.

    ``last`` gives for each label under which readings may stand the one of the unit's last stretch.
    """

    def __init__(self, h: Histories, found: Sequence[Stretch]) -> None:
        r = h.records
        self.by_label: dict[str, list[Stretch]] = {}
        for s in found:
            self.by_label.setdefault(s.label, []).append(s)
        self.last: dict[str, str] = {}
        for i in np.flatnonzero(r.unit != "").tolist():
            last = label_of(r, int(h.last[h.unit[i]]))
            if last in self.by_label:
                self.last[label_of(r, i)] = last

    def of(self, label: str, shots: float) -> Stretch | None:
        """The stretch in which the unit fired that shot, None where it is not among those shown."""
        own = self.by_label[self.last[label]]
        for s in own:
            end = s.shots_failed if s.shots_failed == s.shots_failed else s.shots_good
            if s.shots_from <= shots <= end:
                return s
        return None


def _modules(r: LifeRecords) -> list[tuple[str, str]]:
    """Builder and name of every module, in the order of their names."""
    pairs = {(b, m) for b, m in zip(r.builder.tolist(), r.module.tolist(), strict=True) if m}
    return sorted(pairs, key=lambda p: (p[0], natural(p[1])))


def _summary(builder: str, module: str, found: Sequence[Stretch]) -> ModuleHistory:
    own = [s for s in found if (s.builder, s.module) == (builder, module)]
    ends = [s for s in own if s.ends != "goes on" or s.moved]
    units = {(s.slot, s.track, s.label or s.begin): s.count for s in own}
    lanes_used = len({(s.slot, s.track) for s in own})
    return ModuleHistory(
        builder, module, max(s.last for s in own), whole(sum(units.values())),
        whole(sum(s.count for s in ends if s.ends == "failed")), whole(sum(s.count for s in ends if s.ends == "suspect")),
        len(units) - lanes_used,
    )  # fmt: skip


def _per_unit(ufunc: np.ufunc, values: np.ndarray, h: Histories) -> np.ndarray:
    """Least or greatest of a stress over each unit's stretches; nan where it has none."""
    return np.asarray(ufunc.reduceat(values, h.first), float) if len(h) else np.zeros(0)


def _at(steps: Sequence[Step], shots: float) -> tuple[float, float, float]:
    """The curve, with its limits, just after a count."""
    if not steps:
        return NAN, NAN, NAN
    before = [s for s in steps if s.shots <= shots]
    if not before:
        return 1.0, NAN, NAN
    s = before[-1]
    return s.survival, s.lower, s.upper
