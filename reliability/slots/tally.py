"""Sufficient statistics of a slot's data at every cell, for one data set or a batch of them.

With ``R`` failures, exposure ``T(c)`` and event term ``D(c)`` the log-likelihood is
``R ln lambda + D(c) - lambda T(c)``. A failure found between two inspections enters through
``ln(1 - exp(-u)) = ln u - u/2 + O(u^2 / 24)``: it counts as a failure with half the interval's
hazard as exposure. The same statistic is taken of simulated data, so that what the approximation
costs is in the calibration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from reliability.slots.cells import Array, Cells


@dataclass(frozen=True)
class Tally:
    """Statistics of B data sets.

    Attributes
    ----------
    failures : array (B,)
    events : array (B, m, e)
        D, less what does not depend on the cell.
    exposure : array (B, m, e)
        T.
    """

    failures: Array
    events: Array
    exposure: Array

    @property
    def size(self) -> int:
        """B."""
        return int(self.failures.size)

    def lend(self) -> Array:
        """What the data say of shape and stress with their own scale integrated out, (B, m, e).

        ``ln Gamma(R) - R ln T + D`` (flat in ln lambda), constant dropped; 0 without failures.
        """
        r = self.failures[:, None, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            out = self.events - r * np.log(self.exposure)
        return np.where(r > 0, out, 0.0)


class Adder:
    """Gathers exposure and events of a batch, then gives the tally."""

    def __init__(self, cells: Cells, x: Array, size: int) -> None:
        self.cells, self.size = cells, size
        self.log_factor = cells.factor(x)  # (e, l)
        self.levels = x.shape[0]
        m, e = cells.shape
        self._power = np.zeros((size * self.levels, m))
        self._mixed = np.zeros((size, m, e))
        self._events = np.zeros((size, m, e))
        self._count = np.zeros((size, self.levels))
        self._logs = np.zeros(size)
        self._shape_events = np.zeros((size, m))
        self.failures = np.zeros(size)

    def _spread(self, at: np.ndarray, rows: int, weight: Array, values: Array) -> Array:
        """Sum of weighted values (p, m) into rows."""
        p = at.size
        left = csr_array((weight, (at, np.arange(p))), shape=(rows, p))
        return np.asarray(left @ values)

    def _power_of(self, shots: Array) -> Array:
        with np.errstate(divide="ignore"):
            return np.exp(np.log(shots)[:, None] * self.cells.beta)

    def expose(self, batch: np.ndarray, level: np.ndarray, shots: Array, weight: Array) -> None:
        """Add weight * tau^beta for units that were at one level only."""
        if batch.size:
            self._power += self._spread(
                batch * self.levels + level, self.size * self.levels, weight, self._power_of(shots)
            )

    def fail(self, batch: np.ndarray, level: np.ndarray, shots: Array, weight: Array) -> None:
        """Add exact failures of units that were at one level only (their exposure apart)."""
        np.add.at(self._count, (batch, level), weight)
        np.add.at(self._logs, batch, weight * np.log(shots))
        np.add.at(self.failures, batch, weight)

    def find(
        self, batch: np.ndarray, level: np.ndarray, lo: Array, hi: Array, weight: Array
    ) -> None:
        """Add failures found between ``lo`` and ``hi``, their exposure up to the middle too."""
        if not batch.size:
            return
        a, b = self._power_of(lo), self._power_of(hi)
        # less ln hi so that all events are of one order
        self._shape_events += self._spread(batch, self.size, weight, np.log(b - a))
        with np.errstate(divide="ignore"):
            self._shape_events -= (
                np.log(self.cells.beta) * np.bincount(batch, weight, self.size)[:, None]
            )  # the sum below adds ln beta for every failure
        np.add.at(self._count, (batch, level), weight)
        np.add.at(self.failures, batch, weight)
        self._power += self._spread(
            batch * self.levels + level, self.size * self.levels, weight, 0.5 * (a + b)
        )

    def log_age(self, ages: Array) -> Array:
        """ln tau (p, e) of shots by level (p, l)."""
        with np.errstate(divide="ignore"):
            return np.log(ages @ np.exp(self.log_factor).T)

    def expose_mixed(self, batch: np.ndarray, ages: Array, weight: Array) -> None:
        """Add weight * tau^beta for units with shots (p, l) at several levels."""
        if batch.size:
            t = np.exp(self.cells.beta[None, :, None] * self.log_age(ages)[:, None, :])
            np.add.at(self._mixed, batch, weight[:, None, None] * t)

    def fail_mixed(self, batch: np.ndarray, ages: Array, last: np.ndarray, weight: Array) -> None:
        """Add exact failures of such units."""
        if not batch.size:
            return
        log = self.log_age(ages)[:, None, :]
        d = (self.cells.beta[None, :, None] - 1.0) * log + self.log_factor.T[last][:, None, :]
        np.add.at(self._events, batch, weight[:, None, None] * d)
        self._events += (np.bincount(batch, weight, self.size)[:, None] * np.log(self.cells.beta))[
            :, :, None
        ]
        np.add.at(self.failures, batch, weight)

    def find_mixed(self, batch: np.ndarray, lo: Array, hi: Array, weight: Array) -> None:
        """Add failures of such units found between two ages (p, l)."""
        if not batch.size:
            return
        beta = self.cells.beta[None, :, None]
        a, b = (
            np.exp(beta * self.log_age(lo)[:, None, :]),
            np.exp(beta * self.log_age(hi)[:, None, :]),
        )
        np.add.at(self._events, batch, weight[:, None, None] * np.log(b - a))
        np.add.at(self._mixed, batch, weight[:, None, None] * 0.5 * (a + b))
        np.add.at(self.failures, batch, weight)

    def tally(self) -> Tally:
        """The statistics of all that was added."""
        m = self.cells.shape[0]
        beta = self.cells.beta
        power = self._power.reshape(self.size, self.levels, m)
        exposure = self._mixed
        events = self._events
        for level in range(self.levels):
            f = self.log_factor[:, level]  # (e,)
            exposure = exposure + power[:, level, :, None] * np.exp(beta[:, None] * f)
            events = events + self._count[:, level, None, None] * (beta[:, None] * f)
        single = self._count.sum(axis=1)
        shape = single[:, None] * np.log(beta) + beta * self._logs[:, None] + self._shape_events
        return Tally(self.failures.copy(), events + shape[:, :, None], np.maximum(exposure, 1e-300))
