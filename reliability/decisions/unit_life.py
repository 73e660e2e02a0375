"""How a unit of one slot may live, as its model and the records leave it open: draws to judge plans by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln

from reliability.decisions.operating import commonest, slot_point
from reliability.decisions.question import Level
from reliability.records import LifeRecords
from reliability.slots.carried import Usable, usable
from reliability.slots.exposure import Array, Asked, SlotData, bench_ends, slot_data
from reliability.slots.grid import SHAPES, cells_of, exponents_of

DRAWS = 400


@dataclass(frozen=True)
class UnitLife:
    """Laws that a unit of the slot may follow, each as likely as the other.

    Cumulative hazard ``rate * z ** shape``, z the shots at the voltage of use that count the same.

    Attributes
    ----------
    slot : str
    data : SlotData
        What it rests on.
    used : Usable
    shape, exponent, rate : arrays (draws,)
        ``rate`` for z in units of ``scale``.
    scale : float
    """

    slot: str
    data: SlotData
    used: Usable
    shape: Array
    exponent: Array
    rate: Array
    scale: float

    def survival(self, begun: Array, end: Array) -> Array:
        """Chance that a unit good at ``begun`` is good at ``end``; arrays that broadcast to (..., draws)."""
        b = self.shape
        return np.asarray(
            np.exp(-self.rate * ((end / self.scale) ** b - (begun / self.scale) ** b))
        )


def unit_life(records: LifeRecords, use: Mapping[str, Level], seed: int) -> UnitLife:
    """Draws of a slot's law at an operating point; what is not said of it is taken as the commonest.

    The likelihood on the grid of shape and exponent with its penalties (``slots/grid``), the rate
    integrated out under Jeffreys' prior: given a cell it is a gamma with failures + 1/2.

    Raises
    ------
    NotCarried
        Where the records do not carry the operating point.
    """
    slot = str(records.slot[0])
    point = slot_point(records, {**commonest(records), **use})
    found = usable(slot, records, point)
    asked = Asked(found.use_V, ends=bench_ends(records))
    data = slot_data(slot, found.records, asked)
    scale = float(np.exp(np.log(data.units.end).mean()))
    cells = cells_of(data, data.units, scale)
    r = float(cells.failures[0]) + 0.5
    exposure = cells.exposure[:, 0]
    weight = cells.const[:, 0] + gammaln(r) - r * np.log(exposure)
    weight = np.exp(weight - weight.max())
    # systematic draws: every cell comes as often as its weight says, so that few draws do
    rng = np.random.default_rng([seed, 19])
    at = (np.arange(DRAWS) + rng.random()) / DRAWS
    cell = np.searchsorted(np.cumsum(weight) / weight.sum(), at).clip(max=weight.size - 1)
    e = exponents_of(data)
    rate = rng.gamma(r, size=DRAWS) / exposure[cell]
    return UnitLife(slot, data, found, SHAPES[cell // e.size], e[cell % e.size], rate, scale)
