"""How a unit of one slot may live, as its model and the records leave it open: draws to judge plans by."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats
from scipy.optimize import brentq

from reliability.decisions.operating import point_of_one
from reliability.decisions.question import Level
from reliability.records import LifeRecords
from reliability.slots.carried import Usable, usable
from reliability.slots.draws import SlotDraws, strata
from reliability.slots.exposure import Array, Asked, SlotData, slot_data
from reliability.slots.promise import ModuleModel

STEP = 16
"""every so manyth draw of the model is looked at"""
SOONEST, LATEST, HALVINGS = -30.0, 60.0, 60
"""logs of shots between which lives are looked for, by so many halvings"""
HALF = 0.5
"""failures reckoned where none was seen (Jeffreys' prior of a rate; Box & Tiao 1973, sec. 1.3)"""


@dataclass(frozen=True)
class UnitLife:
    """Laws that a unit of the slot may follow, each as likely as the other.

    Attributes
    ----------
    slot : str
    data : SlotData
        What it rests on.
    used : Usable
    causes : tuple of SlotDraws
        The slot's hazards, which add.
    main : int
        The one of them that had most failures.
    failed : bool
        Whether any unit did; if not, ``HALF`` a failure is reckoned.
    """

    slot: str
    data: SlotData
    used: Usable
    causes: tuple[SlotDraws, ...]
    main: int
    failed: bool

    @property
    def shape(self) -> Array:
        """Shapes of the main cause, (draws,)."""
        return self.causes[self.main].shape

    @property
    def exponent(self) -> Array:
        """Voltage exponents of the main cause, (draws,)."""
        return self.causes[self.main].exponent

    def survival(self, begun: Array, run: Array, pace: Callable[[Array], Array]) -> Array:
        """Chance that a unit good at ``begun`` shots at the voltage of use is good after ``run`` more.

        Parameters
        ----------
        begun, run : arrays (..., 1)
        pace : callable
            Shots at the voltage of use that one of ``run`` is worth, of exponents.

        Returns
        -------
        array (..., draws)
        """
        hazard: Array | float = 0.0
        for d in self.causes:
            low = begun / d.scale + np.zeros(d.shape.size)
            high = low + run / d.scale * pace(d.exponent)
            hazard = hazard + d.gamma * d.life_between(low, high) + d.early_between(low, high)
        return np.asarray(np.exp(-hazard))

    def lives(self, pace: Callable[[Array], Array], units: int, rng: np.random.Generator) -> Array:
        """Lives of so many new units by each law, in shots each worth ``pace`` of those at use, (units, draws)."""
        shots = np.full((units, self.shape.size), np.inf)
        for d in self.causes:
            shots = np.minimum(shots, d.drawn_lives(units, rng) / pace(d.exponent))
        return shots

    def alive(self, shots: Array) -> Array:
        """Chance that a new unit is good after so many shots at the voltage of use, by each law, (..., draws)."""
        return self.survival(np.zeros(1), shots, np.ones_like)

    def quantile(self, fraction: float) -> Array:
        """Shots at the voltage of use by which a fraction has failed, by each law, (draws,)."""
        low, high = np.full(self.shape.size, SOONEST), np.full(self.shape.size, LATEST)
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            dead = 1 - self.alive(np.exp(middle)) >= fraction
            low, high = np.where(dead, low, middle), np.where(dead, middle, high)
        return np.asarray(np.exp(high))

    def fails_by(self, share: float) -> float:
        """Shots at the voltage of use by which a share of units has failed, over all laws."""

        def more(log: float) -> float:
            return 1 - share - float(self.alive(np.exp(np.array([log]))).mean())

        return float(np.exp(brentq(more, SOONEST, LATEST)))

    def failing(self, shots: float) -> float:
        """Share of units that fails within so many shots at the voltage of use, over all laws."""
        return 1 - float(self.alive(np.array([shots])).mean())


def unit_life(records: LifeRecords, use: Mapping[str, Level], seed: int) -> UnitLife:
    """Draws of a slot's law at an operating point; what is not said of it is taken as the commonest.

    Those of the promise (``slots/draws``), without its one failure more; ``HALF`` a failure where none was seen,
    lest a few survivors make a life endless.

    Raises
    ------
    CannotAnswer
        Where the part was not tested in the slot; ``NotCarried`` where the records do not carry the operating point.
    """
    slot = str(records.slot[0])
    found = usable(slot, records, point_of_one(records, use))
    data = slot_data(slot, found.records, Asked(found.use_V))
    model = ModuleModel([data], seed=seed)
    causes = [replace(d.thinned(STEP), copies=1.0) for d in model.draws.slots]
    main, failed = model.main_cause(0), found.records.failures > 0
    if not failed:
        size = causes[main].gamma.size
        causes[main] = replace(
            causes[main], gamma=stats.gamma.ppf(strata(1, size, seed + 1)[0], HALF)
        )
    return UnitLife(slot, data, found, tuple(causes), main, failed)
