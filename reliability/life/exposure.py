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
    grad : array (p, n, B)
    cov : array (p, p, n, B)
        Covariance of z over stretches; the curvature of w is this over beta.
    mean : array (p, n, B)
        Mean of z.
    z : array (p, K, n, B)
        ``-u/beta``, 1, then the covariates: derivatives of ``ln delta + u/beta`` times beta.
    """

    w: Array
    grad: Array
    cov: Array
    mean: Array
    z: Array


def _aged(x: Array, dose: Array, phi: Array) -> tuple[Array, Array, Array]:
    """ln of the standardised life (n, B); the share of each stretch in it, and u of each, (K, n, B)."""
    u = np.broadcast_to(phi[1], (*dose.shape[:2], phi.shape[1])).copy()
    for j in range(x.shape[0]):
        u += x[j] * phi[2 + j]
    a = dose + u / phi[0]
    top = a.max(axis=0)
    finite = np.isfinite(top)
    share = np.where(finite, np.exp(a - np.where(finite, top, 0.0)), 0.0)
    total = np.where(finite, share.sum(axis=0), 1.0)
    share /= total
    return np.where(finite, top + np.log(total), top), share, u


def _life(x: Array, dose: Array, phi: Array) -> _Life:
    log_e, share, u = _aged(x, dose, phi)
    z = np.empty((phi.shape[0], *share.shape))
    z[0], z[1] = -u / phi[0], 1.0
    z[2:] = x
    shared = share * z
    mean = shared.sum(axis=1)
    cov = np.einsum("ikab,jkab->ijab", shared, z) - mean[:, None] * mean
    cov[1] = cov[:, 1] = 0.0
    grad = mean.copy()
    # where w is not finite the derivatives are 0, as the shares are
    grad[0] = np.where(np.isfinite(log_e), log_e + mean[0], 0.0)
    return _Life(phi[0] * log_e, grad, cov, mean, z)


def log_life(x: Array, dose: Array, phi: Array) -> Array:
    """Standardised log life w after these doses, (n, B); arrays as in ``Paths``."""
    return np.asarray(phi[0] * _aged(x, dose, phi)[0])


def _square(h: Array, one: Array, other: Array) -> Array:
    """Sum over paths of h times the products of slopes, (p, p, B)."""
    return np.asarray(np.einsum("iab,jab->ijb", h * one, other))


def path_terms(family: Family, paths: Paths, phi: Array) -> tuple[Array, Array, Array]:
    """Log-likelihood (B,), gradient (p, B) and curvature (p, p, B) of paths.

    The ``ln beta`` of failures is left out, as in the other blocks.

    Parameters
    ----------
    family : Family
    paths : Paths
    phi : array (p, B)
    """
    lo, wt = _life(paths.x, paths.dose, phi), paths.weight
    if paths.dose_hi is None:
        assert paths.d is not None
        log, g, h = family.point(lo.w, np.broadcast_to(paths.d, lo.w.shape))
        if wt is not None:
            log, g, h = log * wt, g * wt, h * wt
        grad = np.einsum("ab,iab->ib", g, lo.grad)
        curv = _square(h, lo.grad, lo.grad) + np.einsum("ab,ijab->ijb", g / phi[0], lo.cov)
        return _with_jacobian(paths, lo, phi[0], (log.sum(axis=0), grad, curv))
    hi = _life(paths.x, paths.dose_hi, phi)
    w_lo, w_hi = np.broadcast_arrays(lo.w, hi.w)
    terms = family.between(w_lo, w_hi)
    log, g0, g1, h00, h01, h11 = terms if wt is None else (t * wt for t in terms)
    grad = np.einsum("ab,iab->ib", g0, lo.grad) + np.einsum("ab,iab->ib", g1, hi.grad)
    curv = _square(h00, lo.grad, lo.grad) + _square(h11, hi.grad, hi.grad)
    mixed = _square(h01, lo.grad, hi.grad)
    curv += mixed + mixed.transpose(1, 0, 2)
    curv += np.einsum("ab,ijab->ijb", g0 / phi[0], lo.cov)
    curv += np.einsum("ab,ijab->ijb", g1 / phi[0], hi.cov)
    return log.sum(axis=0), grad, curv


def _with_jacobian(
    paths: Paths, life: _Life, beta: Array, sums: tuple[Array, Array, Array]
) -> tuple[Array, Array, Array]:
    """``d (y - ln e + u_last / beta)`` and its derivatives added."""
    d = paths.d
    assert d is not None
    if paths.last.shape[1] == 1:
        end = life.z[:, paths.last[:, 0], np.arange(len(paths.last))]
    else:
        end = np.take_along_axis(life.z, paths.last[None, None], axis=1)[:, 0]
    far = end - life.mean
    log = d * np.where(d > 0, paths.y - life.w / beta - end[0], 0.0)
    if paths.weight is not None:
        log, d = log * paths.weight, d * paths.weight
    by = np.broadcast_to(d / beta, life.w.shape)
    total, grad, curv = sums
    more = np.einsum("ab,ijab->ijb", by / beta, life.cov)
    across = np.einsum("ab,iab->ib", by, far)
    more[0] += across / beta
    more[:, 0] += across / beta
    return total + log.sum(axis=0), grad + across, curv - more
