"""A module made of slots: from records, an operating point and a history to the engine's models."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.slots.carried import (
    Carried,
    Factor,
    NotCarried,
    Point,
    Rules,
    carry,
    coordinate,
    fill_from_module,
    stress_of,
)
from reliability.slots.cells import SHAPE_PENALTY, SHAPES, Array, Penalty
from reliability.slots.early import EARLY, EARLY_SHAPE, LATE, split_early
from reliability.slots.engine import BIG, Part, SlotModel
from reliability.slots.exposure import Units, chains_of, module_clocks

STRESSES = ("charge_V", "temp_C", "rate_Hz")
Drift = Callable[[float, Array], Array]
"""Cumulative hazard of wear alone: shots on the unit, shots from now (q,) -> (q,)."""


@dataclass(frozen=True)
class Aboard:
    """A unit that the module carries.

    Attributes
    ----------
    slot, unit, part, lot : str
    stretches : tuple of (stress, shots)
        What it has fired, in order; stress is a mapping of column to level.
    """

    slot: str
    unit: str = ""
    part: str = ""
    lot: str = ""
    stretches: tuple[tuple[Mapping[str, float], float], ...] = ()

    @property
    def so_far(self) -> float:
        """Shots on it."""
        return float(sum(shots for _, shots in self.stretches))


@dataclass(frozen=True)
class Built:
    """A slot of a module: what it rests on, and its model.

    Attributes
    ----------
    aboard : Aboard
    carried : Carried
    model : SlotModel
    drift : callable or None
        Wear's own hazard, which adds to that of sudden failure.
    """

    aboard: Aboard
    carried: Carried
    model: SlotModel
    drift: Drift | None = None


@dataclass(frozen=True)
class Module:
    """All slots of a module at an operating point.

    Attributes
    ----------
    slots : tuple of Built
    point : Point
    unit : float
        Shots that the engine counts as one.
    notes : tuple of Note
    apart : Module or None
        The other reading, early failures apart from wear-out, where a slot has 3 failures or more;
        the shorter promise of both is given.
    misfit : bool
        Whether the data themselves speak for the other reading.
    """

    slots: tuple[Built, ...]
    point: Point
    unit: float
    notes: tuple[Note, ...] = ()
    apart: Module | None = None
    misfit: bool = False

    @property
    def factors(self) -> tuple[Factor, ...]:
        """How each side of the operating point is carried, slot by slot."""
        return tuple(f for s in self.slots for f in s.carried.factors)

    def drift(self, shots: Array) -> Array:
        """Summed drift hazard over so many more shots (q,)."""
        out = np.zeros(np.shape(shots))
        for s in self.slots:
            if s.drift is not None:
                out = out + np.asarray(s.drift(s.aboard.so_far, np.asarray(shots)))
        return out

    def only(self, slot: str) -> Module:
        """The module with one of its slots."""
        mine = tuple(s for s in self.slots if s.aboard.slot == slot)
        apart = None if self.apart is None else self.apart.only(slot)
        if apart is not None and len(apart.slots) == len(mine):
            apart = None
        return replace(self, slots=mine, apart=apart, misfit=self.misfit and apart is not None)


@dataclass(frozen=True)
class Choices:
    """Settings of the models.

    Attributes
    ----------
    rules : Rules
    shape : Penalty or None
        On ln shape.
    fixed_shape : float or None
        1 for exponential lives; then ``shape`` does not matter.
    units : mapping of slot to number
        Equal units in a slot, the first failure of which ends the module.
    drift : mapping of slot to Drift
    """

    rules: Rules = field(default_factory=Rules)
    shape: Penalty | None = SHAPE_PENALTY
    fixed_shape: float | None = None
    units: Mapping[str, float] = field(default_factory=dict)
    drift: Mapping[str, Drift] = field(default_factory=dict)


def commonest_point(records: LifeRecords, builder: str = "") -> Point:
    """The stresses at which most modules ran, and each slot's commonest part.

    Ties go to the lower stress and the first part of the alphabet; say the point in the sentence.
    """
    r = fill_from_module(records, STRESSES)
    module = np.unique(
        np.stack([r.builder.astype(str), r.module.astype(str)]), axis=1, return_inverse=True
    )[1]
    stress = {}
    for name in STRESSES:
        v = stress_of(r, name)
        known = ~np.isnan(v)
        if known.any():
            pairs = np.unique(np.stack([v[known], module.reshape(-1)[known]]), axis=1)
            values, counts = np.unique(pairs[0], return_counts=True)
            stress[name] = float(values[counts.argmax()])
    part = {}
    for slot in sorted(set(r.slot.tolist())):
        own = (r.slot == slot) & (r.part != "")
        if own.any():
            names, at = np.unique(r.part[own].astype(str), return_inverse=True)
            part[slot] = str(names[np.bincount(at.reshape(-1), r.count[own]).argmax()])
    return Point(stress, part, {}, builder)


def fresh_module(
    records: LifeRecords, point: Point, choices: Choices | None = None, slots: Sequence[str] = ()
) -> Module:
    """A new module of these slots (default: all in the records) at an operating point.

    Raises
    ------
    BadInput
        If a slot is not in the records.
    NotCarried
        With every slot's reasons.
    CannotAnswer
        If no unit of a slot was seen working.
    """
    names = sorted(set(records.slot.tolist()) - {""}) if not slots else list(slots)
    missing = [s for s in names if not (records.slot == s).any()]
    if missing or not names:
        raise BadInput(f"no records of slot {', '.join(missing) or '(any)'}")
    aboard = [Aboard(s, part=point.part.get(s, ""), lot=point.lot.get(s, "")) for s in names]
    return build(records, aboard, point, choices or Choices())


def flight_module(
    records: LifeRecords, module: str, stress: Mapping[str, float] | None = None,
    choices: Choices | None = None,
) -> Module:  # fmt: skip
    """One module with its own history, at the mission's stresses.

    The units on board leave the likelihood: they were selected to survive. ``stress`` overrides
    what the module's last records say, column by column.

    Raises
    ------
    BadInput
        If there is no such module.
    CannotAnswer
        If a slot's last unit has failed; NotCarried if the records do not carry the mission.
    """
    r = fill_from_module(records, STRESSES)
    aboard, rows, builder = units_aboard(r, module)
    own: dict[str, float] = {}
    for a in aboard:
        for name, level in a.stretches[-1][0].items():
            own.setdefault(name, level)
    point = Point(
        {**own, **(stress or {})}, {a.slot: a.part for a in aboard}, {a.slot: a.lot for a in aboard},
        builder,
    )  # fmt: skip
    keep = np.ones(len(r), bool)
    keep[rows] = False
    rest = sorted(set(r.slot.tolist()) - {a.slot for a in aboard} - {""})
    notes: tuple[Note, ...] = ()
    if rest:
        notes = (
            Note(
                "slots_missing",
                f"Module {module} has no record of {', '.join(rest)}; they are not in the promise.",
            ),
        )
    built = build(r, aboard, point, choices or Choices(), keep)
    return replace(built, notes=notes + built.notes)


def units_aboard(records: LifeRecords, module: str) -> tuple[list[Aboard], list[int], str]:
    """Units of a module still good: they, their rows, and the module's builder."""
    mine = np.flatnonzero(records.module == module)
    if not mine.size:
        some = ", ".join(sorted(set(records.module.tolist()))[:12])
        raise BadInput(f"no records of module {module!r}; there are, among others: {some}")
    builders = sorted(set(records.builder[mine].tolist()))
    if len(builders) > 1:
        raise BadInput(f"module {module!r} is named by several builders: {', '.join(builders)}")
    c = chains_of(records)
    out, used, dead = [], [], set()
    good = set()
    for a, z in zip(c.first, c.last):
        rows = c.rows[a : z + 1]
        end = rows[-1]
        if records.module[end] != module:
            continue
        slot = str(records.slot[end])
        if records.failed[end]:
            dead.add(slot)
            continue
        good.add(slot)
        used += rows.tolist()
        out.append(_aboard(records, rows))
    lost = sorted(dead - good)
    if lost:
        raise CannotAnswer(
            f"In module {module} the last unit of {', '.join(lost)} has failed and no good one is recorded. "
            "Record the replacement with its shots so far, then ask again."
        )
    return sorted(out, key=lambda a: (a.slot, a.unit)), used, builders[0]


def _aboard(r: LifeRecords, rows: np.ndarray) -> Aboard:
    def stress(i: int) -> dict[str, float]:
        values = {n: float(stress_of(r, n)[i]) for n in STRESSES}
        return {n: v for n, v in values.items() if np.isfinite(v)}

    first, end = rows[0], rows[-1]
    stretches = [(stress(first), float(r.shots_from[first]))] if r.shots_from[first] > 0 else []
    stretches += [(stress(i), float(r.shots_good[i] - r.shots_from[i])) for i in rows]
    try:
        lot = str(r.column("lot")[end])
    except KeyError:
        lot = ""
    return Aboard(str(r.slot[end]), str(r.unit[end]), str(r.part[end]), lot, tuple(stretches))


def build(
    records: LifeRecords, aboard: Sequence[Aboard], point: Point, choices: Choices,
    keep: np.ndarray | None = None,
) -> Module:  # fmt: skip
    """Models of units on board from the records (those that ``keep`` marks enter)."""
    r = fill_from_module(records, STRESSES)
    clocks = module_clocks(r)
    r = r if keep is None else r.select(keep)
    usable = r.shots_good[r.shots_good > 0]
    unit = float(np.median(usable)) if usable.size else 1.0
    refused: list[NotCarried] = []
    built: list[Built] = []
    for a in aboard:
        own = r.select(r.slot == a.slot)
        if not (np.where(own.failed, own.shots_failed, own.shots_good) > own.shots_from).any():
            raise CannotAnswer(f"{a.slot}: no unit but the one to fly was seen working; test one.")
        try:
            carried = carry(own, a.slot, point, choices.rules)
        except NotCarried as e:
            refused.append(e)
            continue
        built.append(
            Built(a, carried, _model(a, carried, choices, unit, clocks), choices.drift.get(a.slot))
        )
    if refused:
        raise NotCarried(
            "Not carried by these records. " + " ".join(str(e) for e in refused),
            tuple(f for e in refused for f in e.factors),
        )
    apart = _apart(built, choices, unit, clocks)
    notes = _notes(built)
    if apart is None:
        return Module(tuple(built), point, unit, notes)
    slots, early = apart
    second = Module(slots, point, unit, notes + early)
    return Module(tuple(built), point, unit, notes + early, second, bool(early))


def _apart(
    built: Sequence[Built], choices: Choices, unit: float, clocks: dict[tuple[str, str], float]
) -> tuple[tuple[Built, ...], tuple[Note, ...]] | None:
    """Slots with 3 failures or more as two each, and what the data say for it."""
    if choices.fixed_shape is not None:
        return None
    out: list[Built] = []
    notes = []
    split = False
    for b in built:
        s = split_early(b.carried, choices.shape, unit)
        if s is None:
            out.append(b)
            continue
        for records, shapes, shape, lent in (
            (s.early, EARLY, EARLY_SHAPE, ()), (s.late, LATE, choices.shape, b.carried.lent),
        ):  # fmt: skip
            part = replace(b.carried, own=records, lent=lent)
            out.append(Built(b.aboard, part, _model(b.aboard, part, replace(choices, shape=shape), unit, clocks, shapes),
                             b.drift if records is s.late else None))  # fmt: skip
        split = True
        if not s.flagged:
            continue
        what = "fit better" if s.gain > 0 else "fit about as well"
        notes.append(
            Note(
                "early_failures",
                f"{b.aboard.slot}: early failures ({s.failures} by {s.before:,.0f} shots) apart from wear-out {what} as one "
                "spread of lives; the shorter promise of both readings is given.",
            )
        )
    return (tuple(out), tuple(notes)) if split else None


def _model(
    a: Aboard, carried: Carried, choices: Choices, unit: float, clocks: dict[tuple[str, str], float],
    shapes: tuple[float, float, int] = SHAPES,
) -> SlotModel:  # fmt: skip
    cells = carried.cells(choices.shape, choices.fixed_shape, shapes)
    ref = carried.reference
    redrawn = shapes is SHAPES and carried.own.failures <= BIG  # a second reading is not simulated
    own = Units.of(carried.own, carried.coordinates(carried.own) - ref)
    lent = []
    for g in carried.lent:
        if g.failed.any():
            u = Units.of(g, carried.coordinates(g) - ref)
            lent.append(Part(u.tally(cells, unit), u.benches(unit, clocks)))
    return SlotModel(
        a.slot, cells, own.tally(cells, unit), own.benches(unit, clocks) if redrawn else None, tuple(lent),
        _aged(a, carried, cells.k, unit), cells.k @ (carried.at - ref), choices.units.get(a.slot, 1.0),
    )  # fmt: skip


def _aged(a: Aboard, carried: Carried, k: Array, unit: float) -> Array:
    """ln age of the unit on board at each stress coefficient, in shots at the reference stress."""
    age = np.zeros(k.shape[0])
    for stress, shots in a.stretches:
        x = np.array(
            [
                (float(coordinate(n, stress[n])) if n in stress else at) - zero
                for (n, _, _), at, zero in zip(carried.stresses, carried.at, carried.reference)
            ]
        )
        age += shots / unit * np.exp(k @ x if x.size else np.zeros(k.shape[0]))
    with np.errstate(divide="ignore"):
        return np.log(age)


def _notes(built: Sequence[Built]) -> tuple[Note, ...]:
    notes = []
    far = [f for s in built for f in s.carried.factors if f.beyond > 0]
    for f in far:
        notes.append(Note("extrapolated", f"{f.slot}: {f.text}."))
    prior = [
        f
        for s in built
        for f in s.carried.factors
        if f.status == "by a sourced prior" and f not in far
    ]
    for f in prior:
        notes.append(Note("prior_stress", f"{f.slot}: {f.text}."))
    for s in built:
        if s.carried.left_out:
            notes.append(Note("stress_unknown", f"{s.carried.left_out} records of {s.aboard.slot} without the stress "
                              "that differs between tests are left out."))  # fmt: skip
    return tuple(notes)


def at_stress(module: Module, name: str, level: float) -> tuple[SlotModel, ...]:
    """The module's models with one modelled stress moved to another level (for the inverse question).

    Slots whose law does not hold that stress stay as they are.
    """
    out = []
    for s in module.slots:
        names = [n for n, _, _ in s.carried.stresses]
        m = s.model
        if name in names:
            j = names.index(name)
            to = s.carried.at.copy()
            to[j] = float(coordinate(name, level))
            m = replace(m, shift=m.cells.k @ (to - s.carried.reference))
        out.append(m)
    return tuple(out)


def shape_penalty(median: float, spread: float, source: str) -> Penalty:
    """Penalty of a lognormal shape."""
    return Penalty(float(np.log(median)), spread, source)
