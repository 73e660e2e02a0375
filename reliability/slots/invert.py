"""The cut: how high the signed root must be for a bound to be true as often as it claims.

The root's distribution is simulated at the fit constrained to a candidate mission. The normal cut
gives the first candidate; where the root meets the cut simulated there is the second, which is
simulated in turn (two stages). Without any failure no simulation is needed: all data without
failures are these data, and their chance ``exp(-r^2/2)`` at the bound is exact (success run).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import ndtri

from reliability.slots.cells import Array
from reliability.slots.engine import Root

CUT_FLOOR = 0.02
STAGES = 2
FEW = 2
"""Failures in all up to which the cut is found by the chance itself, in FEW_STEPS simulations."""
FEW_STEPS = 6
REFERENCE = 0.95
"""Confidence at which the candidates are placed, whatever is asked: so a higher confidence, which is
a higher quantile of the same simulated roots, never gives a longer promise."""


def falls_to(f: Callable[[float], float], start: float, span: tuple[float, float]) -> float:
    """Zero of a falling function by bracketing and bisection; the end of the span if none."""
    low, high = span
    a = b = min(max(start, low), high)
    step = 0.05 * (high - low)
    up = f(a) > 0
    while True:
        if up:
            if b >= high:
                return high
            a, b = b, min(b + step, high)
            if f(b) <= 0:
                break
        else:
            if a <= low:
                return low
            a, b = max(a - step, low), a
            if f(a) > 0:
                break
        step *= 1.6
    for _ in range(60):
        if b - a < 1e-5:
            break
        mid = 0.5 * (a + b)
        if f(mid) > 0:
            a = mid
        else:
            b = mid
    return 0.5 * (a + b)


def simulated_cut(
    root: Callable[[float], Root],
    drawn: Callable[[float, Root], Array],
    confidence: float,
    span: tuple[float, float],
    first: float | None = None,
) -> tuple[float, float]:
    """The cut at a confidence, and the cut at the reference confidence.

    Parameters
    ----------
    root : callable
        Root of the data at ln shots.
    drawn : callable
        Roots of data simulated at the constrained fit given.
    confidence : float
    span : (float, float)
        Of ln shots.
    first : float, optional
        Reference cut of a question close by: then one stage is enough.
    """
    if root(0.0).failures == 0.0:
        return none_failed_cut(confidence), none_failed_cut(REFERENCE)
    place = float(ndtri(REFERENCE)) if first is None else first
    v, values = 0.0, np.zeros(1)
    for _ in range(STAGES if first is None else 1):
        v = falls_to(lambda v, c=place: float(root(v).value[0]) - c, v, span)  # type: ignore[misc]
        values = drawn(v, root(v))
        place = max(float(np.quantile(values, REFERENCE)), CUT_FLOOR)
    if root(0.0).failures <= FEW:
        place, values = _few(root, drawn, v, span)
        away = float(np.quantile(values, confidence) - np.quantile(values, REFERENCE))
        return max(place + away, CUT_FLOOR), place
    return max(float(np.quantile(values, confidence)), CUT_FLOOR), place


def _few(
    root: Callable[[float], Root], drawn: Callable[[float, Root], Array], start: float, span: tuple[float, float]
) -> tuple[float, Array]:  # fmt: skip
    """Root of the data, and simulated roots, where the chance of a root as high is 1 - REFERENCE.

    With few failures data without any weigh much: their root is one value with a probability of its own,
    so that a quantile jumps where this chance (ties included: Buehler 1957) does not.
    """

    def chance(v: float) -> tuple[float, Array, float]:
        here = root(v)
        values = drawn(v, here)
        return float((values >= here.value[0] - 1e-9).mean()), values, float(here.value[0])

    step = 0.7
    p, values, r = chance(start)
    low, high = (start, None) if p <= 1 - REFERENCE else (None, start)
    kept = (r, values) if p <= 1 - REFERENCE else None
    v = start
    for _ in range(FEW_STEPS):
        if low is None:
            v -= step
        elif high is None:
            v += step
        else:
            v = 0.5 * (low + high)
        if not span[0] < v < span[1]:
            break
        p, values, r = chance(v)
        if p <= 1 - REFERENCE:
            low, kept = v, (r, values)
        else:
            high = v
    if kept is None:
        return max(r, none_failed_cut(REFERENCE)), values
    return max(kept[0], CUT_FLOOR), kept[1]


def none_failed_cut(confidence: float) -> float:
    """Root beyond which no failure at all has chance 1 - confidence."""
    return float(np.sqrt(-2.0 * np.log1p(-confidence)))
