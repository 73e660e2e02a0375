"""The promise of a module made of slots: the count at which its survival is still bounded as wanted.

The module's hazard over a mission is the sum of its slots' and of drift. Its upper bound is a quantile of
draws from what the records say (``draws``): one sample answers every question of a module, so that a
higher voltage, a longer mission, a surer answer are never promised more. What the unit to be promised has
survived so far is evidence like any other unit's, and its age counts too: with all that were burnt in on
record, choosing one for having survived changes no likelihood. Whether promises are kept is a matter of
simulation: tests/benchmarks/promise.py, unsafe.py and burn_in.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from scipy.optimize import brentq

from reliability.slots.causes import Event, causes_of
from reliability.slots.draws import ModuleDraws, SlotDraws, draw_module, fitted
from reliability.slots.exposure import Array, SlotData
from reliability.slots.grid import EXPONENTS, ages_of, cumulative, exposures
from reliability.slots.suspects import Readings

LONGEST, SHORTEST = 1e9, 1e-6
"""most and least times the pool's middle count that can be promised"""
MOST_HAZARD = 1e300
LEAST_DRAWS = 100
STRIDE = 1.0
"""first step, in logs, on the way to where a count lies"""
CLOSE = 0.01
"""in logs of shots, about where a promise is expected along the voltage"""
NEAR = 0.02
"""chance about the bound within which draws tell what holds it"""


@dataclass(frozen=True)
class Lasted:
    """Units supposed to last a test: shots in turn at ln(V / V_use), ``begun`` shots on each before."""

    units: int
    stretches: tuple[tuple[float, float], ...]
    begun: float = 0.0

    def exposure(self, exponent: Array) -> tuple[Array, Array]:
        """Shots at the voltage of use before and after the test, at exponents."""
        before = np.full(exponent.shape, self.begun)
        return before, before + sum(shots * np.exp(exponent * x) for shots, x in self.stretches)


class ModuleModel:
    """A module's slots together.

    Parameters
    ----------
    slots : sequence of SlotData
    drift : callable, optional
        Hazard of wear towards a limit over so many shots from now: it adds to sudden failure.
    seed : int
    apart : str
        A mode of the first slot that is a hazard of its own however few its failures (``of_mode``).

    Attributes
    ----------
    causes : Causes
        The hazards of the slots, and failures of which it is not known whose they were.
    good : dict of slot index to Lasted
        New units supposed to have lasted a test (``after_good``).
    burnt : float
        Shots that what is to be promised is supposed to have lasted more (``after_burn_in``).
    """

    def __init__(
        self,
        slots: Sequence[SlotData],
        drift: Callable[[float], float] | None = None,
        seed: int = 1,
        apart: str = "",
    ) -> None:
        self.slots = list(slots)
        self.drift = drift or (lambda shots: 0.0)
        self.seed = seed
        self.scale = float(np.exp(np.mean(np.log(np.concatenate([s.units.end for s in slots])))))
        self.apart = apart
        self.causes = causes_of(slots, apart)
        self.good: dict[int, Lasted] = {}
        self.burnt = 0.0

    @cached_property
    def readings(self) -> Readings | None:
        """Whose the failures with several suspects were; None where all are known."""
        return Readings(self.causes, self.scale, self.seed) if self.causes.events else None

    @cached_property
    def draws(self) -> ModuleDraws:
        """The sample that all bounds rest on, one entry a cause."""
        if self.readings:
            return self.readings.draws
        parts = self.causes.parts
        fits = [fitted(p, self.scale) for p in parts]
        return draw_module(parts, fits, self.scale, self.seed)

    @property
    def exact(self) -> bool:
        """Whether the bound is exact."""
        return self.draws.exact

    def _of_slots(self, of_parts: Sequence[float] | Array) -> list[float]:
        """Sums over the causes of each slot."""
        return np.bincount(self.causes.slot, np.asarray(of_parts), len(self.slots)).tolist()

    def main_cause(self, i: int) -> int:
        """The cause of a slot that had most of its failures."""
        mine = [k for k, owner in enumerate(self.causes.slot) if owner == i]
        return max(mine, key=lambda k: self.draws.slots[k].count)

    # --- estimates -------------------------------------------------------------------------

    @cached_property
    def _estimates(self) -> list[_Estimate]:
        rows = zip(self.causes.parts, self.draws.slots, self.causes.slot, strict=True)
        return [_Estimate(part, drawn, self.good.get(i), self.burnt) for part, drawn, i in rows]

    def hazard(self, i: int, shots: float) -> float:
        """Estimated hazard of a slot over so many shots from now; 0 where nothing failed."""
        own = zip(self._estimates, self.causes.slot, strict=True)
        return sum(e.hazard(shots) for e, owner in own if owner == i)

    def shape(self, i: int) -> float:
        """Estimated shape of a slot's life (of its commonest mode); nan where nothing failed."""
        return self._estimates[self.main_cause(i)].shape if self.slots[i].failures else float("nan")

    def exponent(self, i: int) -> float:
        """Estimated voltage exponent; nan where the voltage does not matter."""
        return self._estimates[self.main_cause(i)].exponent if self.slots[i].law else float("nan")

    def exponent_bounds(self, i: int, confidence: float) -> tuple[float, float]:
        """One-sided bounds on a slot's voltage exponent."""
        drawn = self.draws.slots[self.main_cause(i)].exponent
        low, high = np.quantile(drawn, [1 - confidence, confidence])
        return float(low), float(high)

    def total(self, shots: float) -> float:
        """Estimated hazard of all slots and of drift over so many shots from now."""
        return sum(self.hazard(i, shots) for i in range(len(self.slots))) + self.drift(shots)

    def survival(self, shots: float) -> float:
        """Estimated survival of so many shots from now."""
        return float(np.exp(-self.total(shots)))

    def life(self, fraction: float) -> float:
        """Estimated shots by which a fraction has failed; nan where nothing failed."""
        shots = self._where(lambda n: self.total(n) + np.log1p(-fraction))
        return float("nan") if self._endless(shots) else shots

    def _endless(self, shots: float) -> bool:
        """Whether shots are the most that are looked at (what a search ends with is off in its last digits)."""
        return shots >= self.scale * LONGEST * (1 - 1e-6)

    # --- bounds ----------------------------------------------------------------------------

    def _quantile(self, hazards: Array, share: float, weight: Array | None) -> float:
        """Quantile of the draws' hazards."""
        if weight is None:
            return float(np.quantile(hazards, share))
        return float(np.quantile(hazards, share, weights=weight, method="inverted_cdf"))

    def _drawn(self, shots: float, more: bool) -> Array:
        """Hazard of sudden failure in each draw, by cause, (causes, draws)."""
        parts = []
        for d, extra in zip(self.draws.slots, self.draws.extra, strict=True):
            gamma = d.gamma + extra if more else d.gamma
            parts.append(gamma * d.life(shots) + d.early(shots))
        return np.array(parts)

    def lower(self, shots: float, confidence: float) -> float:
        """Lower bound of survival of so many shots from now."""
        hazard = self._quantile(
            self._drawn(shots, True).sum(axis=0), confidence, self.draws.weight_more
        )
        return float(min(np.exp(-hazard - self.drift(shots)), self.survival(shots)))

    def upper(self, shots: float, confidence: float) -> float:
        """Upper bound of survival."""
        hazard = self._quantile(
            self._drawn(shots, False).sum(axis=0), 1 - confidence, self.draws.weight
        )
        return float(max(np.exp(-hazard - self.drift(shots)), self.survival(shots)))

    def promise(self, survival: float, confidence: float) -> float:
        """Shots from now of which the lower bound of survival is ``survival``."""
        return self._where(self._lacking(survival, confidence))

    def outside(self, survival: float, confidence: float) -> float:
        """Shots from now of which the upper bound of survival is ``survival``; inf where nothing ends it."""
        shots = self._where(
            lambda n: float(-np.log(self.upper(n, confidence) + 1e-300) + np.log(survival))
        )
        return float("inf") if self._endless(shots) else shots

    def along(self, x: Array, survival: float, confidence: float) -> Array:
        """The promise with the mission flown at each of rising ln(V / V_use), (m,)."""
        out = np.empty(x.size)
        for k, at in enumerate(x):
            lacking = cache(self.flown_at(float(at))._lacking(survival, confidence))
            if k and SHORTEST * self.scale < out[k - 1] < LONGEST * self.scale:
                # no draw's exponent is above the largest looked at
                steepest = EXPONENTS[-1] * float(at - x[k - 1])
                top = float(np.log(out[k - 1]))
                guess = top + (np.log(out[k - 1] / out[k - 2]) if k > 1 else 0.0)
                out[k] = _crossing(
                    lacking, *_narrowed(lacking, float(guess), (top - steepest, top))
                )
            else:
                out[k] = self._where(lacking)
        return out

    def _lacking(self, survival: float, confidence: float) -> Callable[[float], float]:
        """By how much the hazard that the bound allows over shots is above that of the survival."""
        return lambda n: float(-np.log(self.lower(n, confidence) + 1e-300) + np.log(survival))

    def _where(self, lacking: Callable[[float], float]) -> float:
        """Where a rising function of shots meets 0."""
        start, step = np.log(self.scale), STRIDE
        up = lacking(self.scale) < 0
        end = start + np.log(LONGEST if up else SHORTEST)
        while step < abs(end - start):
            far = start + step if up else start - step
            if (lacking(float(np.exp(far))) < 0) != up:
                return _crossing(lacking, *sorted((start, far)))
            start, step = far, 2 * step
        if (lacking(float(np.exp(end))) < 0) == up:
            return float(np.exp(end)) if up else 0.0
        return _crossing(lacking, *sorted((start, end)))

    def first_to_fail(self, grid: Sequence[float] | Array) -> list[float]:
        """Probability of each slot to fail first within a grid of shots from 0, as estimated."""
        slots = range(len(self.slots))
        return first_failure_shares(
            [np.array([self.hazard(i, s) if s > 0 else 0.0 for s in grid]) for i in slots]
        )

    def only(self, i: int) -> ModuleModel:
        """One slot by itself, without drift; what it borrowed of the others it keeps."""
        return self._narrowed([k for k, owner in enumerate(self.causes.slot) if owner == i], i)

    def of_mode(self, mode: str) -> ModuleModel:
        """The mode of the first slot that is kept apart, by itself: the others do not end units."""
        own = zip(self.causes.slot, self.causes.mode, strict=True)
        k = next(k for k, found in enumerate(own) if found == (0, mode))
        out = self._narrowed([k], 0)
        failed = self.causes.parts[k].units.failed.copy()
        failed[list(self.shares_of(k))] = True
        out.slots = [replace(out.slots[0], units=replace(out.slots[0].units, failed=failed))]
        return out

    def _narrowed(self, own: Sequence[int], i: int) -> ModuleModel:
        """Some causes of a slot by themselves, with the whole of the one failure more."""
        extra = self.draws.extra[own]
        extra[0] += self.draws.extra.sum(axis=0) - extra.sum(axis=0)
        out = ModuleModel([self.slots[i]], seed=self.seed)
        out.scale = self.scale
        seen = [self.draws.seen_early[k] for k in own]
        out.draws = ModuleDraws([self.draws.slots[k] for k in own], extra, seen)
        out._estimates = [self._estimates[k] for k in own]
        out.causes = self.causes.of(own)
        return out

    def flown_at(self, x: float) -> ModuleModel:
        """The same with the mission flown at ln(V / V_use) = x, from the same draws."""
        slots = [replace(s, mission=((x, 1.0),)) for s in self.slots]
        drawn = [replace(d, pace=np.exp(x * d.exponent)) for d in self.draws.slots]
        return self._with(slots, replace(self.draws, slots=drawn))

    def after_burn_in(self, shots: float) -> ModuleModel:
        """The same if what is to be promised lasted so many shots more at the voltage of use.

        It is older, and each draw counts by how likely that was in it.
        """
        d, run = self.draws, self.flown_at(0.0)
        drawn = [replace(own, age=own.age + shots / self.scale) for own in d.slots]
        told = replace(
            d, slots=drawn,
            weight=_told(d.weight, run._drawn(shots, False).sum(axis=0)),
            weight_more=_told(d.weight_more, run._drawn(shots, True).sum(axis=0)),
        )  # fmt: skip
        out = self._with([_older(s, shots) for s in self.slots], told)
        out.burnt += shots
        return out

    def new(self) -> ModuleModel:
        """The same with what is to be promised new, from the same draws."""
        slots = [replace(s, ages=np.zeros_like(s.ages)) for s in self.slots]
        drawn = [replace(d, age=np.zeros_like(d.age)) for d in self.draws.slots]
        return self._with(slots, replace(self.draws, slots=drawn))

    def after_good(self, tests: Mapping[int, Lasted]) -> ModuleModel:
        """The same if units lasted a test, by slot index: each draw counts by how likely that is in it."""
        d = self.draws
        hazard, more = self._over(tests)
        out = self._with(
            self.slots,
            replace(d, weight=_told(d.weight, hazard), weight_more=_told(d.weight_more, more)),
        )
        out.good = dict(tests)
        return out

    def _over(self, tests: Mapping[int, Lasted]) -> tuple[Array, Array]:
        """Hazard of tests in each draw, and with its one failure more."""
        both = np.zeros((2, self.draws.extra.shape[1]))
        rows = zip(self.draws.slots, self.draws.extra, self.causes.slot, strict=True)
        for d, extra, i in rows:
            if i in tests:
                begun, end = (z / d.scale for z in tests[i].exposure(d.exponent))
                life, early = d.life_between(begun, end), d.early_between(begun, end)
                both += tests[i].units * (np.stack((d.gamma, d.gamma + extra)) * life + early)
        return both[0], both[1]

    def lasts(self, shots: float) -> float:
        """Chance that what is to be promised lasts so many shots from now, over the draws.

        Where nothing has failed with the one failure more (Laplace's rule of succession).
        """
        failed = any(s.failures for s in self.slots)
        return self._mean(self._drawn(shots, not failed).sum(axis=0) + self.drift(shots), failed)

    def all_last(self, tests: Mapping[int, Lasted]) -> float:
        """Chance that all units last a test, by slot index, as ``lasts``."""
        failed = any(self.slots[i].failures for i in tests)
        return self._mean(self._over(tests)[0 if failed else 1], failed)

    def _mean(self, hazard: Array, failed: bool) -> float:
        weight = self.draws.weight if failed else self.draws.weight_more
        return float(np.average(np.exp(-hazard), weights=weight))

    def oldest(self) -> float:
        """Most shots at the voltage of use by which a unit to be promised has aged, as estimated."""
        return self.scale * max(float(e.age.max(initial=0.0)) for e in self._estimates)

    @property
    def tells(self) -> bool:
        """Whether enough draws have weight (effective size: Kish 1965) for quantiles to be told."""
        w = self.draws.weight_more
        return w is None or float(w.sum() ** 2 / (w**2).sum()) >= LEAST_DRAWS

    def given(self, weight: Array) -> ModuleModel:
        """The same with each draw counting so much more, (draws,)."""
        d = self.draws
        less, more = (weight if w is None else weight * w for w in (d.weight, d.weight_more))
        return self._with(self.slots, replace(d, weight=less, weight_more=more))

    def if_of(self, event: int, suspect: int) -> ModuleModel:
        """The same if it were known which of its suspects an unclear failure was of."""
        assert self.readings is not None
        return self.given(self.readings.if_of(event, suspect))

    def shares(self) -> list[Array]:
        """Of each failure whose cause is unclear, the chance that it was of each of its suspects."""
        return [s for _, s in self._unclear()]

    def _with(self, slots: Sequence[SlotData], draws: ModuleDraws) -> ModuleModel:
        """These slots, flown or aged otherwise, with these draws of the same hazards."""
        out = ModuleModel(slots, self.drift, self.seed, self.apart)
        out.scale, out.causes = self.scale, self.causes.in_slots(slots)
        out.draws, out.good, out.burnt = draws, dict(self.good), self.burnt
        return out

    def held_down_by(self, shots: float, confidence: float) -> list[float]:
        """Share of the hazard that each slot has where the bound is met: what holds the promise down."""
        parts = self._drawn(max(shots, self.scale * SHORTEST), True)
        total = parts.sum(axis=0)
        low, high = np.quantile(total, [max(confidence - NEAR, 0), min(confidence + NEAR, 1)])
        near = (total >= low) & (total <= high)
        shares = parts[:, near].sum(axis=1)
        return self._of_slots(shares / shares.sum())

    def early_seen(self) -> list[str]:
        """Slots whose records speak for early failures apart from the rest."""
        seen = self._of_slots(np.array(self.draws.seen_early, float))
        return [s.name for s, e in zip(self.slots, seen, strict=True) if e]

    def grouped(self) -> list[str]:
        """Slots whose bound allows for how far builders or lots differ."""
        own = self._of_slots([float(d.grouped) for d in self.draws.slots])
        return [s.name for s, g in zip(self.slots, own, strict=True) if g]

    def shares_of(self, k: int) -> dict[int, float]:
        """Rows of a cause whose failures may have been others', with the share that falls to it."""
        return {
            row: float(v)
            for e, s in self._unclear()
            for (part, row), v in zip(e.suspects, s, strict=True)
            if part == k
        }

    def sure_and_unclear(self, which: Sequence[int]) -> tuple[int, int]:
        """Failures of unclear cause that were surely of one of these causes, and those that may have been."""
        met = [{part in which for part, _ in e.suspects} for e in self.causes.events]
        return sum(m == {True} for m in met), sum(m == {True, False} for m in met)

    def reckoned(self, suspects: bool = True) -> dict[str, float]:
        """Failures whose cause is unclear as they are reckoned: those with suspects to slots, those of
        unknown mode to modes of slots."""
        out: dict[str, float] = {}
        for event, share in self._unclear():
            if bool(event.label) != suspects:
                continue
            for (part, _), v in zip(event.suspects, share, strict=True):
                name = self.slots[self.causes.slot[part]].name
                if not suspects:
                    name = f"{self.causes.mode[part] or 'other modes'} of {name}"
                out[name] = out.get(name, 0.0) + float(v)
        return out

    def _unclear(self) -> list[tuple[Event, Array]]:
        if self.readings is None:
            return []
        return list(zip(self.causes.events, self.readings.shares, strict=True))

    def suspected(self) -> int:
        """Failures with several suspects."""
        return sum(bool(e.label) for e in self.causes.events)

    def of_unknown_mode(self) -> int:
        """Failures that may have been of several modes of one slot."""
        return sum(not e.label for e in self.causes.events)

    def as_if_known(self) -> ModuleModel:
        """The same if the likeliest suspect of each failure were known to be it."""
        if self.readings is None:
            return self
        return self._with(self.slots, self.readings.likeliest())


def _narrowed(
    lacking: Callable[[float], float], guess: float, wide: tuple[float, float]
) -> tuple[float, float]:
    """Logs of shots closer about the crossing, if it lies about the guess; else those given."""
    low, high = max(guess - CLOSE, wide[0]), min(guess + CLOSE, wide[1])
    if not low < high:
        return wide
    holds = lacking(float(np.exp(low))) < 0 < lacking(float(np.exp(high)))
    return (low, high) if holds else wide


def _crossing(lacking: Callable[[float], float], low: float, high: float) -> float:
    """Shots between two logs of shots where a rising function meets 0; an end where it does not."""

    @cache
    def at(u: float) -> float:
        return lacking(float(np.exp(u)))

    if at(low) >= 0:
        return float(np.exp(low))
    if at(high) <= 0:
        return float(np.exp(high))
    return float(np.exp(brentq(at, low, high, xtol=1e-6)))


def _told(weight: Array | None, hazard: Array) -> Array | None:
    """Weights of draws once a test without failure is known, ``hazard`` being that of the test in each."""
    if not hazard.any():
        return weight
    # only ratios matter: a test that no draw makes likely still weighs them against each other
    hazard = np.minimum(hazard, MOST_HAZARD)
    return np.asarray((1.0 if weight is None else weight) * np.exp(hazard.min() - hazard))


class _Estimate:
    """A cause's law as estimated: mean log shape and mean exponent, the rates that go with them."""

    def __init__(self, part: SlotData, drawn: SlotDraws, good: Lasted | None, burnt: float) -> None:
        self.copies, self.scale = part.copies, drawn.scale
        mine = np.full(drawn.law.size, True) if drawn.spoken else drawn.law < 0
        mine = mine if mine.any() else ~mine
        self.shape = float(np.exp(np.log(drawn.shape[mine]).mean()))
        e = np.array([drawn.exponent[mine].mean()])
        self.exponent = float(e[0])
        begin, end = exposures(part, e, drawn.scale)
        # failures of either cause, as many as were seen
        exposure = float((end**self.shape - begin**self.shape).sum())
        if good is not None:
            before, after = (z[0] / drawn.scale for z in good.exposure(e))
            exposure += good.units * float(after**self.shape - before**self.shape)
        self.age = ages_of(part, e, drawn.scale)[0]
        if burnt:
            gained = self.age**self.shape - (self.age - burnt / drawn.scale) ** self.shape
            exposure += part.copies * float(gained.sum())
        self.rate = drawn.count / exposure
        laws = np.unique(drawn.law[drawn.law >= 0]) if drawn.spoken else ()
        self.early = [
            (int(k), float(drawn.rate[drawn.law == k].sum()) / drawn.rate.size, float(drawn.width[drawn.law == k].mean()))
            for k in laws
        ]  # fmt: skip
        self.pace = float(part.pace(e)[0])

    def hazard(self, shots: float) -> float:
        run = self.pace * shots / self.scale
        one = self.rate * float(((self.age + run) ** self.shape - self.age**self.shape).sum())
        for law, rate, width in self.early:
            w = np.array(width)
            one += rate * float(
                (cumulative(law, self.age + run, w) - cumulative(law, self.age, w)).sum()
            )
        return self.copies * one


def _older(slot: SlotData, shots: float) -> SlotData:
    """The slot with its unit to be promised older by so many shots at the voltage of use."""
    ages = slot.ages.copy()
    ages[:, -1] += shots
    return replace(slot, ages=ages)


def first_failure_shares(hazards: Sequence[Array]) -> list[float]:
    """Probability that each of several independent hazards strikes first, by integration.

    Parameters
    ----------
    hazards : sequence of arrays (m,)
        Cumulative hazards along one grid of counts.
    """
    total = np.sum(hazards, axis=0)
    alive = np.exp(-total)
    middle = 0.5 * (alive[1:] + alive[:-1])
    return [float((middle * np.diff(h)).sum()) for h in hazards]
