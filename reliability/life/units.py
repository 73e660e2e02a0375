"""Units as the likelihood sees them: stretches put together, with the covariates of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.histories import Histories, histories_of
from reliability.records import LifeRecords

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Units:
    """Units of a sample, one element a unit.

    Attributes
    ----------
    records : LifeRecords
        One record a unit.
    x, x_first : array (m, q - 1)
        Covariates of the last and of the first stretch.
    varying : bool array (m,)
        Whose covariates change on the way.
    histories : Histories
    rows_x : array (n, q - 1)
        Covariates of each row of ``histories.records``.
    """

    records: LifeRecords
    x: Array
    x_first: Array
    varying: NDArray[np.bool_]
    histories: Histories
    rows_x: Array

    def stretches(self, units: NDArray[np.intp]) -> tuple[Array, Array]:
        """Ends and covariates of the stretches of some units; neighbours of equal covariates are one.

        Returns
        -------
        ends : array (K, n, 1)
            Count at which each stretch ends, inf from the last one on.
        x : array (q - 1, K, n, 1)
            Covariates; padded with those of the last stretch.
        """
        plans = [self.plan(int(u)) for u in units]
        k = max(len(e) for e, _ in plans)
        ends = np.full((k, len(plans), 1), np.inf)
        x = np.empty((self.rows_x.shape[1], k, len(plans), 1))
        for i, (e, xs) in enumerate(plans):
            ends[: len(e) - 1, i, 0] = e[:-1]
            x[:, : len(e), i, 0] = xs.T
            x[:, len(e) :, i, 0] = xs[-1][:, None]
        return ends, x

    def plan(self, unit: int) -> tuple[Array, Array]:
        """Ends (k,) and covariates (k, q - 1) of one unit's stretches, equal neighbours joined."""
        rows = self.histories.rows_of(unit)
        x = self.rows_x[rows.start : rows.stop]
        ends = self.histories.records.shots_good[rows.start : rows.stop]
        keep = np.append((x[1:] != x[:-1]).any(axis=1), True)
        return ends[keep], x[keep]


def units_of(records: LifeRecords, x: Array | None = None) -> Units:
    """Put records together by unit.

    Parameters
    ----------
    records : LifeRecords
    x : array (n, q - 1), optional
        Covariates of each record.

    Raises
    ------
    BadInput
        If records of one unit contradict each other.
    """
    h = histories_of(records)
    x = np.empty((len(records), 0)) if x is None else x
    if h.simple:
        return Units(h.records, x, x, np.zeros(len(h), bool), h, x)
    rows_x = x[h.order]
    changed = (rows_x != rows_x[h.first][h.unit]).any(axis=1)
    varying = np.bincount(h.unit, changed, len(h)) > 0
    return Units(h.lives(), rows_x[h.last], rows_x[h.first], varying, h, rows_x)
