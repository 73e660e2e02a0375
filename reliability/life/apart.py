"""Many groups in one sample: a location for each, one group against the rest, the rest without one.

A dense column a group would make the work grow with the square of the groups. Here each group's rows
stand apart, and the curvature is an arrow: groups meet in the shared parameters only, so a Newton step
costs one pass over the rows. Against a small group the rest is held by its own second-order expansion
at the fit of all; how far that is from the exact fit is measured in ``tests/test_apart.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.engine import QUIET, BatchFit, fit_batch, newton_step, search
from reliability.life.families import Family
from reliability.life.groups import ByKind, part_of, pieces_of
from reliability.life.likelihood import SHAPE_ONE, Problem
from reliability.life.sample import Sample

Array = NDArray[np.float64]
Curvature = list[list[Array]]
_LOCATION = 1
SMALL = 1 / 40
"""share of the units up to which a group is small beside the rest"""


def _problem(family: Family, sample: Sample) -> Problem:
    return Problem(family, sample, [] if family.shape_free else [SHAPE_ONE])


@dataclass
class _Arrow:
    """Curvature of groups that meet in the shared parameters only: shared, between, own."""

    shared: Curvature
    between: Array
    own: Array


class _Apart:
    """The likelihood with a location for each group: shared parameters first, then the locations."""

    def __init__(self, family: Family, parts: Sequence[Problem]) -> None:
        self.family, self.parts = family, parts
        one = parts[0]
        self.sample = one.sample
        self.place = one.free.index(_LOCATION)
        self.shared = [i for i, j in enumerate(one.free) if j != _LOCATION]
        self.free = [one.free[i] for i in self.shared] + [one.p + g for g in range(len(parts))]

    def columns(self, index: NDArray[np.intp]) -> _Apart:
        return _Apart(self.family, [p.columns(index) for p in self.parts])

    def start(self, phi: Array) -> Array:
        """Free values from those of one location for all, (p, B)."""
        own = np.repeat(phi[_LOCATION : _LOCATION + 1], len(self.parts), axis=0)
        return np.concatenate((phi[[self.parts[0].free[i] for i in self.shared]], own))

    def terms(self, s: Array) -> tuple[Array, Array, _Arrow]:
        m, size = len(self.shared), s.shape[1]
        value, grad = np.zeros(size), np.zeros(s.shape)
        shared = [[np.zeros(size) for _ in range(i + 1)] for i in range(m)]
        between, own = np.empty((m, len(self.parts), size)), np.empty((len(self.parts), size))
        for g, part in enumerate(self.parts):
            ll, slope, curv = part.terms(np.insert(s[:m], self.place, s[m + g], axis=0))
            value += ll
            grad[m + g], own[g] = slope[self.place], curv[self.place][self.place]
            for i, a in enumerate(self.shared):
                grad[i] += slope[a]
                between[i, g] = curv[max(a, self.place)][min(a, self.place)]
                for j in range(i + 1):
                    shared[i][j] = shared[i][j] + curv[a][self.shared[j]]
        return value, grad, _Arrow(shared, between, own)


def _arrow_step(grad: Array, curv: _Arrow) -> Array:
    """Newton step: the locations are eliminated, the shared parameters solved, the locations follow."""
    m = curv.between.shape[0]
    own = np.where(curv.own < 0, curv.own, -np.abs(curv.own) - 1e-8)
    pull = curv.between / own
    left = grad[:m] - (pull * grad[m:]).sum(axis=1)
    rest = [
        [c - (pull[i] * curv.between[j]).sum(axis=0) for j, c in enumerate(row)]
        for i, row in enumerate(curv.shared)
    ]
    step = newton_step(left, rest) if m else left
    return np.concatenate((step, -(grad[m:] + np.einsum("igb,ib->gb", curv.between, step)) / own))


def fit_apart(family: Family, parts: Sequence[Sample], start: Array) -> BatchFit:
    """Maximum likelihood with one shape and one effect of each covariate, but a location for each group.

    Parameters
    ----------
    family : Family
    parts : sequence of Sample
        Rows of each group, equal in size and covariates.
    start : array (p, B)
        Fit with one location, to begin from.

    Returns
    -------
    BatchFit
        ``phi`` are the free parameters: shape (if it is free), effects, then the locations.
    """
    problem = _Apart(family, [_problem(family, p) for p in parts])
    with np.errstate(**QUIET):
        return BatchFit(*search(problem, problem.start(start), 1e-9, 60, _arrow_step))


class _Without:
    """All rows but a group's: the whole, expanded at its fit, less the group; with ``own``, the group at
    a location of its own stands beside."""

    def __init__(self, whole: Expanded, part: Problem, own: bool) -> None:
        self.whole, self.part, self.own = whole, part, own
        self.family, self.sample = part.family, part.sample
        self.free = [*part.free, part.p] if own else part.free

    def columns(self, index: NDArray[np.intp]) -> _Without:
        return _Without(self.whole.columns(index), self.part.columns(index), self.own)

    def terms(self, s: Array) -> tuple[Array, Array, Curvature]:
        k, place = len(self.part.free), self.part.free.index(_LOCATION)
        value, grad, curv = self.whole.terms(s[:k])
        ll, slope, bend = self.part.terms(s[:k])
        value, grad = value - ll, grad - np.asarray(slope)
        curv = [
            [a - b for a, b in zip(*rows, strict=True)] for rows in zip(curv, bend, strict=True)
        ]
        if not self.own:
            return value, grad, curv
        apart = s[:k].copy()
        apart[place] = s[k]
        ll, slope, bend = self.part.terms(apart)
        full = np.concatenate((grad, np.zeros_like(value)[None]))
        at = [k if i == place else i for i in range(k)]
        curv = [*curv, [np.zeros_like(value) for _ in range(k + 1)]]
        for i in range(k):
            full[at[i]] += slope[i]
            for j in range(i + 1):
                a, b = max(at[i], at[j]), min(at[i], at[j])
                curv[a][b] = curv[a][b] + bend[i][j]
        return value + ll, full, curv


@dataclass(frozen=True)
class Expanded:
    """A log-likelihood to the second order at its maximum, (k, B) free parameters.

    Attributes
    ----------
    at, value, grad : arrays (k, B), (B,), (k, B)
    curv : lower triangle of arrays (B,)
    """

    at: Array
    value: Array
    grad: Array
    curv: Curvature

    def columns(self, index: NDArray[np.intp]) -> Expanded:
        """The same for some of the samples."""
        curv = [[c[index] for c in row] for row in self.curv]
        return Expanded(self.at[:, index], self.value[index], self.grad[:, index], curv)

    def terms(self, s: Array) -> tuple[Array, Array, Curvature]:
        """Value, slope and curvature at ``s``."""
        d = s - self.at
        k = range(len(d))
        bent = np.array([sum(self.curv[max(i, j)][min(i, j)] * d[j] for j in k) for i in k])
        value = self.value + (self.grad * d).sum(axis=0) + 0.5 * (bent * d).sum(axis=0)
        return value, self.grad + bent, self.curv


class ByGroup:
    """A fitted batch of samples, looked at group by group.

    Parameters
    ----------
    family : Family
    sample : Sample
    kinds : dict
        Which units stand in which kind of row (``groups``).
    groups : int array
        Number of the group of each unit, from 0 on.
    fit : BatchFit
        Of all rows.
    """

    def __init__(
        self, family: Family, sample: Sample, kinds: ByKind, groups: NDArray[np.intp], fit: BatchFit
    ) -> None:
        self.family, self.sample, self.kinds, self.groups = family, sample, kinds, groups
        self.fit = fit
        self.all_pieces = pieces_of(sample, kinds, groups, int(groups.max()) + 1)
        self.pieces = [p for p in self.all_pieces if p.rows]
        whole = _problem(family, sample)
        at = fit.phi[whole.free]
        with np.errstate(**QUIET):
            self.whole = Expanded(at, *whole.terms(at))

    def is_small(self, group: int) -> bool:
        """Whether the rest is expanded rather than fitted when this group is taken out."""
        return self.all_pieces[group].rows <= SMALL * self.sample.rows

    def fit_apart(self) -> BatchFit:
        """Fit with a location for each group."""
        return fit_apart(self.family, self.pieces, self.fit.phi)

    def gain_of_all(self) -> Array:
        """Twice the log-likelihood gained by a location for each group, (B,)."""
        return self._gained(self.fit_apart().loglik)

    def gain(self, group: int) -> Array:
        """The same for a location of its own for this group."""
        piece = self.all_pieces[group]
        if not piece.rows:
            return self._gained(self.fit.loglik)
        if not self.is_small(group):
            return self._gained(
                fit_apart(self.family, [piece, self._rest(group)], self.fit.phi).loglik
            )
        problem = _Without(self.whole, _problem(self.family, piece), True)
        place = problem.part.free.index(_LOCATION)
        start = np.concatenate((self.whole.at, self.whole.at[place : place + 1]))
        with np.errstate(**QUIET):
            return self._gained(search(problem, start, 1e-9, 60)[1])

    def _gained(self, best: Array) -> Array:
        return np.where(self.fit.converged, np.maximum(2 * (best - self.fit.loglik), 0.0), np.nan)

    def _rest(self, group: int) -> Sample:
        other = self.groups != group
        return part_of(self.sample, {k: other[mask] for k, mask in self.kinds.items()})

    def without(self, group: int) -> Array:
        """Parameters (p, B) that the others like best; nan where nothing fixes them."""
        piece = self.all_pieces[group]
        if not piece.rows:
            return self.fit.phi
        if not self.is_small(group):
            found = fit_batch(self.family, self._rest(group), start=self.fit.phi, tol=1e-12)
            return np.where(found.converged & ~found.runaway, found.phi, np.nan)
        with np.errstate(**QUIET):
            problem = _Without(self.whole, _problem(self.family, piece), False)
            s, _, ok, runaway, _ = search(problem, self.whole.at, 1e-12, 60)
        return np.where(ok & ~runaway, problem.part.full(s), np.nan)
