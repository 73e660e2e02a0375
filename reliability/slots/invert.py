"""Turning the root's simulated distribution into a bound: largest mission, or least survival.

``p(v)`` is the chance, at the fit constrained to ``v``, of data that like a lower hazard as much as
the data at hand (ties counted against us: Buehler 1957). The bound is where ``p = 1 - confidence``.
The root with the normal cut gives the first candidate; each further one is where the root meets the
cut simulated at the one before.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from reliability.slots.cells import Array
from reliability.slots.engine import Engine, Root

CUT_FLOOR = 0.02
SURE = 1e9


@dataclass(frozen=True)
class Bound:
    """Where the bound came to lie.

    Attributes
    ----------
    value : float
        ln shots (in units) or ln hazard.
    cut : float
        Root that it was cut at.
    root : Root
        Of the data there.
    """

    value: float
    cut: float
    root: Root


def tied_cut(values: Array, confidence: float) -> float:
    """Least cut that a share of at most 1 - confidence reaches, ties included."""
    v = np.sort(values)
    allowed = int(np.floor((1.0 - confidence) * v.size + 1e-9))
    top = v[v.size - allowed - 1]  # must not be reached
    above = v[v > top + 1e-9]
    return float(0.5 * (top + above[0])) if above.size else float("inf")


def solve(f: Callable[[float], float], start: float, low: float, high: float) -> float:
    """Zero of a falling function by bracketing and bisection; the end of the bracket if none."""
    a = b = start
    fa = f(a)
    step = 0.7
    if fa > 0:
        while fa > 0:
            if b >= high:
                return high
            a, b = b, min(b + step, high)
            fa = f(b)
            step *= 1.6
    else:
        while fa <= 0:
            if a <= low:
                return low
            b, a = a, max(a - step, low)
            fa = f(a)
            step *= 1.6
    for _ in range(60):
        if b - a < 1e-4:
            break
        mid = 0.5 * (a + b)
        if f(mid) > 0:
            a = mid
        else:
            b = mid
    return 0.5 * (a + b)


def longest(
    engine: Engine,
    total: Callable[[float], float],
    confidence: float,
    start: float,
    span: tuple[float, float],
    stages: int = 2,
) -> Bound:
    """Largest ln shots whose bound on the hazard is still ``total(shots)``."""

    def root(v: float) -> Root:
        return engine.observed(float(np.exp(v)), total(float(np.exp(v))))

    cut = float(ndtri(confidence))
    v = solve(lambda v: float(root(v).value[0]) - cut, start, *span)
    for _ in range(stages):
        there = root(v)
        shots = float(np.exp(v))
        drawn = engine.simulated(shots, total(shots), there)
        cut = float(np.clip(np.quantile(drawn, confidence), CUT_FLOOR, SURE))
        v = solve(lambda v, c=cut: float(root(v).value[0]) - c, v, *span)
    return Bound(v, cut, root(v))
