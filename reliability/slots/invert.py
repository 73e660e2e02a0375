"""Turning the root's simulated distribution into a bound.

``p(v)`` is the chance, at the fit constrained to ``v``, of data that like a lower hazard as much as
the data at hand do, ties included (Buehler 1957). The bound is where ``p = 1 - confidence``. The root
with the normal cut gives the first candidate; each further one is where the root meets the cut
simulated at the one before. ``v`` is ln shots, -ln hazard or a stress: the root falls along it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from reliability.slots.cells import Array
from reliability.slots.engine import Root

CUT_FLOOR = 0.02
STAGES = 2


@dataclass(frozen=True)
class Inverted:
    """Where the bound came to lie.

    Attributes
    ----------
    value : float
    cut : float
        Root that it was cut at.
    root : Root
        Of the data there.
    """

    value: float
    cut: float
    root: Root


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


def invert(
    root: Callable[[float], Root],
    drawn: Callable[[float, Root], Array],
    confidence: float,
    start: float,
    span: tuple[float, float],
) -> Inverted:
    """The bound along ``v``.

    Parameters
    ----------
    root : callable
        Root of the data at v.
    drawn : callable
        Roots of data simulated at the constrained fit given.
    confidence : float
    start : float
    span : (float, float)
    """
    if root(start).failures == 0.0:
        # all simulated data without failures are these data: P(none) = exp(-r^2 / 2) is exact
        cut = float(np.sqrt(-2.0 * np.log1p(-confidence)))
        v = falls_to(lambda v: float(root(v).value[0]) - cut, start, span)
        return Inverted(v, cut, root(v))
    cut = float(ndtri(confidence))
    v = falls_to(lambda v: float(root(v).value[0]) - cut, start, span)
    for _ in range(STAGES):
        here = root(v)
        values = drawn(v, here)
        cut = max(float(np.quantile(values, confidence)), CUT_FLOOR)
        v = falls_to(lambda v, c=cut: float(root(v).value[0]) - c, v, span)  # type: ignore[misc]
    return Inverted(v, cut, root(v))
