"""The observed-data likelihood of several causes, with derivatives; see ``masked`` for the method."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reliability.life.families import Family
from reliability.life.likelihood import SHAPE_ONE, Held, Problem
from reliability.life.sample import Paths, Rows, Sample, sample_of_units
from reliability.life.units import Units, units_of
from reliability.records import LifeRecords, join

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

CANDIDATE, NOBODY = "_candidate", -1
"""covariate that numbers a cause's candidates, and its value for other units"""


@dataclass(frozen=True)
class Cause:
    """One cause with what is known of it for sure and where it is a candidate.

    Attributes
    ----------
    name : str
    records : LifeRecords
        Stretches by the reading that no candidate was it: candidates are good at their count.
    failed : LifeRecords
        Stretches of the candidates by the reading that each was it, in the order of ``group``.
    x, x_failed : array (n, q - 1), (k, q - 1)
        Covariates of both.
    group : int array (m,)
        The failure for which each candidate stands, in the order of their first records.
    held_shape : float or None
        Shape that is held, for a cause without failures of its own.
    """

    name: str
    records: LifeRecords
    failed: LifeRecords
    x: Array
    x_failed: Array
    group: Ints
    held_shape: float | None = None

    def known_records(self, candidates_failed: bool = False) -> tuple[LifeRecords, Array]:
        """Records and covariates by the reading that no candidate was it, or that each was."""
        if not candidates_failed or not self.group.size:
            return self.records, self.x
        rest = self.records.covariates[CANDIDATE] == NOBODY
        return join([self.records.select(rest), self.failed]), np.concatenate(
            (self.x[rest], self.x_failed)
        )


# --- likelihood of one cause ---------------------------------------------------------------------


def _apart(sample: Sample) -> list[tuple[str, Sample]]:
    """Each unit of a sample as a sample of its own: one batch a kind of row, entry left out."""
    out = []
    for kind in ("point", "between", "path", "path_between"):
        r = getattr(sample, kind)
        if r is None:
            continue
        if isinstance(r, Rows):
            new: Any = Rows(r.y.T, np.swapaxes(r.x, 1, 2), d=_turn(r.d), hi=_turn(r.hi))
        else:
            new = Paths(
                np.swapaxes(r.x, 2, 3), np.swapaxes(r.dose, 1, 2), r.last.T, r.y.T, _turn(r.d),
                None if r.dose_hi is None else np.swapaxes(r.dose_hi, 1, 2),
            )  # fmt: skip
        empty = replace(
            sample,
            size=r.y.shape[0],
            point=None,
            between=None,
            entry=None,
            path=None,
            path_between=None,
        )
        out.append((kind, replace(empty, **{kind: new})))
    return out


def _turn(a: Array | None) -> Array | None:
    return None if a is None else a.T


def _kind_masks(units: Units) -> dict[str, NDArray[np.bool_]]:
    r, v = units.records, units.varying
    watched = r.exact | (r.right & (r.shots_good > 0))
    found = r.failed & ~r.exact
    return {
        "point": watched & ~v,
        "between": found & ~v,
        "path": watched & v,
        "path_between": found & v,
    }


class CauseData:
    """One cause as the likelihood sees it, whatever the hypothesis: units, and candidates one by one."""

    def __init__(self, cause: Cause, centre: float) -> None:
        self.cause = cause
        self.units = units_of(cause.records, cause.x)
        self.base = sample_of_units(self.units, centre)
        self.candidates: list[tuple[float, Sample, Ints]] = []
        self.log_t = np.zeros(cause.group.size)
        if cause.group.size:
            self._candidates(centre)

    def _candidates(self, centre: float) -> None:
        failed = units_of(self.cause.failed, self.cause.x_failed)
        mark = self.units.records.covariates[CANDIDATE]
        where = np.flatnonzero(mark != NOBODY)
        where = where[np.argsort(mark[where], kind="stable")]
        exact = failed.records.exact
        self.log_t[exact] = np.log(failed.records.shots_good[exact])
        good = units_of(*_rows_of_units(self.units, where))
        for sign, units in ((1.0, failed), (-1.0, good)):
            masks = _kind_masks(units)
            for kind, sample in _apart(sample_of_units(units, centre)):
                self.candidates.append((sign, sample, np.flatnonzero(masks[kind])))


class CauseModel:
    """Terms of one cause in its free parameters."""

    def __init__(self, family: Family, data: CauseData, held: Held | None) -> None:
        self.data, self.group = data, data.cause.group
        self.helds = [held] if held is not None else []
        holds_shape = held is not None and held.index == 0
        if not family.shape_free and not holds_shape:
            self.helds.append(SHAPE_ONE)
        elif data.cause.held_shape is not None and not holds_shape:
            self.helds.append(Held(0, data.cause.held_shape))
        self.problem = Problem(family, data.base, self.helds)
        self.free = len(self.problem.free)
        self.has_shape = bool(self.problem.free) and self.problem.free[0] == 0
        self.parts = [
            (sign, Problem(family, sample, self.helds), at) for sign, sample, at in data.candidates
        ]

    def terms(self, s: Array) -> tuple[float, Array, Array, Array, Array, Array]:
        """Base value, gradient (k,), curvature (k, k); the same of the candidates' log hazards."""
        k, m = self.free, self.group.size
        ll, grad, curv = self.problem.terms(s[:, None])
        h = np.array([[curv[max(i, j)][min(i, j)][0] for j in range(k)] for i in range(k)])
        r, a, b = -self.data.log_t.copy(), np.zeros((k, m)), np.zeros((k, k, m))
        for sign, problem, at in self.parts:
            log, g, c = problem.terms(np.repeat(s[:, None], at.size, axis=1))
            r[at] += sign * log
            a[:, at] += sign * np.asarray(g)
            for i in range(k):
                for j in range(k):
                    b[i, j, at] += sign * c[max(i, j)][min(i, j)]
        return float(ll[0]), grad[:, 0], h.reshape(k, k), r, a, b


def _rows_of_units(units: Units, which: Ints) -> tuple[LifeRecords, Array]:
    """Records and covariates of some units, in that order."""
    rows = np.concatenate([np.arange(*_span(units, int(u))) for u in which])
    return units.histories.records.select(rows), units.rows_x[rows]


def _span(units: Units, u: int) -> tuple[int, int]:
    r = units.histories.rows_of(u)
    return r.start, r.stop


class Model:
    """The observed-data likelihood of all causes."""

    def __init__(
        self, family: Family, data: Sequence[CauseData], counts: Array, centre: float,
        held: tuple[int, Held] | None = None,
    ) -> None:  # fmt: skip
        self.family, self.data, self.counts, self.centre = family, tuple(data), counts, centre
        self.parts = [
            CauseModel(family, d, held[1] if held is not None and held[0] == i else None)
            for i, d in enumerate(data)
        ]
        edges = np.cumsum([0, *[p.free for p in self.parts]])
        self.slices = [slice(int(a), int(b)) for a, b in pairwise(edges)]
        self.size = int(edges[-1])
        self.group = (
            np.concatenate([p.group for p in self.parts]) if self.parts else np.zeros(0, int)
        )

    def under(self, cause: int, held: Held) -> Model:
        """The same likelihood under a hypothesis on one cause."""
        return Model(self.family, self.data, self.counts, self.centre, (cause, held))

    def value(self, theta: Array) -> tuple[float, Array, Array, list[Array]]:
        """Log-likelihood, gradient, curvature, and the candidates' probabilities by cause."""
        got = [p.terms(theta[s]) for p, s in zip(self.parts, self.slices, strict=True)]
        total = sum(g[0] for g in got)
        grad, curv = np.zeros(self.size), np.zeros((self.size, self.size))
        for g, s in zip(got, self.slices, strict=True):
            grad[s] += g[1]
            curv[s, s] += g[2]
        n = self.counts.size
        if not n:
            return total, grad, curv, [np.zeros(0) for _ in got]
        r = np.concatenate([g[3] for g in got])
        top = np.full(n, -np.inf)
        np.maximum.at(top, self.group, r)
        p = np.exp(r - top[self.group])
        sums = np.bincount(self.group, p, n)
        p = p / sums[self.group]
        total += float((self.counts * (top + np.log(sums))).sum())
        slope = np.zeros((self.size, r.size))  # of each candidate's log hazard, in all parameters
        weight = p * self.counts[self.group]
        at = 0
        out = []
        for g, s in zip(got, self.slices, strict=True):
            m = g[3].size
            own = slice(at, at + m)
            slope[s, own] = g[4]
            curv[s, s] += (g[5] * weight[own]).sum(axis=2)
            out.append(p[own])
            at += m
        grad += slope @ weight
        mean = np.zeros((self.size, n))
        for i in range(self.size):
            mean[i] = np.bincount(self.group, slope[i] * p, n)
        curv += (slope * weight) @ slope.T - (mean * self.counts) @ mean.T
        return total, grad, curv, out

    def complete_information(self, theta: Array) -> Array:
        """Information if the causes were known in the proportions that the fit gives them."""
        weights = self.value(theta)[3]
        info = np.zeros((self.size, self.size))
        for p, s, w in zip(self.parts, self.slices, weights, strict=True):
            _, _, curv, _, _, more = p.terms(theta[s])
            info[s, s] -= curv + (more * (w * self.counts[p.group])).sum(axis=2)
        return info

    def phi(self, theta: Array) -> tuple[Array, ...]:
        """Parameters of each cause, (p, 1) each."""
        return tuple(
            p.problem.full(theta[s][:, None]) for p, s in zip(self.parts, self.slices, strict=True)
        )

    def theta(self, phi: Sequence[Array]) -> Array:
        """Free parameters from those of each cause."""
        return np.concatenate([f[p.problem.free, 0] for f, p in zip(phi, self.parts, strict=True)])

    def maximise(self, theta: Array, steps: int = 200) -> tuple[Array, float, bool]:
        """Newton with step halving from ``theta``; the maximum, its value, whether it converged."""
        with np.errstate(over="ignore", invalid="ignore", divide="ignore", under="ignore"):
            ll, grad, curv, _ = self.value(theta)
            for _ in range(steps):
                if not self.size:
                    return theta, ll, True
                step = _ascent(grad, curv)
                gain = float(step @ grad)
                if gain < 1e-16 * (1.0 + abs(ll)):
                    return theta, ll, True
                t = self._longest(theta, step)
                for _ in range(40):
                    new = theta + t * step
                    found = self.value(new)
                    if found[0] >= ll - 1e-12 * (1.0 + abs(ll)):
                        break
                    t *= 0.5
                else:
                    return theta, ll, gain < 1e-8
                theta, (ll, grad, curv, _) = new, found
        return theta, ll, False

    def _longest(self, theta: Array, step: Array) -> float:
        """Step length that keeps every shape above a fifth of what it is."""
        t = 1.0
        for p, s in zip(self.parts, self.slices, strict=True):
            if p.has_shape and step[s][0] < 0:
                t = min(t, -0.8 * theta[s][0] / step[s][0])
        return t


def _ascent(grad: Array, curv: Array) -> Array:
    h = -0.5 * (curv + curv.T)
    if not np.isfinite(h).all():
        return grad / (1.0 + np.abs(grad))
    values, vectors = np.linalg.eigh(h)
    values = np.maximum(np.abs(values), 1e-10 * max(float(np.abs(values).max()), 1e-10))
    return np.asarray(vectors @ ((vectors.T @ grad) / values))
