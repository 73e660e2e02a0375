"""LifeRecords: validated life data, all that the statistics know of any data.

A life record says what is known of the shot count at which a unit failed:

==============  =============================================================
exact           ``shots_good == shots_failed``
right-censored  ``shots_failed`` infinite: not failed at ``shots_good``
left-censored   ``shots_good == 0``: failed before ``shots_failed``
interval        failed after ``shots_good`` and not after ``shots_failed``
late entry      ``shots_from > 0``: already on it when observation began
==============  =============================================================

Several records of one unit are its stretches; ``histories`` puts them together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
UNKNOWN = "unknown"
REMOVED = ("", "end", "failure", "suspect")
"""why a good unit was taken out: the test ended (also when empty), another unit failed, or it looked bad"""
_BASE = (
    "builder", "module", "slot", "unit", "part", "mode", "lot", "event", "removed",
    "shots_from", "shots_good", "shots_failed", "count",
)  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """One broken rule: which record (0-based), which column, what is wrong and what is allowed.

    ``other`` is the record that it contradicts, None where the record is wrong by itself.
    """

    row: int
    column: str
    message: str
    other: int | None = None


class InvalidRecords(ValueError):
    """Life data that break the rules; ``faults`` lists every one of them."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = faults
        shown = "; ".join(f"record {f.row}: {f.column}: {f.message}" for f in faults[:5])
        more = f" (and {len(faults) - 5} more)" if len(faults) > 5 else ""
        super().__init__(shown + more)


def _not_finite(name: str) -> Callable[[int], str]:
    return lambda i: f"{name} must be a finite number of shots"


def _negative(values: FloatArray) -> Callable[[int], str]:
    return lambda i: f"{values[i]:g} is negative; shots are 0 or more"


def find_faults(
    shots_from: FloatArray,
    shots_good: FloatArray,
    shots_failed: FloatArray,
    count: FloatArray,
) -> list[Fault]:
    """Every broken rule in the four numeric life columns (``shots_failed`` inf = not failed)."""
    faults: list[Fault] = []

    def rule(bad: BoolArray, column: str, text: Callable[[int], str]) -> None:
        faults.extend(Fault(int(i), column, text(int(i))) for i in np.flatnonzero(bad))

    for name, values in (("shots_from", shots_from), ("shots_good", shots_good)):
        rule(~np.isfinite(values), name, _not_finite(name))
        rule(values < 0, name, _negative(values))
    rule(
        np.isnan(shots_failed), "shots_failed", lambda i: "not a number; leave empty if not failed"
    )
    rule(shots_failed < 0, "shots_failed", _negative(shots_failed))
    rule(
        (shots_good > shots_failed) & (shots_failed >= 0),
        "shots_failed",
        lambda i: (
            f"failed at {shots_failed[i]:g} but known good at {shots_good[i]:g}; "
            "shots_failed must not be below shots_good (empty = not failed)"
        ),
    )
    rule(
        (shots_failed == 0) & (shots_good == 0),
        "shots_failed",
        lambda i: (
            "failure at 0 shots has no place in a life model; if it was found dead at its first "
            "inspection, give shots_good 0 and that inspection's count"
        ),
    )
    rule(
        (shots_good < shots_from) & (shots_good >= 0),
        "shots_good",
        lambda i: (
            f"known good at {shots_good[i]:g} is below shots_from {shots_from[i]:g}; "
            "a unit is good when its observation begins"
        ),
    )
    rule(
        (shots_failed <= shots_from) & (shots_from > 0) & (shots_failed >= shots_good),
        "shots_failed",
        lambda i: (
            f"failed at {shots_failed[i]:g}, not after observation began at {shots_from[i]:g}"
        ),
    )
    rule(
        ~(np.isfinite(count) & (count >= 1) & (count == np.floor(count))),
        "count",
        lambda i: f"{count[i]:g} is not a whole number of 1 or more",
    )
    faults.sort(key=lambda f: (f.row, f.column))
    return faults


def _texts(values: Iterable[object] | None, n: int, blank: str) -> NDArray[np.object_]:
    out = np.full(n, blank, dtype=object)
    if values is not None:
        for i, v in enumerate(values):
            if v is not None and v == v and v != "":
                out[i] = str(v)
    return out


def mode_set(mode: str) -> str:
    """A mode, or a set of possible modes ``short|open``, in one spelling: sorted, each once.

    A set that holds ``unknown`` is unknown.
    """
    if "|" not in mode:
        return mode
    parts = sorted({p.strip() for p in mode.split("|")} - {""})
    return UNKNOWN if UNKNOWN in parts or not parts else "|".join(parts)


def possible_modes(mode: str) -> frozenset[str]:
    """The modes of a set; empty for ``""`` and ``unknown`` (any mode)."""
    return frozenset() if mode in ("", UNKNOWN) else frozenset(mode.split("|"))


def removal_faults(removed: Iterable[object], shots_failed: FloatArray) -> list[Fault]:
    """Every broken rule in the column ``removed``."""
    faults = []
    for i, why in enumerate(removed):
        if why not in REMOVED:
            allowed = ", ".join(REMOVED[1:])
            text = f"{str(why)[:40]!r} is not known; allowed: {allowed}, or empty (= end)"
            faults.append(Fault(i, "removed", text))
        elif why in ("failure", "suspect") and np.isfinite(shots_failed[i]):
            text = (
                f"{why!r} says why a good unit was taken out, but this one failed at "
                f"{shots_failed[i]:g}; allowed here: empty"
            )
            faults.append(Fault(i, "removed", text))
    return faults


def _fixed(flags: BoolArray) -> BoolArray:
    """Flags that nobody can change: they are kept and shared."""
    flags.setflags(write=False)
    return flags


@dataclass(frozen=True)
class LifeRecords:
    """Validated life records, one array element a record.

    Attributes
    ----------
    shots_from, shots_good, shots_failed : float arrays (n,)
        Counts in shots (or any unit of life); ``shots_failed`` is inf when not failed.
    count : float array (n,)
        Identical units the record stands for, 1 or more.
    mode : object array (n,)
        Failure mode, ``""`` where not failed, ``"unknown"`` where failed without a known cause,
        ``"open|short"`` where it was one of these.
    builder, module, slot, unit, part, lot : object arrays (n,)
        Labels, ``""`` where not given.
    event : object array (n,)
        Label of a failure with several suspects: one of its units failed, the others did not.
    removed : object array (n,)
        Why a good unit was taken out, one of ``REMOVED``.
    covariates : mapping of name to float array (n,)
        Stresses and other numbers; nan where not given.
    labels : mapping of name to object array (n,)
        Other texts; ``""`` where not given.

    Build with `LifeRecords.of`, which checks; the constructor does not.

    Examples
    --------
    >>> LifeRecords.of([4120, 6000], [4120, float("inf")]).units
    2.0
    """

    shots_from: FloatArray
    shots_good: FloatArray
    shots_failed: FloatArray
    count: FloatArray
    mode: NDArray[np.object_]
    builder: NDArray[np.object_]
    module: NDArray[np.object_]
    slot: NDArray[np.object_]
    unit: NDArray[np.object_]
    part: NDArray[np.object_]
    lot: NDArray[np.object_]
    event: NDArray[np.object_]
    removed: NDArray[np.object_]
    covariates: Mapping[str, FloatArray] = field(default_factory=dict)
    labels: Mapping[str, NDArray[np.object_]] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        shots_good: Iterable[float],
        shots_failed: Iterable[float] | None = None,
        *,
        shots_from: Iterable[float] | None = None,
        count: Iterable[float] | None = None,
        mode: Iterable[object] | None = None,
        builder: Iterable[object] | None = None,
        module: Iterable[object] | None = None,
        slot: Iterable[object] | None = None,
        unit: Iterable[object] | None = None,
        part: Iterable[object] | None = None,
        lot: Iterable[object] | None = None,
        event: Iterable[object] | None = None,
        removed: Iterable[object] | None = None,
        covariates: Mapping[str, Iterable[float]] | None = None,
        labels: Mapping[str, Iterable[object]] | None = None,
    ) -> LifeRecords:
        """Check and build.

        ``shots_failed`` None means that nothing failed; inf or nan in it means the same for a
        record.

        Raises
        ------
        InvalidRecords
            With every broken rule.
        ValueError
            If the columns differ in length.

        Examples
        --------
        >>> LifeRecords.of([100, 250], [100, float("inf")]).failures
        1.0
        """

        def numbers(values: Iterable[float] | None, default: float) -> FloatArray:
            if values is None:
                return np.full(n, default)
            out = np.array(list(values) if not isinstance(values, np.ndarray) else values, float)
            if out.shape != (n,):
                raise ValueError(f"all columns must have the same length, {n}")
            return out

        good = np.array(
            list(shots_good) if not isinstance(shots_good, np.ndarray) else shots_good, float
        )
        n = good.size
        failed = numbers(shots_failed, np.inf)
        failed = np.where(np.isnan(failed), np.inf, failed)
        begun = numbers(shots_from, 0.0)
        begun = np.where(np.isnan(begun), 0.0, begun)
        counts = numbers(count, 1.0)
        counts = np.where(np.isnan(counts), 1.0, counts)
        why = _texts(removed, n, "")
        faults = find_faults(begun, good, failed, counts) + removal_faults(why, failed)
        if faults:
            raise InvalidRecords(faults)
        modes = np.array([*map(mode_set, _texts(mode, n, "")), ""], object)[:n]
        dead = np.isfinite(failed)
        modes[dead & (modes == "")] = UNKNOWN
        modes[~dead] = ""
        return cls(
            begun,
            good,
            failed,
            counts,
            modes,
            _texts(builder, n, ""),
            _texts(module, n, ""),
            _texts(slot, n, ""),
            _texts(unit, n, ""),
            _texts(part, n, ""),
            _texts(lot, n, ""),
            _texts(event, n, ""),
            why,
            {k: numbers(v, np.nan) for k, v in (covariates or {}).items()},
            {k: _texts(v, n, "") for k, v in (labels or {}).items()},
        )

    def __len__(self) -> int:
        return int(self.shots_good.size)

    def __getstate__(self) -> dict[str, object]:
        """The records alone, so that the same records are the same bytes whatever was asked of them."""
        return {f.name: getattr(self, f.name) for f in fields(self)}

    @cached_property
    def failed(self) -> BoolArray:
        """Which records end in a failure."""
        return _fixed(np.isfinite(self.shots_failed))

    @cached_property
    def exact(self) -> BoolArray:
        """Which failures are known to the shot."""
        return _fixed(self.failed & (self.shots_good == self.shots_failed))

    @cached_property
    def right(self) -> BoolArray:
        """Which units were still good when last seen."""
        return _fixed(~self.failed)

    @cached_property
    def left(self) -> BoolArray:
        """Which units were found failed at their first inspection."""
        return _fixed(self.failed & (self.shots_good == 0) & ~self.exact)

    @cached_property
    def interval(self) -> BoolArray:
        """Which failures lie between two inspections."""
        return _fixed(self.failed & ~self.exact & ~self.left)

    @cached_property
    def continued(self) -> BoolArray:
        """Which records are stretches that a later record of the same unit goes on from.

        For counting only; ``histories.Histories`` puts units together and finds contradictions.
        """
        out = np.zeros(len(self), bool)
        begun = np.flatnonzero((self.shots_from > 0) & (self.unit != ""))
        if not begun.size:
            return out
        names = list(
            zip(self.builder.tolist(), self.slot.tolist(), self.unit.tolist(), strict=True)
        )
        starts: dict[tuple[object, ...], list[int]] = {}
        for j in begun.tolist():
            starts.setdefault((*names[j], self.shots_from[j]), []).append(j)
        alive = np.flatnonzero(
            ~self.failed & (self.unit != "") & (self.shots_good > self.shots_from)
        )
        here: list[tuple[int, list[int]]] = []
        for i in alive.tolist():
            found = starts.get((*names[i], self.shots_good[i]))
            if found:
                here.append((i, found))
        own = {j for i, found in here for j in found if self.module[j] == self.module[i]}
        for i, found in here:
            out[i] = any(self.module[j] == self.module[i] or j not in own for j in found)
        return out

    @property
    def units(self) -> float:
        """Number of units, counts included; a unit counts once, however many stretches it has."""
        return float(self.count[~self.continued].sum())

    @property
    def failures(self) -> float:
        """Number of failed units, counts included; a failure with several suspects counts once."""
        single = self.failed & (self.event == "")
        if single.all() or not (self.event != "").any():
            return float(self.count[self.failed].sum())
        own = self.event != ""
        events = set(zip(self.builder[own], self.module[own], self.event[own], strict=True))
        return float(self.count[single].sum()) + len(events)

    def select(self, mask: BoolArray | NDArray[np.intp]) -> LifeRecords:
        """The records for which ``mask`` holds (or at these indices)."""
        return LifeRecords(
            **{name: getattr(self, name)[mask] for name in _BASE},
            covariates={k: v[mask] for k, v in self.covariates.items()},
            labels={k: v[mask] for k, v in self.labels.items()},
        )

    def of_mode(self, mode: str) -> LifeRecords:
        """Cause-specific view: failures by other modes become right-censored at their last good
        count. A failure of unknown mode, or of one of several, counts as censored too, which is
        too hopeful: where there are such, fit the modes together (``life.masked``).
        """
        other = self.failed & (self.mode != mode)
        failed = np.where(other, np.inf, self.shots_failed)
        modes = np.where(other, "", self.mode)
        events = np.where(other, "", self.event)
        return replace(self, shots_failed=failed, mode=modes, event=events)

    def suspects_failed(self) -> LifeRecords:
        """The safe reading of units taken out because they looked bad: failed at their last count.

        They were taken out for what they showed, so counting them as good there is too hopeful; the
        records as they stand are the other reading. Their mode is unknown. A unit without a shot
        (good at 0, or at the count where its watch began) stays as it is.
        """
        fired = self.shots_good > np.maximum(self.shots_from, 0.0)
        bad = (self.removed == "suspect") & ~self.failed & fired
        return replace(
            self,
            shots_failed=np.where(bad, self.shots_good, self.shots_failed),
            mode=np.where(bad, UNKNOWN, self.mode),
            removed=np.where(bad, "", self.removed),
        )

    def column(self, name: str) -> NDArray[np.object_] | FloatArray:
        """A column by its name in the life sheet.

        Raises
        ------
        KeyError
            If there is no such column.
        """
        if name in self.covariates:
            return self.covariates[name]
        if name in self.labels:
            return self.labels[name]
        if name in _BASE:
            column: NDArray[np.object_] | FloatArray = getattr(self, name)
            return column
        raise KeyError(name)

    @property
    def column_names(self) -> list[str]:
        """All columns that can be asked for."""
        return [*_BASE, *self.covariates, *self.labels]


def join(parts: Iterable[LifeRecords]) -> LifeRecords:
    """Several sets of records as one; covariates missing in a part become nan."""
    parts = list(parts)
    names = list(dict.fromkeys(k for p in parts for k in p.covariates))
    texts = list(dict.fromkeys(k for p in parts for k in p.labels))
    return LifeRecords(
        **{b: np.concatenate([getattr(p, b) for p in parts]) for b in _BASE},
        covariates={
            k: np.concatenate([p.covariates.get(k, np.full(len(p), np.nan)) for p in parts])
            for k in names
        },
        labels={
            k: np.concatenate([p.labels.get(k, np.full(len(p), "", dtype=object)) for p in parts])
            for k in texts
        },
    )
