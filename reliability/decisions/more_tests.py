"""What would help most: tests of a module, or of one of its slots, and what each would make of the promise."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np

from reliability.decisions.bench import Bench
from reliability.notes import Note
from reliability.slots.exposure import UNNAMED, SlotData
from reliability.slots.promise import Lasted, ModuleModel
from reliability.words import bench_text, percent_text, so_many_shots

NAN = float("nan")
INF = float("inf")
USUAL = Bench()
LEAST_CHANCE = 0.2
"""tests that are survived less surely than this are not offered (a choice)"""
SHOWN = 8
"""tests that are told of, the best of those looked at"""
STEPS = (0.1, 0.5)
"""chance to fail within the tests that are offered (choices)"""
WIDE = 1.5
"""estimate over bound from which an answer is called wide, and what would help is said (a choice)"""
SURER = 0.1
"""least share by which more burn-in lowers the chance to fail in the mission, as estimated, to be offered (a choice)"""
AT_RISK = 0.8
"""what is to fly is not put on the bench for longer than it lasts this surely (a choice)"""
FEW_UNITS, MORE_UNITS = 2, 5
"""units of one slot that are offered as a test (choices)"""
GAIN = 0.03
"""least share by which a test that is offered lengthens the promise; and least share of the hazard at the bound that a
slot has whose tests are looked at (choices)"""


@dataclass(frozen=True)
class MoreTest:
    """What a test without failure would change; bench days at the rate, units one after the other.

    Attributes
    ----------
    slot : str
        "" where it is a whole module.
    units : int
    what : str
        In words.
    shots : float
        On each unit.
    days : float
        On the bench, in all.
    survives_it : float
        Chance that nothing fails in it, over what the records leave open.
    survival, lower : float
        Of the mission, afterwards; survival is nan where nothing has failed.
    promise : float
        Afterwards.
    gain_a_day : float
        Shots that the promise gains, times the chance that nothing fails, a bench day.
    cost : float
        Of units and bench days, as far as they have a price.
    """

    slot: str
    units: int
    what: str
    shots: float
    days: float
    survives_it: float
    survival: float
    lower: float
    promise: float
    gain_a_day: float
    cost: float = 0.0


@dataclass(frozen=True)
class Wanted:
    """What is promised: a mission (of any length where none is told), the survival and confidence of the promise,
    and the bench."""

    shots: float
    survival: float
    confidence: float
    bench: Bench = USUAL


@dataclass(frozen=True)
class _Offer:
    """A test that may be worth running.

    Attributes
    ----------
    slot : str
        "" where it is a whole module.
    units : int
    what : str
    shots : float
        On each unit.
    survives_it : float
    then : ModuleModel
        If nothing fails in it.
    """

    slot: str
    units: int
    what: str
    shots: float
    survives_it: float
    then: ModuleModel


def more_tests(
    model: ModuleModel, wanted: Wanted, promised: float, beside: Sequence[MoreTest] = ()
) -> tuple[MoreTest, ...]:
    """Tests that lengthen a promise if nothing fails in them, most shots gained a bench day first.

    Parameters
    ----------
    model : ModuleModel
    wanted : Wanted
    promised : float
        Now.
    beside : sequence of MoreTest
        Tests of what is promised itself, to be told of in the same order (``burn_in_tests``).

    What a test would tell is looked at in the draws that the promise rests on: each counts by how likely
    it makes a test without failure.
    """
    reach = wanted.shots + model.oldest()
    new, worst = model.new(), int(np.argmax(model.held_down_by(promised, wanted.confidence)))
    offers = [
        _sister(model, length)
        for length in likely_lengths(new, 1.0) or untried_lengths(new.slots, reach)
    ]
    more = (worst, MORE_UNITS)
    offers += [_more_of(model, more, length) for length in _of_slot(new, more, reach)]
    return best_first([*beside, *_worth_it(offers, wanted, promised)])


def burn_in_tests(
    model: ModuleModel, wanted: Wanted, promised: float
) -> tuple[tuple[MoreTest, ...], tuple[Note, ...]]:
    """More burn-in of what is promised itself where that is worth the shots it burns; and why not where it only seems so.

    Shots on the bench wear out what flies. So it has to make the mission surer as estimated: the chance to fail in it
    falls by ``SURER``. Where nothing has failed there is no estimate; then the promise has to gain more than is burnt.
    """
    lengths = likely_lengths(model, 1.0) or [wanted.shots / 2, wanted.shots]
    offers = [o for o in (_burn_in(model, n) for n in lengths) if o.survives_it >= AT_RISK]
    tests = _worth_it(offers, wanted, promised)
    now = model.survival(wanted.shots)
    good = [t for t in tests if _worth_the_shots(t, now, promised)]
    return tuple(good), () if good else _not_worth(tests, now, promised)


def _worth_the_shots(t: MoreTest, now: float, promised: float) -> bool:
    """Whether a burn-in gives what flies more than it takes; ``now``: the mission's survival as estimated without."""
    if np.isnan(t.survival):
        return t.promise - promised > t.shots
    return 1 - t.survival <= (1 - SURER) * (1 - now)


def _not_worth(tests: Sequence[MoreTest], now: float, promised: float) -> tuple[Note, ...]:
    """Why no burn-in is offered although the bound would rise by it."""
    if not tests:
        return ()
    t = max(tests, key=lambda t: t.promise)
    text = (
        f"More burn-in is not offered: {so_many_shots(t.shots)} of it would raise the promise by "
        f"{so_many_shots(t.promise - promised)}, "
    )
    if np.isnan(t.survival):
        text += "fewer than they take from what flies."
    else:
        to = "change" if t.survival >= now else "lower"
        before, after = percent_text(now), percent_text(t.survival)
        moved = f"from {before} to {after}" if before != after else f"hardly, at {after}"
        text += f"but {to} the chance to last the mission, as estimated, {moved}: it tells more of the unit, and wears it out."
    return (Note("burn_in_not_worth", text),)


def tests_of_slots(
    model: ModuleModel,
    wanted: Wanted,
    promised: float,
    counts: Sequence[int],
    longest: Callable[[int], float] = lambda units: INF,
) -> tuple[MoreTest, ...]:
    """The same of new units of each slot, so many at a time, where what is promised is new.

    ``longest`` gives the most shots that each of so many units may run: longer tests are cut.
    """
    offers: dict[tuple[int, int, float], _Offer] = {}
    for i, share in enumerate(model.held_down_by(promised, wanted.confidence)):
        for n in counts if share >= GAIN else ():
            for length in _of_slot(model, (i, n), wanted.shots):
                most = longest(n)
                cut = length if length <= most else handy(most)
                if cut <= most and (i, n, cut) not in offers:
                    offers[i, n, cut] = _more_of(model, (i, n), cut)
    return _worth_it(offers.values(), wanted, promised)


def _burn_in(model: ModuleModel, length: float) -> _Offer:
    chance = model.flown_at(0.0).lasts(length)
    return _Offer("", 1, "more burn-in", length, chance, model.after_burn_in(length))


def _of_slot(new: ModuleModel, tested: tuple[int, int], reach: float) -> list[float]:
    """Lengths of a test of ``tested``: slot, units."""
    i, units = tested
    slot = new.slots[i]
    return likely_lengths(new, units / slot.copies, i) or untried_lengths([slot], reach)


def _more_of(model: ModuleModel, tested: tuple[int, int], length: float) -> _Offer:
    """New units of ``tested``: slot, units."""
    i, units = tested
    slot, tests = model.slots[i].name, {i: Lasted(units, ((length, 0.0),))}
    what = f"{units} more units" if slot == UNNAMED else f"{units} more of {slot.replace('_', ' ')}"
    return _Offer(slot, units, what, length, model.all_last(tests), model.after_good(tests))


def _sister(model: ModuleModel, length: float) -> _Offer:
    tests = {i: Lasted(round(s.copies), ((length, 0.0),)) for i, s in enumerate(model.slots)}
    what = "a sister module"
    return _Offer("", 1, what, length, model.all_last(tests), model.after_good(tests))


def likely_lengths(model: ModuleModel, units: float, slot: int | None = None) -> list[float]:
    """Lengths that so many units (of a slot) last with the wanted chances, as estimated; none where nothing failed."""
    found = [model.life(float(1 - (1 - share) ** (1 / units)), slot) for share in STEPS]
    return [handy(s) for s in found if np.isfinite(s) and s > 0]


def handy(shots: float) -> float:
    """A whole count of two figures, no more than ``shots``; 1 at least: what a person would set on a bench."""
    step = 10.0 ** max(np.floor(np.log10(max(shots, 1.0))) - 1, 0)
    return float(max(np.floor(shots / step) * step, 1.0))


def untried_lengths(slots: Sequence[SlotData], reach: float) -> list[float]:
    """Lengths where nothing failed: as long and twice as long as any was tested, and what is wanted where it is longer."""
    longest = max(float(s.units.end.max()) for s in slots)
    return [longest, 2 * longest, *([reach] if reach > 2 * longest else [])]


def _worth_it(offers: Iterable[_Offer], wanted: Wanted, promised: float) -> tuple[MoreTest, ...]:
    """Those that are likely enough to be survived and lengthen the promise, best first."""
    kept = []
    for o in offers:
        if o.survives_it >= LEAST_CHANCE and o.then.tells:
            test = _test(o, wanted, promised)
            if test.promise - promised > GAIN * promised:
                kept.append(test)
    return best_first(kept)


class Offered(Protocol):
    """A test that is offered, of a module, a slot, or a slot at a voltage."""

    @property
    def what(self) -> str: ...
    @property
    def units(self) -> int: ...
    @property
    def shots(self) -> float: ...
    @property
    def promise(self) -> float: ...
    @property
    def gain_a_day(self) -> float: ...


T = TypeVar("T", bound=Offered)


def best_first(tests: Sequence[T]) -> tuple[T, ...]:
    """The tests to be told of, most shots gained a bench day first; none that a shorter one of its kind makes needless."""
    offered = [t for t in tests if not any(_as_good_sooner(u, t) for u in tests)]
    return tuple(sorted(offered, key=lambda t: -t.gain_a_day)[:SHOWN])


def _as_good_sooner(a: Offered, b: Offered) -> bool:
    """Whether ``a`` is ``b`` made shorter, and promises as much if nothing fails: then nobody runs ``b``."""
    return (a.what, a.units) == (b.what, b.units) and a.shots < b.shots and a.promise >= b.promise


def _test(o: _Offer, wanted: Wanted, promised: float) -> MoreTest:
    then = o.then.promise(wanted.survival, wanted.confidence)
    days = wanted.bench.days(o.units, o.shots)
    estimated = any(s.failures for s in o.then.slots)
    survival = o.then.survival(wanted.shots) if estimated else NAN
    return MoreTest(
        o.slot, o.units, o.what, o.shots, days, o.survives_it, survival,
        o.then.lower(wanted.shots, wanted.confidence), then, (then - promised) * o.survives_it / days,
        wanted.bench.cost(o.units, o.shots),
    )  # fmt: skip


def more_note(tests: Sequence[MoreTest]) -> tuple[Note, ...]:
    """The test that helps most, in words."""
    if not tests:
        return ()
    t = tests[0]
    text = (
        f"What would help most: {t.what} for {so_many_shots(t.shots)} ({bench_text(t.days)}; nothing fails with "
        f"probability {percent_text(t.survives_it)}) would make the bound {so_many_shots(t.promise)}."
    )
    return (Note("would_help", text),)
