"""What would help without the bench: a record completed, the cause of a failure found out, a prior with a source.

What will be found is not known: each is looked at over what the records leave open, by the draws that the promise
rests on, and the promise told is the mean over what may be found, each by its chance.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reliability.decisions.more_tests import GAIN, Wanted
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.exposure import UNNAMED, Array
from reliability.slots.promise import ModuleModel

EXPONENT_SD, SHAPE_SD = 1.0, 0.15
"""how well a source that is looked at tells a voltage exponent, and the log of a shape (choices)"""
THIRDS = (1 / 6, 1 / 2, 5 / 6)
"""shares of the draws below what the source may say, each as likely"""
MOST_LEVELS = 3
"""levels that a record without one is looked at with, the commonest"""
COLUMNS = {"charge_V": "voltage", "part": "part"}
"""columns whose records may be completed, as people call them"""


@dataclass(frozen=True)
class FoundOut:
    """Something that may be found out, and what it would make of the promise.

    Attributes
    ----------
    slot, what : str
    promise : float
        Mean over what may be found.
    longer : float
        Chance that the promise is longer then.
    gain : float
        Shots gained in the mean.
    """

    slot: str
    what: str
    promise: float
    longer: float
    gain: float


@dataclass(frozen=True)
class Case:
    """What is promised, and by what.

    Attributes
    ----------
    model : ModuleModel
    wanted : Wanted
    promised : float
        By the model, now.
    records : LifeRecords, optional
    again : callable, optional
        Records to a model of the same; without it no record is looked at.
    whole : ModuleModel, optional
        The model that shares out failures of unclear cause, where ``model`` is one slot or mode of it.
    columns : tuple of str
        Whose records may be completed.
    """

    model: ModuleModel
    wanted: Wanted
    promised: float
    records: LifeRecords | None = None
    again: Callable[[LifeRecords], ModuleModel] | None = None
    whole: ModuleModel | None = None
    columns: tuple[str, ...] = ("charge_V", "part")


Outcomes = Sequence[tuple[float, ModuleModel]]
"""weight of each thing that may be found, and the model then"""


def findings(case: Case) -> tuple[FoundOut, ...]:
    """What would lengthen the promise enough to be told, in the mean, most shots gained first."""
    if not np.isfinite(case.promised) or case.promised <= 0:
        return ()
    looked = (*_cause(case), *_sources(case), *_completed(case))
    found = [_finding(case, slot, what, outcomes) for slot, what, outcomes in looked if outcomes]
    worth = [f for f in found if f.gain > GAIN * case.promised]
    return tuple(sorted(worth, key=lambda f: -f.gain))


def of_each(found: Mapping[str, Sequence[FoundOut]]) -> tuple[FoundOut, ...]:
    """What would lengthen any of several promises, each with the promise's name, most shots gained first."""
    each = [replace(f, what=f"{name}: {f.what}") for name, own in found.items() for f in own]
    return tuple(sorted(each, key=lambda f: -f.gain))


def _finding(case: Case, slot: str, what: str, outcomes: Outcomes) -> FoundOut:
    w = case.wanted
    chance = np.array([c for c, _ in outcomes])
    chance = chance / chance.sum()
    # the same model is the promise as it stands: another way to the same number would differ in its last digits
    then = np.array(
        [
            case.promised if m is case.model else m.promise(w.survival, w.confidence)
            for _, m in outcomes
        ]
    )
    promise = float(chance @ then)
    return FoundOut(
        slot, what, promise, float(chance @ (then > case.promised)), promise - case.promised
    )


def _cause(case: Case) -> Iterator[tuple[str, str, Outcomes]]:
    """Whose the failure was that is hardest to tell."""
    whole = case.whole or case.model
    unclear = whole.unclear()
    if not unclear:
        return
    at = min(range(len(unclear)), key=lambda e: float(unclear[e][1].max()))
    event = unclear[at][0]
    owners = [whole.slots[whole.causes.slot[part]].name for part, _ in event.suspects]
    if event.label:
        slot, what = "", f"which of {_words(owners)} failed in {event.label}"
    else:
        slot = owners[0]
        modes = [whole.causes.mode[part] or "another mode" for part, _ in event.suspects]
        what = f"the mode of a failure{_of(slot)}: {_words(modes)}"
    told = whole.if_known(at)
    yield slot, what, [(c, case.model if w is None else case.model.given(w)) for c, w in told]


def _words(names: Sequence[str]) -> str:
    return " or ".join(dict.fromkeys(n.replace("_", " ") for n in names))


def _of(slot: str) -> str:
    """Whose it is, in words; nothing where the slot has no name."""
    return "" if slot in ("", UNNAMED) else f" of {_words([slot])}"


def _sources(case: Case) -> Iterator[tuple[str, str, Outcomes]]:
    """A source for the voltage exponent, and for the shape, of the slot that holds the promise down."""
    m = case.model
    worst = int(np.argmax(m.held_down_by(case.promised, case.wanted.confidence)))
    drawn, slot = m.draws.slots[m.main_cause(worst)], m.slots[worst].name
    if m.slots[worst].law and drawn.exponent.std() > EXPONENT_SD:
        what = f"a source for the voltage exponent{_of(slot)}, good to {EXPONENT_SD:g}"
        yield slot, what, _told(m, drawn.exponent, EXPONENT_SD)
    if np.log(drawn.shape).std() > SHAPE_SD:
        what = f"a source for the shape{_of(slot)}, good to {100 * SHAPE_SD:.0f} %"
        yield slot, what, _told(m, np.log(drawn.shape), SHAPE_SD)


def _told(model: ModuleModel, value: Array, error: float) -> Outcomes:
    """A source says each of some values, with a normal error; where too few draws are left to tell, nothing changes."""
    said = np.quantile(value, THIRDS)
    models = [model.given(np.exp(-0.5 * ((value - v) / error) ** 2)) for v in said]
    return [(1.0, m if m.tells else model) for m in models]


def _completed(case: Case) -> Iterator[tuple[str, str, Outcomes]]:
    """The voltage, or the part, of the records of a slot that have none, where its others do."""
    r = case.records
    if r is None or case.again is None:
        return
    for slot in sorted(set(r.slot.tolist())):
        for column in case.columns:
            name = COLUMNS[column]
            own = r.slot == slot
            lacking = own & _unknown(r, column) & (r.shots_good > r.shots_from)
            known = own & ~_unknown(r, column)
            if not lacking.any() or not known.any():
                continue
            n = float(r.select(lacking).units)
            what = f"the {name} of {n:g} unit{'s' if n != 1 else ''}{_of(slot)} without one"
            yield slot, what, _filled(case, r, column, lacking, known)


def _unknown(records: LifeRecords, column: str) -> np.ndarray:
    """Rows that do not say a column."""
    if column == "part":
        return np.asarray(records.part == "")
    values = records.covariates.get(column)
    return np.ones(len(records), bool) if values is None else ~np.isfinite(values)


def _filled(
    case: Case, records: LifeRecords, column: str, lacking: np.ndarray, known: np.ndarray
) -> Outcomes:
    """The records completed with each of the commonest levels, as common as it is; nothing changes where they then
    carry no answer."""
    assert case.again is not None
    values = records.part.astype(str) if column == "part" else records.covariates[column]
    levels, counts = np.unique(values[known], return_counts=True)
    out = []
    for k in np.argsort(-counts, kind="stable")[:MOST_LEVELS]:
        filled = np.where(lacking, levels[k], values)
        then = (
            replace(records, part=filled.astype(object))
            if column == "part"
            else replace(records, covariates={**records.covariates, column: filled})
        )
        try:
            out.append((float(counts[k]), case.again(then)))
        except CannotAnswer:
            out.append((float(counts[k]), case.model))
    return out
