"""Batches of censored samples on the log scale: the only data the likelihood engine sees.

A batch holds B samples of one design. Column b of each array is one sample; a column that all
samples share is stored once (width 1). Three kinds of row:

* point rows: ``y`` with flag ``d`` (1 failed at y, 0 still good at y);
* between rows: failed between ``lo`` and ``hi`` (``lo = -inf``: left-censored; ``hi = inf``: good);
* entry rows: units already at ``y`` when observation began (delayed entry).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

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
    """

    size: int
    point: Rows | None
    between: Rows | None
    entry: Rows | None
    covariates: int = 1
    centre: float = 0.0

    def columns(self, index: slice | NDArray[np.intp], size: int) -> Sample:
        """Some of the samples, as a batch of their own."""

        def pick(rows: Rows | None) -> Rows | None:
            return None if rows is None else rows.columns(index)

        return replace(
            self,
            size=size,
            point=pick(self.point),
            between=pick(self.between),
            entry=pick(self.entry),
        )

    def spread_over(self, size: int) -> Sample:
        """One sample seen as ``size`` equal ones, without copying."""
        if self.size != 1:
            raise ValueError("only a batch of one sample can be repeated")
        return replace(self, size=size)

    @property
    def rows(self) -> int:
        """Number of likelihood rows in one sample."""
        return sum(r.y.shape[0] for r in (self.point, self.between, self.entry) if r is not None)


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

    Parameters
    ----------
    records : LifeRecords
    x : array (n, q - 1), optional
        Covariates of each record, without intercept.
    centre : float, optional
        Log count to centre on (default: ``log_centre``).
    """
    n = len(records)
    if x is None:
        x = np.empty((n, 0))
    c = log_centre(records) if centre is None else centre
    with np.errstate(divide="ignore"):
        good = np.log(records.shots_good) - c
        failed = np.log(records.shots_failed) - c
        start = np.log(records.shots_from) - c
    weight = records.count.astype(float)
    exact = records.exact
    right = records.right & (records.shots_good > 0)
    between = ~records.exact & ~records.right
    late = records.shots_from > 0

    def rows(mask: NDArray[np.bool_], y: Array, **more: Array) -> Rows | None:
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
        point=rows(exact | right, good, d=exact.astype(float)),
        between=rows(between, good, hi=failed),
        entry=rows(late, start),
        covariates=1 + x.shape[1],
        centre=c,
    )
