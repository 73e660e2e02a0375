"""Likelihood terms of units that lived through stretches at different stresses.

Cumulative exposure (Nelson 1990, Accelerated Testing, ch. 10): a unit's standardised life is
``e = sum_k delta_k / eta(x_k)``, and ``w = ln(e) / sigma`` has the family's standard distribution.
In the engine's parameters ``w = beta ln sum_k delta_k exp(u_k / beta)`` with ``u_k = x_k . gamma``:
the perspective of a log-sum of exponentials, so ``w`` is jointly convex. A failure's density has the
Jacobian ``d ln e / d ln t`` besides, ``t / (eta(x_last) e)``, which is 1 where the stress stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.families import Family
from reliability.life.sample import Paths

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Life:
    """Standardised log life of paths with its derivatives in phi.

    Attributes
    ----------
    w : array (n, B)
    grad : list of p arrays (n, B)
    cov : list of p lists of arrays (n, B)
        Lower triangle of the covariance of z over stretches; the curvature of w is this over beta.
    mean : list of p arrays (n, B)
        Mean of z.
    z : list of p arrays (K, n, B)
        ``-u/beta``, 1, then the covariates: derivatives of ``ln delta + u/beta`` times beta.
    finite : bool array (n, B)
        Where w is finite; elsewhere the derivatives are 0.
    """

    w: Array
    grad: list[Array]
    cov: list[list[Array]]
    mean: list[Array]
    z: list[Array]
    finite: NDArray[np.bool_]


def _life(x: Array, dose: Array, phi: Array) -> _Life:
    beta = phi[0]
    u = np.broadcast_to(phi[1], (*dose.shape[:2], phi.shape[1])).copy()
    for j in range(x.shape[0]):
        u += x[j] * phi[2 + j]
    a = dose + u / beta
    top = a.max(axis=0)
    finite = np.isfinite(top)
    share = np.exp(a - np.where(finite, top, 0.0))
    share = np.where(finite, share, 0.0)
    total = share.sum(axis=0)
    log_e = np.where(finite, top + np.log(np.where(finite, total, 1.0)), top)
    share /= np.where(finite, total, 1.0)
    z = [-u / beta, np.ones((1, 1, 1)), *x]
    mean = [(share * v).sum(axis=0) for v in z]
    p = len(z)
    zero = np.zeros_like(log_e)
    cov = [
        [zero if 1 in (i, j) else (share * (z[i] * z[j])).sum(axis=0) - mean[i] * mean[j] for j in range(i + 1)]
        for i in range(p)
    ]  # fmt: skip
    grad = [np.where(finite, log_e + mean[0], 0.0), *mean[1:]]
    return _Life(beta * log_e, grad, cov, mean, z, finite)


def log_life(x: Array, dose: Array, phi: Array) -> Array:
    """Standardised log life w after these doses, (n, B); arrays as in ``Paths``."""
    return _life(x, dose, phi).w


def _outer(g: list[Array], h: Array, i: int, j: int) -> Array:
    return h * g[i] * g[j]


def path_terms(
    family: Family, paths: Paths, phi: Array
) -> tuple[Array, list[Array], list[list[Array]]]:
    """Log-likelihood (B,), gradient (p of (B,)) and curvature (lower triangle) of paths.

    The ``ln beta`` of failures is left out, as in the other blocks.

    Parameters
    ----------
    family : Family
    paths : Paths
    phi : array (p, B)
    """
    p = phi.shape[0]
    lo = _life(paths.x, paths.dose, phi)
    beta = phi[0]
    if paths.dose_hi is None:
        assert paths.d is not None
        log, g, h = family.point(lo.w, np.broadcast_to(paths.d, lo.w.shape))
        grad = [g * lo.grad[i] for i in range(p)]
        curv = [
            [_outer(lo.grad, h, i, j) + g * lo.cov[i][j] / beta for j in range(i + 1)]
            for i in range(p)
        ]
        log, grad, curv = _add_jacobian(paths, lo, beta, log, grad, curv)
    else:
        hi = _life(paths.x, paths.dose_hi, phi)
        w_lo, w_hi = np.broadcast_arrays(lo.w, hi.w)
        log, g0, g1, h00, h01, h11 = family.between(w_lo, w_hi)
        grad = [g0 * lo.grad[i] + g1 * hi.grad[i] for i in range(p)]
        curv = [
            [
                _outer(lo.grad, h00, i, j) + _outer(hi.grad, h11, i, j)
                + h01 * (lo.grad[i] * hi.grad[j] + hi.grad[i] * lo.grad[j])
                + (g0 * lo.cov[i][j] + g1 * hi.cov[i][j]) / beta
                for j in range(i + 1)
            ]
            for i in range(p)
        ]  # fmt: skip
    wt = 1.0 if paths.weight is None else paths.weight
    return (
        (log * wt).sum(axis=0),
        [(g * wt).sum(axis=0) for g in grad],
        [[(c * wt).sum(axis=0) for c in row] for row in curv],
    )


def _add_jacobian(
    paths: Paths, life: _Life, beta: Array, log: Array, grad: list[Array], curv: list[list[Array]]
) -> tuple[Array, list[Array], list[list[Array]]]:
    """Add ``d (y - ln e + u_last / beta)`` and its derivatives."""
    d = paths.d
    assert d is not None
    at = np.broadcast_to(paths.last, life.w.shape)[None]

    def end(v: Array) -> Array:
        full = np.broadcast_to(v, (v.shape[0], *life.w.shape))
        if v.shape[0] == 1:
            return full[0]
        return np.take_along_axis(full, at, axis=0)[0]

    far = [end(v) - m for v, m in zip(life.z, life.mean, strict=True)]
    log_e = life.w / beta
    log = log + d * np.where(d > 0, paths.y - log_e - end(life.z[0]), 0.0)
    b2 = beta * beta
    grad = [g + d * f / beta for g, f in zip(grad, far, strict=True)]
    out = []
    for i, row in enumerate(curv):
        new = []
        for j, c in enumerate(row):
            more = life.cov[i][j] + (far[j] if i == 0 else 0.0) + (far[i] if j == 0 else 0.0)
            new.append(c - d * more / b2)
        out.append(new)
    return log, grad, out
