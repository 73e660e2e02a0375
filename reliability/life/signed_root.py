"""Signed root of the likelihood ratio, and the values at which it takes a given size.

``r(v) = sign(v_hat - v) * sqrt(2 (l(max) - l(v)))`` falls steadily as v grows; its lower and upper
cuts at +-z give likelihood-ratio bounds (Lawless 2003, sec. 4.1 and 5.1).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reliability.life.engine import fit_batch
from reliability.life.families import Family
from reliability.life.sample import Sample
from reliability.life.targets import Target

Array = NDArray[np.float64]

UNREACHABLE = 700.0
"""log distance past which a bound is taken as never reached (exp of it overflows)"""


def constrained(
    fam: Family, sample: Sample, target: Target, v: Array, start: Array, tol: float = 1e-13
) -> tuple[Array, Array]:
    """Fits with the target held at each of ``v`` (m,): parameters (p, m) and log-likelihoods (m,).

    ``sample`` is a batch of one.
    """
    result = fit_batch(
        fam, sample.spread_over(v.size), target.held(v), np.broadcast_to(start, (start.shape[0], v.size)), tol
    )  # fmt: skip
    return result.phi, result.loglik


def signed_root(
    fam: Family, sample: Sample, target: Target, v: Array, phi: Array, loglik: float
) -> tuple[Array, Array]:
    """r at each of ``v`` (m,), and the constrained parameters there (p, m).

    Parameters
    ----------
    phi : array (p, 1)
        The unconstrained fit.
    loglik : float
        Its log-likelihood.
    """
    phi_v, ll = constrained(fam, sample, target, v, phi)
    sign = np.where(v <= target.value(phi), 1.0, -1.0)
    return sign * np.sqrt(np.maximum(2.0 * (loglik - ll), 0.0)), phi_v


def solve_root(
    fam: Family,
    sample: Sample,
    target: Target,
    cut: Array,
    phi: Array,
    loglik: float,
    step: float,
    tol: float = 1e-9,
) -> Array:
    """The values v at which r(v) equals each of ``cut`` (m,).

    A cut that is never reached gives -inf (positive cut) or inf (negative cut).

    Parameters
    ----------
    step : float
        Standard error of the target, for the first guess.
    """
    cut = np.asarray(cut, float)
    centre = target.value(phi)[0]
    step = step if np.isfinite(step) and step > 0 else 0.1
    side = np.where(cut >= 0, -1.0, 1.0)
    far = centre + side * np.maximum(np.abs(cut), 0.05) * step
    last = np.repeat(phi, cut.size, axis=1)

    def excess(v: Array) -> Array:
        nonlocal last
        phi_v, ll = constrained(fam, sample, target, v, last)
        # the next fit starts where this one ended
        last = np.where(np.isfinite(ll), phi_v, phi)
        sign = np.where(v <= centre, 1.0, -1.0)
        return np.asarray(sign * np.sqrt(np.maximum(2.0 * (loglik - ll), 0.0)) - cut)

    near = np.full(cut.size, centre)
    g_near = -cut
    g_far = excess(far)
    reach = np.ones(cut.size, bool)
    for _ in range(60):
        short = (g_far * side > 0) & reach  # not yet past the cut
        if not short.any():
            break
        near = np.where(short, far, near)
        g_near = np.where(short, g_far, g_near)
        far = np.where(short, centre + 1.8 * (far - centre), far)
        reach &= np.abs(far - centre) < UNREACHABLE
        g_far = np.where(short, excess(far), g_far)
    reach &= g_far * side <= 0
    far_moved = near_moved = np.zeros(cut.size, bool)
    for _ in range(80):
        width = far - near
        with np.errstate(invalid="ignore", divide="ignore"):
            t = g_near / (g_near - g_far)
        t = np.where(np.isfinite(t), np.clip(t, 0.0, 1.0), 0.5)
        v = near + t * width
        g = excess(v)
        hit = (np.abs(g) < tol) | (np.abs(width) < 1e-13 * (1.0 + np.abs(v)))
        if (hit | ~reach).all():
            break
        same_as_far = g * g_far > 0
        # Illinois: halve the weight of an end that stays a second time
        g_near, g_far = (
            np.where(same_as_far, np.where(far_moved, 0.5 * g_near, g_near), g),
            np.where(same_as_far, g, np.where(near_moved, 0.5 * g_far, g_far)),
        )
        near, far = np.where(same_as_far, near, v), np.where(same_as_far, v, far)
        far_moved, near_moved = same_as_far, ~same_as_far
        near, far = np.where(hit, v, near), np.where(hit, v, far)
        g_near, g_far = np.where(hit, -1e-300, g_near), np.where(hit, 1e-300, g_far)
    return np.where(cut == 0, centre, np.where(reach, v, side * np.inf))
