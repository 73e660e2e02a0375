"""What would help without the bench: a record completed, or a prior with a source.

What will be found is not known: each is looked at over what the records leave open, by the draws that the promise
rests on, and the promise is the one expected then.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reliability.decisions.more_tests import GAIN, Wanted
from reliability.records import LifeRecords
from reliability.slots.exposure import Array
from reliability.slots.promise import ModuleModel

EXPONENT_SD, SHAPE_SD = 1.0, 0.15
"""how well a source that is looked at tells a voltage exponent, and the log of a shape (choices)"""
THIRDS = (1 / 6, 1 / 2, 5 / 6)
"""shares of the draws below what the source may say, each as likely"""
MOST_LEVELS = 3
"""voltages that a record without one is looked at with, the commonest"""


@dataclass(frozen=True)
class Finding:
    """Something that may be found out, and what it would make of the promise.

    Attributes
    ----------
    slot, what : str
    promise : float
        Expected afterwards.
    longer : float
        Chance that the promise is longer then.
    gain : float
        Shots gained, as expected.
    """

    slot: str
    what: str
    promise: float
    longer: float
    gain: float


@dataclass(frozen=True)
class Case:
    """What is promised for: the model and its promise now, and the records with the way to a model of others."""

    model: ModuleModel
    wanted: Wanted
    promised: float
    records: LifeRecords
    again: Callable[[LifeRecords], ModuleModel]


Outcomes = Sequence[tuple[float, ModuleModel]]
"""chance of each thing that may be found, and the model then"""


def findings(case: Case) -> tuple[Finding, ...]:
    """What would lengthen the promise enough to be told, as expected, most shots gained first."""
    looked = (*_cause(case.model), *_sources(case), *_voltages(case))
    found = [_finding(case, slot, what, outcomes) for slot, what, outcomes in looked]
    worth = [f for f in found if f.gain > GAIN * case.promised]
    return tuple(sorted(worth, key=lambda f: -f.gain))


def _finding(case: Case, slot: str, what: str, outcomes: Outcomes) -> Finding:
    w = case.wanted
    chance = np.array([c for c, _ in outcomes])
    chance = chance / chance.sum()
    then = np.array([m.promise(w.survival, w.confidence) for _, m in outcomes])
    promise = float(chance @ then)
    longer = float(chance @ (then > case.promised))
    return Finding(slot, what, promise, longer, promise - case.promised)


def _cause(model: ModuleModel) -> Iterator[tuple[str, str, Outcomes]]:
    """Whose the failure was that is hardest to tell."""
    shares = model.shares()
    if not shares:
        return
    event = min(range(len(shares)), key=lambda e: float(shares[e].max()))
    suspects = model.causes.events[event].suspects
    may = [(float(s), k) for k, s in enumerate(shares[event]) if s > 0]
    owners = [model.slots[model.causes.slot[part]].name for part, _ in suspects]
    label = model.causes.events[event].label
    if label:
        slot, what = "", f"which of {_words(owners)} failed in {label}"
    else:
        slot = owners[0]
        modes = [model.causes.mode[part] or "another mode" for part, _ in suspects]
        what = f"the mode of a failure of {_words([slot])}: {_words(modes)}"
    yield slot, what, [(s, model.if_of(event, k)) for s, k in may]


def _words(names: Sequence[str]) -> str:
    return " or ".join(dict.fromkeys(n.replace("_", " ") for n in names))


def _sources(case: Case) -> Iterator[tuple[str, str, Outcomes]]:
    """A source for the voltage exponent, and for the shape, of the slot that holds the promise down."""
    m = case.model
    worst = int(np.argmax(m.held_down_by(case.promised, case.wanted.confidence)))
    drawn, slot = m.draws.slots[m.main_cause(worst)], m.slots[worst].name
    if m.slots[worst].law and drawn.exponent.std() > EXPONENT_SD:
        what = f"a source for the voltage exponent of {_words([slot])}, good to {EXPONENT_SD:g}"
        yield slot, what, _told(m, drawn.exponent, EXPONENT_SD)
    if np.log(drawn.shape).std() > SHAPE_SD:
        what = f"a source for the shape of {_words([slot])}, good to {SHAPE_SD:.0%}"
        yield slot, what, _told(m, np.log(drawn.shape), SHAPE_SD)


def _told(model: ModuleModel, value: Array, error: float) -> Outcomes:
    """A source says each of some values, with a normal error."""
    said = np.quantile(value, THIRDS)
    models = [model.given(np.exp(-0.5 * ((value - v) / error) ** 2)) for v in said]
    return [(1.0, m) for m in models if m.tells]


def _voltages(case: Case) -> Iterator[tuple[str, str, Outcomes]]:
    """The voltage of the records of a slot that have none, where its others do."""
    r = case.records
    volts = r.covariates.get("charge_V")
    if volts is None:
        return
    for slot in sorted(set(r.slot.tolist())):
        own = r.slot == slot
        lacking = own & ~np.isfinite(volts) & (r.shots_good > r.shots_from)
        levels, counts = np.unique(volts[own & np.isfinite(volts)], return_counts=True)
        if not lacking.any() or not levels.size:
            continue
        n = float(r.select(lacking).units)
        what = f"the voltage of {n:g} unit{'s' if n != 1 else ''} of {_words([slot])} without one"
        common = np.argsort(-counts, kind="stable")[:MOST_LEVELS]
        yield (
            slot,
            what,
            [(float(counts[k]), case.again(_at(r, lacking, float(levels[k])))) for k in common],
        )


def _at(records: LifeRecords, rows: np.ndarray, volts: float) -> LifeRecords:
    """The records with a voltage at some rows."""
    own = np.where(rows, volts, records.covariates["charge_V"])
    return replace(records, covariates={**records.covariates, "charge_V": own})
