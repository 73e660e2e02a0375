"""Good units that shorten a promise: long-lived ones beside failures speak for a low shape.

More units without a failure should never be promised less. So the bound is that of all records or, if it
promises more, that of the records without the good units that speak against it: what is left has all
failures in it, and less that lasted, which is no better than what was seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from reliability.slots.draws import ModuleDraws, SlotDraws
from reliability.slots.exposure import Array, Flags, SlotData

HAZARD, CONFIDENCE = float(-np.log(0.9)), 0.95
"""promise that good units are looked at for, whatever is asked, so that answers keep the order of questions"""
THIN = 4
"""every so manyth draw tells them"""
CLEAR = 0.01
"""least share by which a good unit's hazard is lower in the draws that hold the promise down"""
MOST_GOOD = 300
"""good units of a cause above which one is nothing beside the others, and none is looked for"""


def without_those_against(
    parts: Sequence[SlotData], drawn: ModuleDraws
) -> list[SlotData] | None:
    """The causes' records without the good units that shorten a promise; None where there are none."""
    slots = [_new_as_tested(p, d.thinned(THIN)) for p, d in zip(parts, drawn.slots, strict=True)]
    total = _where_bound_is_met(slots, drawn.extra[:, ::THIN])
    top = total >= np.quantile(total, CONFIDENCE)
    found = [_against(p, d, top) for p, d in zip(parts, slots, strict=True)]
    if not any(rows.any() for rows in found):
        return None
    return [_set_aside(p, rows) for p, rows in zip(parts, found, strict=True)]


def _new_as_tested(part: SlotData, d: SlotDraws) -> SlotDraws:
    """Draws for a new unit at the voltage of the tests."""
    tested = part.x[part.units.level].mean()
    return replace(d, pace=np.exp(tested * d.exponent), age=np.zeros_like(d.age))


def _where_bound_is_met(slots: Sequence[SlotDraws], extra: Array) -> Array:
    """Hazards of the module, in each draw, over the shots that can be promised."""

    def total(log: float) -> Array:
        shots = slots[0].scale * np.exp(log)
        each = [(d.gamma + e) * d.life(shots) + d.early(shots) for d, e in zip(slots, extra, strict=True)]
        return np.asarray(np.sum(each, axis=0))

    low, high = -14.0, 7.0
    for _ in range(24):
        middle = 0.5 * (low + high)
        short = float(np.quantile(total(middle), CONFIDENCE)) < HAZARD
        low, high = (middle, high) if short else (low, middle)
    return total(low)


def _against(part: SlotData, d: SlotDraws, top: Flags) -> Flags:
    """Good units with less hazard where the promise is held down than elsewhere, (n,)."""
    u = part.units
    out = np.zeros(u.failed.size, bool)
    good = np.flatnonzero(~u.failed)
    if not part.failures or good.size > MOST_GOOD:
        return out
    for row in good:
        aging = np.exp(d.exponent * part.x[u.level[row]])
        begun, end = aging * (u.start[row] / d.scale), aging * (u.end[row] / d.scale)
        hazard = d.gamma * d.life_between(begun, end) + d.early_between(begun, end)
        out[row] = hazard[top].mean() < (1 - CLEAR) * hazard.mean()
    return out


def _set_aside(part: SlotData, rows: Flags) -> SlotData:
    """The records with units as if never tested."""
    u = part.units
    end = np.where(rows, u.start, u.end)
    spent = {row: own for row, own in u.spent.items() if not rows[row]}
    return replace(part, units=replace(u, end=end, spent=spent))
