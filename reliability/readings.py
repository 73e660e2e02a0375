"""Wear readings and recurrent events as validated arrays: what the wear statistics know of data."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.notes import BadInput
from reliability.words import unit_label

Array = NDArray[np.float64]


@dataclass(frozen=True)
class WearReadings:
    """Measured quantities of units at shot counts, one element a reading.

    Attributes
    ----------
    builder, module, slot, unit, quantity : object arrays (n,)
    shots, value : float arrays (n,)

    Examples
    --------
    >>> import reliability as rl
    >>> len(rl.demo().readings.of_quantity("fuel_mass_mg")) > 100
    True
    """

    builder: NDArray[np.object_]
    module: NDArray[np.object_]
    slot: NDArray[np.object_]
    unit: NDArray[np.object_]
    quantity: NDArray[np.object_]
    shots: Array
    value: Array

    def __len__(self) -> int:
        return int(self.shots.size)

    def select(self, mask: NDArray[np.bool_]) -> WearReadings:
        """Readings for which the mask holds."""
        return WearReadings(*(getattr(self, f)[mask] for f in self.__dataclass_fields__))

    def of_quantity(self, quantity: str) -> WearReadings:
        """Readings of one quantity, in the order of unit and shots. Raises BadInput if none."""
        known = sorted(set(self.quantity.tolist()))
        if quantity not in known:
            raise BadInput(f"no readings of {quantity!r}; there are: {', '.join(known) or 'none'}")
        own = self.select(self.quantity == quantity)
        order = np.lexsort((own.shots, np.unique(own.labels, return_inverse=True)[1]))
        return WearReadings(*(getattr(own, f)[order] for f in self.__dataclass_fields__))

    @property
    def labels(self) -> NDArray[np.object_]:
        """One label for each physical unit."""
        parts = zip(self.builder, self.module, self.slot, self.unit, strict=True)
        return np.array([unit_label(row) for row in parts], object)


@dataclass(frozen=True)
class Recurrences:
    """Events that recur on systems, such as misfires of igniters.

    Attributes
    ----------
    system : object array (n,)
        System of each event.
    shots : float array (n,)
        Count of each event.
    systems : object array (m,)
    start, end : float arrays (m,)
        Watch of each system.
    group : object array (m,)
        For comparisons (part, builder), "" if none.

    Examples
    --------
    >>> Recurrences.of(["a"], [120.0], ["a", "b"], [500.0, 400.0]).shots.size
    1
    """

    system: NDArray[np.object_]
    shots: Array
    systems: NDArray[np.object_]
    start: Array
    end: Array
    group: NDArray[np.object_]

    @classmethod
    def of(
        cls,
        system: Iterable[object],
        shots: Iterable[float],
        systems: Iterable[object],
        end: Iterable[float],
        start: Iterable[float] | None = None,
        group: Iterable[object] | None = None,
    ) -> Recurrences:
        """Check and build. Raises BadInput if an event lies outside its system's watch."""
        names = np.array(list(systems), object)
        ends = np.array(list(end), float)
        starts = np.zeros(ends.size) if start is None else np.array(list(start), float)
        events, at = np.array(list(system), object), np.array(list(shots), float)
        groups = np.array(list(group) if group is not None else [""] * names.size, object)
        if not (ends > starts).all():
            raise BadInput("every system must be watched for more than 0 shots")
        place = {n: i for i, n in enumerate(names)}
        for n, t in zip(events, at, strict=True):
            if n not in place:
                raise BadInput(f"an event of {n!r}, which is not among the systems")
            if not starts[place[n]] < t <= ends[place[n]]:
                raise BadInput(
                    f"an event of {n!r} at {t:g} lies outside its watch of {starts[place[n]]:g} to {ends[place[n]]:g}"
                )
        return cls(events, at, names, starts, ends, groups)

    def select(self, mask: NDArray[np.bool_]) -> Recurrences:
        """Some of the systems with their events."""
        names = set(self.systems[mask].tolist())
        own = np.array([s in names for s in self.system], bool)
        return Recurrences(
            self.system[own],
            self.shots[own],
            self.systems[mask],
            self.start[mask],
            self.end[mask],
            self.group[mask],
        )


@dataclass(frozen=True)
class SparkCounts:
    """Commanded shots and misfires by count and ignition voltage, one element a group of shots.

    Attributes
    ----------
    builder, module : object arrays (n,)
    shots, ignition_V : float arrays (n,)
        Mean count of the group, and mean voltage of the ignition capacitor.
    commanded, misfires : float arrays (n,)

    Examples
    --------
    >>> import reliability as rl
    >>> bool((rl.demo().ignition.misfires <= rl.demo().ignition.commanded).all())
    True
    """

    builder: NDArray[np.object_]
    module: NDArray[np.object_]
    shots: Array
    ignition_V: Array
    commanded: Array
    misfires: Array

    def select(self, mask: NDArray[np.bool_]) -> SparkCounts:
        """Some of the groups of shots."""
        return SparkCounts(*(getattr(self, f)[mask] for f in self.__dataclass_fields__))
