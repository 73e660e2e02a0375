"""Failures whose cause is not known: a joint fit of all causes that may have been it.

Each cause (a failure mode of one slot, or a slot of a module) is a separate hazard and the hazards
add. A failure of unknown cause is one of its candidates, so its likelihood is the sum over
candidates i of ``f_i * prod_{j != i} S_j``, which is the product of all survivals times the sum of
the candidates' hazards (Lawless 2003, sec. 9.1; masked causes: Flehinger, Reiser & Yashchin 2002,
Lifetime Data Anal. 8, 177-203). Of a failure found between two counts each candidate gives its
probability in the interval, the others being good at its lower end (modes of one unit) or at its
upper end (other units), as in the cause-specific view.

The observed-data likelihood is maximised by a few EM steps, then Newton; its profile gives bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reliability.life.engine import fit_batch
from reliability.life.families import Family
from reliability.life.likelihood import SHAPE_ONE, Held, Problem
from reliability.life.sample import Paths, Rows, Sample, log_centre, sample_of_units
from reliability.life.targets import Target
from reliability.life.units import Units, units_of
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords, join

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

CANDIDATE, NOBODY = "_candidate", -1
"""covariate that numbers a cause's candidates, and its value for other units"""
_EM_STEPS = 12


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


@dataclass(frozen=True)
class MaskedFit:
    """Joint fit of several causes.

    Attributes
    ----------
    family : Family
    causes : tuple of Cause
    centre : float
        Log count that all causes are centred on.
    phi : tuple of arrays (p, 1)
        Parameters of each cause, as the engine holds them.
    cov : array
        Covariance of all free parameters, cause after cause.
    loglik : float
        Observed-data log-likelihood, of densities in shots.
    weights : tuple of arrays (m,)
        Of each cause: probability that each of its candidates was it.
    failures : tuple of float
        Expected failures of each cause: those known and the weights of its candidates.
    known : tuple of float
        Failures known to be of each cause.
    unknown : float
        Failures of unknown cause.
    cov_known : array
        What ``cov`` would be if the causes were known in the proportions of ``weights``.
    """

    family: Family
    causes: tuple[Cause, ...]
    centre: float
    phi: tuple[Array, ...]
    cov: Array
    loglik: float
    weights: tuple[Array, ...]
    failures: tuple[float, ...]
    known: tuple[float, ...]
    unknown: float
    cov_known: Array
    model: _Model = field(repr=False, compare=False)

    def index(self, name: str) -> int:
        """Place of a cause. Raises KeyError."""
        for i, c in enumerate(self.causes):
            if c.name == name:
                return i
        raise KeyError(name)

    def complete_sample(self, cause: int) -> Sample:
        """One cause's sample with its candidates failed with their weight and good with the rest.

        Its maximum is ``phi[cause]``; its curvature is that of known causes, so bounds from it alone
        are too short: use ``masked_bounds``.
        """
        part = self.model.parts[cause]
        weight = self.weights[cause] * self.model.counts[part.group]
        return _weighted(self.causes[cause], part, weight, self.centre)

    def widening(self, cause: int, target: Target) -> float:
        """Standard error of a target of one cause over what it would be with all causes known."""
        g = np.zeros(self.model.size)
        g[self.model.slices[cause]] = target.gradient(self.phi[cause])[
            self.model.parts[cause].problem.free
        ]
        return float(np.sqrt((g @ self.cov @ g) / (g @ self.cov_known @ g)))


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


class _CauseModel:
    """Terms of one cause in its free parameters."""

    def __init__(self, family: Family, cause: Cause, centre: float, held: Held | None) -> None:
        self.base_units = units_of(cause.records, cause.x)
        self.base = sample_of_units(self.base_units, centre)
        self.group = cause.group
        self.helds = [held] if held is not None else []
        holds_shape = held is not None and held.index == 0
        if not family.shape_free and not holds_shape:
            self.helds.append(SHAPE_ONE)
        elif cause.held_shape is not None and not holds_shape:
            self.helds.append(Held(0, cause.held_shape))
        self.problem = Problem(family, self.base, self.helds)
        self.free = len(self.problem.free)
        self.has_shape = bool(self.problem.free) and self.problem.free[0] == 0
        self.parts: list[tuple[float, Problem, Ints]] = []
        self.log_t = np.zeros(self.group.size)
        if self.group.size:
            self._candidates(family, cause, centre)

    def _candidates(self, family: Family, cause: Cause, centre: float) -> None:
        failed = units_of(cause.failed, cause.x_failed)
        mark = self.base_units.records.covariates[CANDIDATE]
        where = np.flatnonzero(mark != NOBODY)
        where = where[np.argsort(mark[where], kind="stable")]
        exact = failed.records.exact
        self.log_t[exact] = np.log(failed.records.shots_good[exact])
        good = units_of(*_rows_of_units(self.base_units, where))
        for sign, units in ((1.0, failed), (-1.0, good)):
            masks = _kind_masks(units)
            for kind, sample in _apart(sample_of_units(units, centre)):
                self.parts.append(
                    (sign, Problem(family, sample, self.helds), np.flatnonzero(masks[kind]))
                )

    def terms(self, s: Array) -> tuple[float, Array, Array, Array, Array, Array]:
        """Base value, gradient (k,), curvature (k, k); the same of the candidates' log hazards."""
        k, m = self.free, self.group.size
        ll, grad, curv = self.problem.terms(s[:, None])
        h = np.array([[curv[max(i, j)][min(i, j)][0] for j in range(k)] for i in range(k)])
        r, a, b = -self.log_t.copy(), np.zeros((k, m)), np.zeros((k, k, m))
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


class _Model:
    """The observed-data likelihood of all causes."""

    def __init__(
        self, family: Family, causes: Sequence[Cause], counts: Array, centre: float,
        held: tuple[int, Held] | None = None,
    ) -> None:  # fmt: skip
        self.family, self.causes, self.counts, self.centre = family, tuple(causes), counts, centre
        self.parts = [
            _CauseModel(family, c, centre, held[1] if held is not None and held[0] == i else None)
            for i, c in enumerate(causes)
        ]
        edges = np.cumsum([0, *[p.free for p in self.parts]])
        self.slices = [slice(int(a), int(b)) for a, b in pairwise(edges)]
        self.size = int(edges[-1])
        self.group = (
            np.concatenate([p.group for p in self.parts]) if self.parts else np.zeros(0, int)
        )

    def under(self, cause: int, held: Held) -> _Model:
        """The same likelihood under a hypothesis on one cause."""
        return _Model(self.family, self.causes, self.counts, self.centre, (cause, held))

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


# --- fit -----------------------------------------------------------------------------------------


def fit_masked(causes: Sequence[Cause], counts: Array, family: Family) -> MaskedFit:
    """Fit all causes together.

    Parameters
    ----------
    causes : sequence of Cause
        As ``causes_of_modes`` or ``causes_of_slots`` make them.
    counts : array (g,)
        Equal failures that each masked failure stands for.
    family : Family

    Raises
    ------
    CannotAnswer
        If the likelihood has no maximum; the message names the cause.
    """
    known = [float(c.records.count[c.records.failed].sum()) for c in causes]
    candidates = [c.group.size for c in causes]
    for c, k, m in zip(causes, known, candidates, strict=True):
        if k + m == 0:
            raise CannotAnswer(f"Nothing failed by {c.name}, so nothing can be fitted to it.")
    every = log_centre(_joined(causes))
    model = _Model(family, causes, counts, every)
    phi = _em(model)
    theta, ll, ok = model.maximise(model.theta(phi))
    phi = model.phi(theta)
    _, _, curv, weights = model.value(theta)
    with np.errstate(all="ignore"):
        cov = _inverse(-curv)
    for i, (c, f) in enumerate(zip(causes, phi, strict=True)):
        own = np.diag(cov)[model.slices[i]]
        if not ok or not (own < 1e8).all() or not 1e-5 < f[0, 0] < 1e5:
            raise CannotAnswer(
                f"The failures of unknown cause leave no maximum of the likelihood: nothing fixes {c.name} "
                f"({known[i]:g} failures known to be of it). Find the cause of more failures, or hold its shape."
            )
    sums = [float((w * counts[c.group]).sum()) for w, c in zip(weights, causes, strict=True)]
    jacobian = sum(_log_jacobian(c.records) for c in causes)
    return MaskedFit(
        family, tuple(causes), every, phi, cov, ll - jacobian, tuple(weights),
        tuple(k + s for k, s in zip(known, sums, strict=True)), tuple(known), float(counts.sum()),
        _inverse(model.complete_information(theta)), model,
    )  # fmt: skip


def _log_jacobian(r: LifeRecords) -> float:
    return float((r.count[r.exact] * np.log(r.shots_good[r.exact])).sum())


def _joined(causes: Sequence[Cause]) -> LifeRecords:
    longest = max(causes, key=lambda c: len(c.records))
    return longest.records


def _inverse(information: Array) -> Array:
    try:
        return np.asarray(np.linalg.inv(information))
    except np.linalg.LinAlgError:
        return np.full_like(information, np.inf)


def _em(model: _Model) -> tuple[Array, ...]:
    """A few EM steps from equal shares: complete-data fits with fractional weights."""
    share = 1.0 / np.bincount(model.group, minlength=model.counts.size).astype(float)
    weights = [share[p.group] for p in model.parts]
    phi: list[Array | None] = [None] * len(model.parts)
    for _ in range(_EM_STEPS if model.counts.size else 1):
        for i, (cause, part) in enumerate(zip(model.causes, model.parts, strict=True)):
            sample = _weighted(cause, part, weights[i] * model.counts[part.group], model.centre)
            held = part.helds[0] if part.helds else None
            found = fit_batch(model.family, sample, held, phi[i], tol=1e-10, max_iter=200)
            if not found.converged[0]:
                raise CannotAnswer(
                    f"The life of {cause.name} cannot be fitted: its failures, known and possible, leave "
                    "no maximum of the likelihood. Add records, or hold its shape."
                )
            phi[i] = found.phi
        done = tuple(f for f in phi if f is not None)
        weights = model.value(model.theta(done))[3]
    return done


def _weighted(cause: Cause, part: _CauseModel, weight: Array, centre: float) -> Sample:
    """The complete-data sample of one cause: candidates failed with their weight, good with the rest."""
    if not part.group.size:
        return part.base
    failed = units_of(cause.failed, cause.x_failed)
    mark = part.base_units.records.covariates[CANDIDATE].astype(int)
    count = part.base_units.records.count.copy()
    at = mark >= 0
    count[at] -= weight[mark[at]]
    base = replace(
        part.base_units, records=replace(part.base_units.records, count=np.maximum(count, 1e-12))
    )
    dead = replace(failed, records=replace(failed.records, count=np.maximum(weight, 1e-12)))
    return _both(sample_of_units(base, centre), sample_of_units(dead, centre))


def _both(a: Sample, b: Sample) -> Sample:
    """Two batches of one as one, every row with its weight."""

    def rows(one: Rows | None, two: Rows | None) -> Rows | None:
        have = [r for r in (one, two) if r is not None]
        if len(have) < 2:
            return have[0] if have else None
        first = have[0]
        return Rows(
            np.concatenate([r.y for r in have]),
            np.concatenate([r.x for r in have], axis=1),
            np.concatenate([np.ones_like(r.y) if r.weight is None else r.weight for r in have]),
            None if first.d is None else np.concatenate([r.d for r in have if r.d is not None]),
            None if first.hi is None else np.concatenate([r.hi for r in have if r.hi is not None]),
        )

    return Sample(
        1, rows(a.point, b.point), rows(a.between, b.between), rows(a.entry, b.entry), a.covariates, a.centre,
        _both_paths(a.path, b.path), _both_paths(a.path_between, b.path_between),
    )  # fmt: skip


def _both_paths(one: Paths | None, two: Paths | None) -> Paths | None:
    have = [p for p in (one, two) if p is not None]
    if len(have) < 2:
        return have[0] if have else None
    k = max(p.dose.shape[0] for p in have)

    def padded(a: Array, fill: float | None) -> Array:
        axis = 0 if fill is not None else 1
        short = k - a.shape[axis]
        if not short:
            return a
        width = [(0, 0)] * a.ndim
        width[axis] = (0, short)
        return (
            np.pad(a, width, mode="edge")
            if fill is None
            else np.pad(a, width, constant_values=fill)
        )

    hi = [p.dose_hi for p in have if p.dose_hi is not None]
    return Paths(
        np.concatenate([padded(p.x, None) for p in have], axis=2),
        np.concatenate([padded(p.dose, -np.inf) for p in have], axis=1),
        np.concatenate([p.last for p in have]),
        np.concatenate([p.y for p in have]),
        None if have[0].d is None else np.concatenate([p.d for p in have if p.d is not None]),
        np.concatenate([padded(h, -np.inf) for h in hi], axis=1) if hi else None,
        np.concatenate([np.ones_like(p.y) if p.weight is None else p.weight for p in have]),
    )
