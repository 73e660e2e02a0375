"""Batches of censored samples on the log scale: the only data the likelihood engine sees.

A batch holds B samples of one design. Column b of each array is one sample; a column that all
samples share is stored once (width 1). Three kinds of row:

* point rows: ``y`` with flag ``d`` (1 failed at y, 0 still good at y);
* between rows: failed between ``lo`` and ``hi`` (``lo = -inf``: left-censored; ``hi = inf``: good);
* entry rows: units already at ``y`` when observation began (delayed entry).

Units that lived through stretches at different stresses are paths instead of point or between
rows: their life is counted in cumulative exposure, ``sum_k shots_k / scale(stress_k)`` (Nelson
1990, Accelerated Testing, ch. 10).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reliability.life.units import Units, units_of
from reliability.records import LifeRecords

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rows:
    """Rows of one kind.

    Attributes
    ----------
    y : array (n, B) or (n, 1)
        Log count, less the sample's centre (for between rows: the lower end).
    x : array (q - 1, n, 1)
        Covariates other than the intercept.
    weight : array (n, 1) or None
        Identical units a row stands for; None when every row is one unit.
    d : array (n, B) or (n, 1) or None
        Failure flag, point rows only.
    hi : array (n, B) or (n, 1) or None
        Upper end, between rows only.
    """

    y: Array
    x: Array
    weight: Array | None = None
    d: Array | None = None
    hi: Array | None = None

    def columns(self, index: slice | NDArray[np.intp]) -> Rows:
        """The same rows for some of the samples."""

        def pick(a: Array | None) -> Array | None:
            return a if a is None or a.shape[1] == 1 else np.ascontiguousarray(a[:, index])

        y = pick(self.y)
        assert y is not None
        return replace(self, y=y, d=pick(self.d), hi=pick(self.hi))


@dataclass(frozen=True)
class Paths:
    """Units with stretches at different stresses.

    Attributes
    ----------
    x : array (q - 1, K, n, 1)
        Covariates of each stretch; K is the largest number of stretches, the rest is padded.
    dose : array (K, n, B) or (K, n, 1)
        Log shots spent in each stretch up to ``y``, less the sample's centre; -inf where none.
    last : int array (n, B) or (n, 1)
        Stretch in which the unit ended.
    y : array (n, B) or (n, 1)
        Log count at the end, less the centre (between paths: at the lower end).
    d : array (n, B) or (n, 1) or None
        Failure flag of paths known to the shot; None for between paths.
    dose_hi : array (K, n, B) or (K, n, 1) or None
        Of between paths: doses up to the upper end, inf in the last stretch where it was good.
    weight : array (n, 1) or None
    """

    x: Array
    dose: Array
    last: NDArray[np.intp]
    y: Array
    d: Array | None = None
    dose_hi: Array | None = None
    weight: Array | None = None

    def columns(self, index: slice | NDArray[np.intp]) -> Paths:
        """The same paths for some of the samples."""

        def pick(a: NDArray[Any] | None) -> Any:
            return a if a is None or a.shape[-1] == 1 else np.ascontiguousarray(a[..., index])

        return Paths(
            self.x, pick(self.dose), pick(self.last), pick(self.y), pick(self.d), pick(self.dose_hi),
            self.weight,
        )  # fmt: skip


@dataclass(frozen=True)
class Sample:
    """B censored samples of one design, in log counts less ``centre``.

    Attributes
    ----------
    size : int
        B, the number of samples.
    point, between, entry : Rows or None
        The rows by kind, None where there are none.
    covariates : int
        q, number of location terms (1 = intercept alone).
    centre : float
        What was taken from every log count, so that no result depends on the unit of shots.
    path, path_between : Paths or None
        Units with stretches at different stresses: watched, and found failed between two counts.
    """

    size: int
    point: Rows | None
    between: Rows | None
    entry: Rows | None
    covariates: int = 1
    centre: float = 0.0
    path: Paths | None = None
    path_between: Paths | None = None

    def columns(self, index: slice | NDArray[np.intp], size: int) -> Sample:
        """Some of the samples, as a batch of their own."""

        kinds = ("point", "between", "entry", "path", "path_between")
        picked: dict[str, Any] = {}
        for kind in kinds:
            rows = getattr(self, kind)
            picked[kind] = None if rows is None else rows.columns(index)
        return replace(self, size=size, **picked)

    def spread_over(self, size: int) -> Sample:
        """One sample seen as ``size`` equal ones, without copying."""
        if self.size != 1:
            raise ValueError("only a batch of one sample can be repeated")
        return replace(self, size=size)

    @property
    def rows(self) -> int:
        """Number of likelihood rows in one sample."""
        n = sum(r.y.shape[0] for r in (self.point, self.between, self.entry) if r is not None)
        paths = [p for p in (self.path, self.path_between) if p is not None]
        return n + sum(p.dose.shape[0] * p.y.shape[0] for p in paths)


def log_centre(records: LifeRecords) -> float:
    """A middle of the log counts: what samples of these records are centred on."""
    finite = np.where(
        np.isfinite(records.shots_failed) & (records.shots_failed > 0),
        records.shots_failed,
        records.shots_good,
    )
    finite = finite[finite > 0]
    return float(np.mean(np.log(finite))) if finite.size else 0.0


def sample_of(records: LifeRecords, x: Array | None = None, centre: float | None = None) -> Sample:
    """The batch of one that these records are.

    Stretches of one unit that share their covariates are one row; units whose covariates change on
    the way are paths. A unit's shots before its first stretch count at the stress of that stretch.

    Parameters
    ----------
    records : LifeRecords
    x : array (n, q - 1), optional
        Covariates of each record, without intercept.
    centre : float, optional
        Log count to centre on (default: ``log_centre``).

    Raises
    ------
    BadInput
        If records of one unit contradict each other.
    """
    units = units_of(records, x)
    return sample_of_units(units, log_centre(units.records) if centre is None else centre)


def sample_of_units(units: Units, c: float) -> Sample:
    """The batch of one that these units are, in log counts less ``c``."""
    varying = units.varying
    sample = _rows_of(units, c)
    if not varying.any():
        return sample
    return replace(
        sample,
        path=_paths_of(units, c, varying & (units.records.exact | units.records.right)),
        path_between=_paths_of(
            units, c, varying & units.records.failed & ~units.records.exact, between=True
        ),
    )


def _rows_of(units: Units, c: float) -> Sample:
    """Point, between and entry rows of units; of paths the entry rows only."""
    records, steady = units.records, ~units.varying
    with np.errstate(divide="ignore"):
        good = np.log(records.shots_good) - c
        failed = np.log(records.shots_failed) - c
        start = np.log(records.shots_from) - c
    weight = records.count.astype(float)
    exact = records.exact
    right = records.right & (records.shots_good > 0)
    between = ~records.exact & ~records.right
    late = records.shots_from > 0

    def rows(mask: NDArray[np.bool_], y: Array, x: Array, **more: Array) -> Rows | None:
        if not mask.any():
            return None
        w = weight[mask][:, None]
        cols = {k: v[mask][:, None] for k, v in more.items()}
        return Rows(
            y=y[mask][:, None],
            x=np.ascontiguousarray(x[mask].T[:, :, None]),
            weight=None if (w == 1).all() else w,
            **cols,
        )

    return Sample(
        size=1,
        point=rows((exact | right) & steady, good, units.x, d=exact.astype(float)),
        between=rows(between & steady, good, units.x, hi=failed),
        entry=rows(late, start, units.x_first),
        covariates=1 + units.x.shape[1],
        centre=c,
    )


def doses(ends: Array, reached: Array, c: float) -> Array:
    """Log shots spent in each stretch up to a count, less the centre.

    Parameters
    ----------
    ends : array (K, n, 1)
        Count at which each stretch ends; inf for the last.
    reached : array (n, B)
        Count reached.

    Returns
    -------
    array (K, n, B)
        -inf where no shot was fired.
    """
    begun = np.concatenate((np.zeros_like(ends[:1]), ends[:-1]))
    with np.errstate(divide="ignore", invalid="ignore"):
        spent = np.minimum(reached, ends) - begun
        return np.log(np.where(spent > 0, spent, 0.0)) - c


def _paths_of(
    units: Units, c: float, mask: NDArray[np.bool_], between: bool = False
) -> Paths | None:
    if not mask.any():
        return None
    ends, x = units.stretches(np.flatnonzero(mask))
    own = units.records.select(mask)
    last = (np.isfinite(ends).sum(axis=0)).astype(np.intp)
    good = own.shots_good[:, None]
    with np.errstate(divide="ignore"):
        y = np.log(good) - c
    w = own.count[:, None].astype(float)
    return Paths(
        x,
        doses(ends, good, c),
        last,
        y,
        d=None if between else own.exact.astype(float)[:, None],
        dose_hi=doses(ends, own.shots_failed[:, None], c) if between else None,
        weight=None if (w == 1).all() else w,
    )
