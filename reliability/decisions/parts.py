"""Typed parts that answers are made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reliability.life.empirical import empirical_curve
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.exposure import SlotData
from reliability.slots.grid import exposures

Numbers = tuple[float, ...]


@dataclass(frozen=True)
class Bounded:
    """A value with its one-sided bounds; nan where it cannot be told."""

    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True)
class SurvivalBound:
    """Survival at a count, with one-sided bounds."""

    shots: float
    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True)
class Curve:
    """Survival along shots, with pointwise one-sided bounds (each of the same length)."""

    shots: Numbers = ()
    estimate: Numbers = ()
    lower: Numbers = ()
    upper: Numbers = ()


@dataclass(frozen=True)
class Step:
    """Survival without a family, just after a drop at ``shots``; ``at_risk`` nan for intervals."""

    shots: float
    survival: float
    lower: float
    upper: float
    at_risk: float


@dataclass(frozen=True)
class Seen:
    """A unit as it was seen: good at ``good``, failed by ``failed`` (inf: not), at a stress level.

    ``level`` is nan where no stress is meant.
    """

    good: float
    failed: float
    level: float


def moved_units(data: SlotData, exponent: float) -> LifeRecords:
    """The units at the counts that theirs stand for at the voltage of use (nan: it does not matter)."""
    e = np.array([exponent if np.isfinite(exponent) else 0.0])
    begun, end = (z[0] for z in exposures(data, e, 1.0))
    failed = np.where(data.units.failed, end, np.inf)
    return LifeRecords.of(end, failed, shots_from=begun)


MOST_STEPS = 1000
"""steps that an eye can tell apart on a screen; longer curves are thinned"""


def steps_of(records: LifeRecords, confidence: float) -> tuple[Step, ...]:
    """The empirical curve as steps; empty where nothing failed."""
    if not records.failed.any():
        return ()
    try:
        e = empirical_curve(records, confidence)
    except CannotAnswer:
        return ()
    keep = np.arange(e.shots.size)
    if keep.size > MOST_STEPS:
        keep = np.unique(np.linspace(0, keep.size - 1, MOST_STEPS).astype(int))
    return tuple(
        Step(*(float(v[i]) for v in (e.shots, e.survival, e.lower, e.upper, e.at_risk)))
        for i in keep
    )


def seen_of(records: LifeRecords, column: str = "") -> tuple[Seen, ...]:
    """The units as seen, thinned to what a picture can show; a unit at the stress of its last stretch."""
    records = records.select(~records.continued)
    keep = np.arange(len(records))
    if keep.size > MOST_STEPS:
        keep = np.unique(np.linspace(0, keep.size - 1, MOST_STEPS).astype(int))
    blank = np.full(len(records), np.nan)
    level = np.asarray(records.covariates.get(column, blank), float)
    return tuple(
        Seen(float(records.shots_good[i]), float(records.shots_failed[i]), float(level[i]))
        for i in keep
    )
