"""What holds a promise down, and what one more test of each kind would make of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from reliability.notes import CannotAnswer
from reliability.records import LifeRecords, join
from reliability.slots.invert import falls_to
from reliability.slots.model import Module
from reliability.slots.promise import SPAN, Ask, Calibrated


@dataclass(frozen=True)
class OneMore:
    """One more unit of a slot, tested without failure.

    Attributes
    ----------
    slot : str
    shots : float
        That it runs.
    promise : float
        Shots that could be promised then; both readings' shorter one.
    gain : float
        Ratio to the promise now, 1 or more: a test that fails nothing never shortens a promise here,
        since the cut is held.
    """

    slot: str
    shots: float
    promise: float
    gain: float


def one_more_test(
    records: LifeRecords, module: Module, rebuild: Callable[[LifeRecords], Module], shots: float, ask: Ask
) -> tuple[OneMore, ...]:  # fmt: skip
    """Gain of one more failure-free unit of each slot at the operating point, best first.

    Parameters
    ----------
    records : LifeRecords
        The pool.
    module : Module
        Built from it.
    rebuild : callable
        Builds the same module from other records.
    shots : float
        That the test runs.
    ask : Ask
        The cuts of the promise now are held: the question is what the data would say, not what the
        simulation's noise would.
    """
    now = Calibrated(module, ask)
    cuts = (now.cut(), Calibrated(module, ask, second=True).cut())
    base = _at_cuts(module, ask, cuts)
    out = []
    for slot in dict.fromkeys(s.aboard.slot for s in module.slots):
        extra = _unit(module, slot, shots)
        try:
            then = max(_at_cuts(rebuild(join([records, extra])), ask, cuts), base)
        except CannotAnswer:
            continue
        out.append(OneMore(slot, shots, then, then / base))
    return tuple(sorted(out, key=lambda o: -o.gain))


def _at_cuts(module: Module, ask: Ask, cuts: tuple[float, float]) -> float:
    found = []
    for m, cut in ((module, cuts[0]), (module.apart, cuts[1])):
        if m is not None:
            c = Calibrated(m, ask)
            v = falls_to(lambda v, c=c, cut=cut: float(c.root(v).value[0]) - cut, 0.0, SPAN)  # type: ignore[misc]
            found.append(float(np.exp(v)) * m.unit)
    return min(found)


def _unit(module: Module, slot: str, shots: float) -> LifeRecords:
    p = module.point
    return LifeRecords.of(
        [shots], module=["one-more"], builder=[p.builder], slot=[slot], unit=["one-more"],
        part=[p.part.get(slot, "")], covariates={k: [v] for k, v in p.stress.items()},
        labels={"lot": [p.lot.get(slot, "")]},
    )  # fmt: skip
