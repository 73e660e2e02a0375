"""The same units at two voltages, by the model of their slot: the promise at each, and how far life differs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from reliability.decisions.answer_notes import (
    carried_notes,
    early_notes,
    few_notes,
    group_notes,
    left_out_notes,
)
from reliability.decisions.comparison_answer import CompareAnswer, Side
from reliability.decisions.comparison_sides import Footing
from reliability.decisions.found_out import Case, FoundOut, findings, of_each
from reliability.decisions.life_at import carried_by, curve_of
from reliability.decisions.more_tests import Wanted
from reliability.decisions.operating import point_of_one, refuse_uncarried
from reliability.decisions.own_model import OwnModel, beside
from reliability.decisions.parts import steps_of
from reliability.decisions.question import Level
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.slots.carried import SPREAD, UNSEEN, Carried, Usable
from reliability.slots.exposure import SAME_VOLTAGE, Asked, SlotData, levels_of, slot_data
from reliability.slots.promise import ModuleModel
from reliability.words import volts_text, whole

NAN = float("nan")


def two_voltages(records: LifeRecords, first: str, second: str) -> tuple[float, float]:
    """The voltages said, or the two with most units. Raises BadInput."""
    if first:
        found = [_voltage(name, text) for name, text in (("first", first), ("second", second))]
        if abs(np.log(found[0] / found[1])) < SAME_VOLTAGE:
            raise BadInput(
                f"second differs from first by {SAME_VOLTAGE:.0%} or more by voltage, not {second[:40]!r} from {first[:40]!r}"
            )
        return found[0], found[1]
    volts = records.covariates.get("charge_V", np.full(len(records), NAN))
    known = np.isfinite(volts) & ~records.continued
    tested, which = levels_of(volts[known])
    units = np.bincount(which, records.count[known], tested.size)
    if not known.any() or tested.size < 2:
        there = f"{volts_text(tested[0])} only" if known.any() else "no voltage"
        raise BadInput(
            f"first and second are the voltages to compare; name both, since records tell of {there}"
        )
    most = sorted(range(tested.size), key=lambda k: (-units[k], -tested[k]))[:2]
    low, high = sorted(float(tested[k]) for k in most)
    return low, high


def _voltage(name: str, text: str) -> float:
    try:
        found = float(text)
    except ValueError:
        found = NAN
    if not 0 < found < 1e9:
        raise BadInput(
            f"{name} is a voltage above 0 and below 1e9 where by is voltage, not {text[:40]!r}"
        )
    return found


def compare_voltages(
    records: LifeRecords, others: LifeRecords, volts: tuple[float, float], said: Mapping[str, Level], f: Footing
) -> CompareAnswer:  # fmt: skip
    """The slot's units at two voltages, from one sample of draws of its model.

    Parameters
    ----------
    records : LifeRecords
        Of the slot.
    others : LifeRecords
        Of other slots, where some failures have suspects.
    volts : (float, float)
    said : mapping
        What is said of the operating point besides.

    Raises
    ------
    CannotAnswer
        ``NotCarried`` where the records do not carry one of the two; where nothing has failed, with both promises.
    """
    if "charge_V" in said:
        raise BadInput("use says no charge_V where by is voltage: first and second do")
    points = [point_of_one(records, {**said, "charge_V": v}) for v in volts]
    found = [carried_by(records, p) for p in points]
    slot = str(records.slot[0])
    carried = tuple(c for u in found for c in u.carried if c.stress == "charge_V")
    if not carried:
        raise BadInput(f"by is another than voltage here: no record of {slot} says its charge_V")
    refuse_uncarried(said, found[0].carried, records)
    k = 0 if np.isfinite(found[0].use_V) else 1
    units = (records.event != "") & records.failed
    slots, notes = beside(records, others, points[k]) if units.any() else ([], ())
    base = found[k]
    data = slot_data(slot, base.records, Asked(base.use_V))
    if not data.units.end.size:
        raise CannotAnswer(UNSEEN)
    own = OwnModel(data, slots, f.seed)
    model = own.model
    places = [
        _Place(own, base, f, v) if np.isfinite(u.use_V) else _as_tested(u, slots, f, v)
        for v, u in zip(volts, found, strict=True)
    ]
    first, second = (place.side() for place in places)
    answer = CompareAnswer(
        f.by, f.family, f.fraction, f.confidence, NAN, NAN, NAN, NAN, first, second,
        {k: v for k, v in points[0].items() if k != "charge_V"}, True, slot=slot, carried=carried,
        found=of_each({f"at {place.name}": place.found() for place in places}),
        notes=(*carried_notes(carried), *left_out_notes([base]), *few_notes([(slot, data.failures)]),
               *early_notes(model, f.fraction), *group_notes(model), *notes, *_notes(volts, carried)),
    )  # fmt: skip
    return _with_ratio(answer, model, volts, base.use_V)


class _Place:
    """The units at one of the voltages, from the model at the one that it was fitted for."""

    def __init__(self, own: OwnModel, base: Usable, f: Footing, volts: float) -> None:
        self.own, self.base, self.f = own, base, f
        self.name = f"{volts:,.10g} V"
        self.x = float(np.log(volts / base.use_V)) if np.isfinite(base.use_V) else 0.0
        self.model = own.model.flown_at(self.x)
        self.promised = self.model.promise(1 - f.fraction, f.confidence)

    def found(self) -> tuple[FoundOut, ...]:
        """What would lengthen the promise there without the bench."""
        wanted = Wanted(self.promised, 1 - self.f.fraction, self.f.confidence)
        return findings(Case(self.model, wanted, self.promised, whole=self.own.whole))

    def side(self) -> Side:
        # one shot there ages a unit so many times as much
        age = float(np.exp(self.x * self.own.model.exponent(0))) if self.x else 1.0
        r, c = self.own.moved(), self.f.confidence
        seen = replace(r, shots_from=r.shots_from / age, shots_good=r.shots_good / age, shots_failed=r.shots_failed / age)  # fmt: skip
        return Side(
            self.name, whole(self.base.records.units), whole(self.own.failures()[0]), self.model.life(self.f.fraction),
            self.promised, steps_of(seen, c), curve_of(self.model, seen, c),
        )  # fmt: skip


def _as_tested(found: Usable, beside: Sequence[SlotData], f: Footing, volts: float) -> _Place:
    """For the side at the one voltage of all tests: no law of voltage is needed, and other answers there use none."""
    data = slot_data(str(found.records.slot[0]), found.records, Asked(found.use_V))
    return _Place(OwnModel(data, beside, f.seed), found, f, volts)


def _with_ratio(
    a: CompareAnswer, model: ModuleModel, volts: tuple[float, float], use_V: float
) -> CompareAnswer:
    """With the ratio of lives, as the draws have it; without a failure the prior alone would say it."""
    if not model.slots[0].failures:
        raise CannotAnswer(
            f"No unit of the {a.slot.replace('_', ' ')} has failed, so nothing tells how its life goes with the voltage; "
            "tests at two voltages until some fail would.",
            a,
        )
    low, high = sorted(range(2), key=lambda k: volts[k])
    x = np.log(np.array(volts) / use_V)
    logs = np.log(model.life_ratio(float(x[low]), float(x[high]), a.fraction))
    logs = logs if low == 0 else -logs
    bounds = np.exp(np.quantile(logs, [1 - a.confidence, a.confidence]))
    ratio = a.first.shots / a.second.shots
    better = logs > 0 if ratio >= 1 else logs < 0
    return replace(
        a, ratio=ratio, lower=float(bounds[0]), upper=float(bounds[1]), sure=float(better.mean())
    )


def _notes(volts: tuple[float, float], carried: tuple[Carried, ...]) -> list[Note]:
    """What the voltage costs besides life, and what would tell more of it."""
    low, high = sorted(volts)
    text = (
        f"A shot at {high:,.10g} V holds {(high / low) ** 2:.2f} times the energy of one at {low:,.10g} V (by V squared, the same "
        "capacitor): derating weighs life against impulse."
    )
    notes = [Note("energy_of_shot", text)]
    if any(c.status == "by a sourced prior" for c in carried):
        text = (
            f"What would help most: tests at two voltages, {SPREAD:g} times apart or more, until some units fail at each; the prior "
            "then gives way to them."
        )
        notes.append(Note("would_help", text))
    return notes
