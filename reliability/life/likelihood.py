"""The one likelihood: hypotheses, blocks of rows, and their terms with derivatives, on batches.

See ``engine`` for the parameters and the iteration that uses this.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reliability.life.exposure import path_terms
from reliability.life.families import Family
from reliability.life.sample import Rows, Sample

Array = NDArray[np.float64]
Regressors = list["Array | None"]  # None stands for a column of ones


@dataclass(frozen=True)
class Held:
    """A linear hypothesis: ``phi[index] = const + sum(coef[j] * phi[j] for the other j)``.

    ``const`` and each coefficient are numbers or arrays (B,).
    """

    index: int
    const: Array | float
    coef: dict[int, Array | float] = field(default_factory=dict)

    def columns(self, index: slice | NDArray[np.intp]) -> Held:
        """The hypothesis for some of the samples."""

        def pick(a: Array | float) -> Array | float:
            return a[index] if isinstance(a, np.ndarray) and a.ndim else a

        return Held(self.index, pick(self.const), {j: pick(c) for j, c in self.coef.items()})

    def value(self, phi: Array) -> Array:
        """The held component given the others, (B,)."""
        out = np.zeros(phi.shape[1]) + self.const
        for j, c in self.coef.items():
            out = out + c * phi[j]
        return out


SHAPE_ONE = Held(0, 1.0)
"""sigma = 1: the exponential among the Weibulls."""


def _eliminate(
    regs: Regressors, offset: Array | float, held: Held, names: list[int]
) -> tuple[Regressors, Array | float, list[int]]:
    """Rewrite ``offset + sum(phi_j v_j)`` with one component replaced by its hypothesis."""
    at = names.index(held.index)
    gone = regs[at]
    one = 1.0 if gone is None else gone
    offset = offset + held.const * one
    out: Regressors = []
    for j, reg in zip(names, regs, strict=True):
        if j == held.index:
            continue
        c = held.coef.get(j)
        if c is None:
            out.append(reg)
        else:
            out.append(np.atleast_2d((1.0 if reg is None else reg) + c * one))
    return out, offset, [j for j in names if j != held.index]


class _Block:
    """Rows of one kind, rewritten for the free parameters."""

    def __init__(self, rows: Rows, helds: list[Held]) -> None:
        self.rows = rows
        self.regs, self.offset = self._regress(rows.y, helds)
        if rows.hi is not None:
            self.regs_hi, self.offset_hi = self._regress(rows.hi, helds)
        self.linear: list[Array] | None = None  # sums that do not change between steps

    def _regress(self, y: Array, helds: list[Held]) -> tuple[Regressors, Array | float]:
        infinite = ~np.isfinite(y)
        base = np.where(infinite, 0.0, y) if infinite.any() else y
        regs: Regressors = [base, None, *self.rows.x]
        offset: Array | float = 0.0
        names = list(range(len(regs)))
        for held in helds:
            regs, offset, names = _eliminate(regs, offset, held, names)
        if infinite.any():
            offset = np.where(infinite, y, offset)
            # an infinite end has no slope; its terms vanish
            regs = [np.where(infinite, 0.0, 1.0 if r is None else r) for r in regs]
        return regs, offset


def _linear(regs: Regressors, offset: Array | float, s: Array) -> Array:
    w: Array | None = None
    for k, reg in enumerate(regs):
        if reg is None:
            continue
        term = reg * s[k]
        if w is None or w.shape != term.shape:
            w = term if w is None else w + term
        else:
            w += term
    for k, reg in enumerate(regs):
        if reg is None:
            w = s[k][None, :].copy() if w is None else np.add(w, s[k], out=w)
    if w is None:
        return np.atleast_2d(np.array(offset, float))
    if isinstance(offset, np.ndarray) or offset != 0.0:
        w = w + offset
    return w


def _dot(a: Array, b: Array | None, size: int) -> Array:
    """Sum over rows of a * b, (B,)."""
    if b is None:
        return a.sum(axis=0)
    if a.shape == b.shape:
        return np.einsum("ij,ij->j", a, b)
    if b.shape[1] == 1 and a.shape[1] == size:
        return np.asarray(b[:, 0] @ a)
    return np.asarray((a * b).sum(axis=0))


def _times(a: Array, b: Array | None) -> Array:
    return a if b is None else a * b


def _block_terms(
    family: Family, block: _Block, s: Array, kind: str
) -> tuple[Array, list[Array], list[list[Array]]]:
    """Log-likelihood, gradient and curvature of one block, each (B,)."""
    size = s.shape[1]
    rows = block.rows
    wt = rows.weight
    k = len(block.regs)
    w = _linear(block.regs, block.offset, s)
    if w.shape[1] == 1 and size > 1:
        w = np.broadcast_to(w, (w.shape[0], size)).copy()
    if w.shape[0] == 1 and rows.y.shape[0] > 1:
        w = np.broadcast_to(w, (rows.y.shape[0], size)).copy()
    if kind == "between":
        wh = _linear(block.regs_hi, block.offset_hi, s)
        w, wh = np.broadcast_arrays(w, wh)
        log, g0, g1, h00, h01, h11 = family.between(w, wh)
        if wt is not None:
            log, g0, g1, h00, h01, h11 = (t * wt for t in (log, g0, g1, h00, h01, h11))
        lo, hi = block.regs, block.regs_hi
        grad = [_dot(g0, lo[i], size) + _dot(g1, hi[i], size) for i in range(k)]
        curv = [
            [
                _dot(_times(h00, lo[i]) + _times(h01, hi[i]), lo[j], size)
                + _dot(_times(h01, lo[i]) + _times(h11, hi[i]), hi[j], size)
                for j in range(i + 1)
            ]
            for i in range(k)
        ]
        return log.sum(axis=0), grad, curv
    if kind == "point":
        assert rows.d is not None
        if family.extreme_value:
            return _extreme_value_point(block, w, size)
        log, g, h = family.point(w, rows.d)
    else:
        log, g, h = (-t for t in family.survive(w))
    if wt is not None:
        log, g, h = log * wt, g * wt, h * wt
    grad = [_dot(g, block.regs[i], size) for i in range(k)]
    curv = []
    for i in range(k):
        hz = _times(h, block.regs[i])
        curv.append([_dot(hz, block.regs[j], size) for j in range(i + 1)])
    return log.sum(axis=0), grad, curv


def _extreme_value_point(
    block: _Block, w: Array, size: int
) -> tuple[Array, list[Array], list[list[Array]]]:
    """Point rows of the smallest extreme value family with one exponential a row.

    Its log term is ``d w - exp(w)``: the part linear in the parameters is summed once.
    """
    rows, regs = block.rows, block.regs
    k = len(regs)
    if block.linear is None:
        assert rows.d is not None
        d = rows.d if rows.weight is None else rows.d * rows.weight
        terms: Regressors = [*regs, np.asarray(block.offset) + np.zeros((rows.y.shape[0], 1))]
        block.linear = [
            np.asarray((d * (1.0 if r is None else r)).sum(axis=0)) + np.zeros(size) for r in terms
        ]
    e = np.exp(w, out=w)
    if rows.weight is not None:
        e *= rows.weight
    total = e.sum(axis=0)
    log = block.linear[k] - total
    grad, curv = [], []
    buffer = np.empty_like(e)
    for i, reg in enumerate(regs):
        ez = e if reg is None else np.multiply(e, reg, out=buffer)
        row = []
        for j in range(i + 1):
            row.append(-total if reg is None and regs[j] is None else -_dot(ez, regs[j], size))
        curv.append(row)
    ones = next((i for i, r in enumerate(regs) if r is None), None)
    for i, reg in enumerate(regs):
        if ones is None:
            down = _dot(e, reg, size)
        else:
            down = -(curv[ones][i] if i <= ones else curv[i][ones])
        grad.append(block.linear[i] - down)
    # the value is the sum of d * w, linear in s, which the caller adds
    return log, grad, curv


class Problem:
    """One chunk of samples with its hypotheses, ready to be evaluated."""

    def __init__(self, family: Family, sample: Sample, helds: list[Held]) -> None:
        self.family = family
        self.sample = sample
        self.helds = helds
        self.p = 1 + sample.covariates
        self.free = [j for j in range(self.p) if j not in {h.index for h in helds}]
        self.blocks = [
            (kind, _Block(rows, helds))
            for kind, rows in (
                ("point", sample.point),
                ("between", sample.between),
                ("entry", sample.entry),
            )
            if rows is not None
        ]
        self.paths = [p for p in (sample.path, sample.path_between) if p is not None]
        self.deaths: Array | float = 0.0
        for part in (sample.point, sample.path):
            if part is not None and part.d is not None:
                d = part.d
                self.deaths = self.deaths + (d if part.weight is None else d * part.weight).sum(0)

    def columns(self, index: NDArray[np.intp]) -> Problem:
        """The same for some of the samples."""
        helds = [h.columns(index) for h in self.helds]
        return Problem(self.family, self.sample.columns(index, index.size), helds)

    def beta(self, s: Array) -> tuple[Array | float, int | None]:
        """beta and its place among the free parameters (None when held)."""
        if self.free and self.free[0] == 0:
            return s[0], 0
        held = next(h for h in self.helds if h.index == 0)
        return held.const, None

    def terms(self, s: Array) -> tuple[Array, Array, list[list[Array]]]:
        size = s.shape[1]
        k = len(self.free)
        grad = np.zeros((k, size))
        ll: Array | None = None
        curv: list[list[Array]] = []
        for kind, block in self.blocks:
            log, g, h = _block_terms(self.family, block, s, kind)
            ll = log if ll is None else ll + log
            if block.linear is not None:
                for i in range(k):
                    ll += s[i] * block.linear[i]
            for i in range(k):
                grad[i] += g[i]
            curv = h if not curv else [[a + b for a, b in zip(*rows)] for rows in zip(curv, h)]
        if self.paths:
            log, g, h = self._path_terms(s)
            ll = log if ll is None else ll + log
            for i in range(k):
                grad[i] += g[i]
            curv = h if not curv else [[a + b for a, b in zip(*rows)] for rows in zip(curv, h)]
        assert ll is not None
        beta, at = self.beta(s)
        ll += self.deaths * np.log(beta)
        if at is not None:
            ratio = self.deaths / beta
            grad[at] += ratio
            curv[at][at] = curv[at][at] - ratio / beta
        return ll, grad, curv

    def _path_terms(self, s: Array) -> tuple[Array, list[Array], list[list[Array]]]:
        """Terms of units with stretches at different stresses, in the free parameters."""
        size, p = s.shape[1], self.p
        phi = self.full(s)
        ll, grad, curv = np.zeros(size), [np.zeros(size)] * p, [[np.zeros(size)] * p] * p
        for part in self.paths:
            log, g, h = path_terms(self.family, part, phi)
            ll = ll + log
            grad = [a + b for a, b in zip(grad, g, strict=True)]
            both = [[h[max(i, j)][min(i, j)] for j in range(p)] for i in range(p)]
            curv = [[a + b for a, b in zip(*rows, strict=True)] for rows in zip(curv, both)]
        free = range(len(s))
        return (
            ll,
            [sum((by * grad[j] for j, by in self.slopes[k]), np.zeros(size)) for k in free],
            [
                [
                    sum(
                        (one * two * curv[i][j] for i, one in self.slopes[a] for j, two in self.slopes[b]),
                        np.zeros(size),
                    )
                    for b in range(a + 1)
                ]
                for a in free
            ],
        )  # fmt: skip

    @cached_property
    def slopes(self) -> list[list[tuple[int, Array]]]:
        """Of each free parameter the components of phi that change with it, and by how much: phi is linear in them."""
        none = np.zeros((len(self.free), self.sample.size))
        zero = self.full(none)
        out = []
        for k in range(len(self.free)):
            one = none.copy()
            one[k] = 1.0
            out.append([(j, row) for j, row in enumerate(self.full(one) - zero) if row.any()])
        return out

    def full(self, s: Array) -> Array:
        """All of phi (p, B) from the free parameters."""
        phi = np.zeros((self.p, s.shape[1]))
        for k, j in enumerate(self.free):
            phi[j] = s[k]
        for held in reversed(self.helds):
            phi[held.index] = held.value(phi)
        return phi
