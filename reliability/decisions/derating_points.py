"""Levels of a stress on one unit as levels of the bank: what is allowed there, and what a shot gives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reliability.decisions.bank import Bank, Discharge, bank_of, discharge
from reliability.decisions.derating_answer import Allowed, CurvePoint
from reliability.decisions.derating_level import Course
from reliability.decisions.derating_notes import Found, allowed_notes
from reliability.decisions.impulse import Impulse
from reliability.notes import Note
from reliability.records import LifeRecords

if TYPE_CHECKING:
    from reliability.decisions.derating import Derate

NAN = float("nan")
MARGIN = 0.15
"""share of the tested range by which the curve goes below the tests, or below the level allowed"""
AS_TESTED = 1e-4
"""share by which a level looked at may miss the tested one and still be it: people see the same voltage"""


@dataclass(frozen=True)
class Points:
    """The stress solved for, the bank, and the impulse bit if it was asked for.

    Attributes
    ----------
    column : str
    tested : (float, float)
        Lowest and highest level of the records.
    bank : Bank
    rated : float
        Of one capacitor, in V; nan where it is not known.
    impulse : Impulse or None
    confidence : float
    """

    column: str
    tested: tuple[float, float]
    bank: Bank
    rated: float
    impulse: Impulse | None
    confidence: float

    @property
    def is_voltage(self) -> bool:
        return self.column == "charge_V"

    @property
    def unit_rating(self) -> float:
        """Rated voltage of what one record stands for; nan where the stress is no voltage."""
        return self.rated * self.bank.recorded[1] if self.is_voltage else NAN

    def allowed(self, own: float) -> Allowed:
        """The level of a unit, ``own``, as one of the bank."""
        if not self.is_voltage:
            return Allowed(own)
        level = self.bank.charge_voltage(own)
        ratio = self.bank.capacitor_voltage(level) / self.rated
        return Allowed(level, level, ratio, self.bank.energy(level))

    def solved(self, course: Course, required: float) -> tuple[Allowed, list[Note]]:
        """The highest level at which the course meets ``required`` shots, and what to know of it.

        Where even the highest level looked at does, it is that one, and said; nan where none does.
        """
        highest = course.highest(required)
        open_end = bool(highest == np.inf)
        own = float(course.levels[-1]) if open_end else highest
        least = float(course.levels[0]), float(course.lower[0])
        found = Found(self.column, self.tested, own, open_end, least, self.unit_rating)
        return self.allowed(own), allowed_notes(found, required)

    def point(self, own: float, shots: float, lower: float) -> CurvePoint:
        """Life and its bound at one level of a unit, and the total impulse where the level is a voltage."""
        low, high = self.tested
        outside = own < low - AS_TESTED * abs(low) or own > high + AS_TESTED * abs(high)
        if not self.is_voltage:
            return CurvePoint(own, shots, lower, bool(outside), NAN, NAN, NAN)
        charge = self.bank.charge_voltage(own)
        energy = self.bank.energy(charge)
        total = least = NAN
        if self.impulse is not None and np.isfinite(energy):
            total = 1e-6 * self.impulse.bit_uNs(energy) * lower
            least = 1e-6 * self.impulse.lower_uNs(energy, self.confidence) * lower
        return CurvePoint(charge, shots, lower, bool(outside), energy, total, least)

    def curve(
        self, course: Course, own: float, required: float, life: Callable[[float], float]
    ) -> tuple[CurvePoint, ...]:
        """The course from below the highest level ``own`` to above all tests, that level one of its points.

        ``life`` gives the estimate at a level of a unit.
        """
        low, high = self.tested
        width = (high - low) or 0.1 * low
        start = min(low, own if np.isfinite(own) else low) - MARGIN * width
        shown = (course.levels >= start) & (course.levels <= high + 0.1 * width)
        points = dict(zip(course.levels[shown].tolist(), course.lower[shown].tolist(), strict=True))
        if np.isfinite(own):
            points[own] = required
        return tuple(self.point(v, life(v), points[v]) for v in sorted(points))

    def spark(
        self, level: float, inductance_nh: float | None, resistance_mohm: float
    ) -> Discharge | None:
        """What one shot asks of the bank, where the loop is known."""
        known = self.is_voltage and np.isfinite(level) and np.isfinite(self.bank.total_uF)
        if inductance_nh is None or not known:
            return None
        return discharge(level, self.bank.total_uF, inductance_nh, resistance_mohm)


def points_of(
    q: Derate,
    records: LifeRecords,
    column: str,
    tested: tuple[float, float],
    impulse: Impulse | None,
) -> Points:
    """The levels of the bank asked for; what the question leaves open is as most records have it."""
    bank, found = bank_of(records, q.bank(), q.capacitance_uf)
    rated = found if q.rated_v is None else q.rated_v
    return Points(column, tested, bank, rated, impulse, q.confidence)


def best_total(curve: tuple[CurvePoint, ...]) -> CurvePoint | None:
    """The point of most total impulse over the promised life, inside the tests if any is."""
    known = [p for p in curve if np.isfinite(p.impulse_Ns)]
    inside = [p for p in known if not p.extrapolated] or known
    return max(inside, key=lambda p: p.impulse_Ns) if inside else None
