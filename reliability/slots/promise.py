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
from copy import copy
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from scipy.optimize import brentq

from reliability.slots.causes import Causes, Event, causes_of
from reliability.slots.draws import (
    Fitted,
    ModuleDraws,
    Sampling,
    SlotDraws,
    draw_module,
    falling_odds,
    fitted,
    off_grid,
    strata,
)
from reliability.slots.exposure import Array, SlotData, middle_of
from reliability.slots.grid import EXPONENTS, ages_of, cumulative, exposures
from reliability.slots.mission import LONGEST, SHORTEST, Drift, Mission, no_drift
from reliability.slots.suspects import Known, Readings

INF = float("inf")
MOST_HAZARD = 1e300
LEAST_DRAWS = 100
STRIDE = 1.0
"""first step, in logs, on the way to where a count lies"""
CLOSE = 0.01
"""in logs of shots, about where a promise is expected along the voltage"""
FALLS = 3.0
"""odds for a falling hazard above which it cannot be declared that none does; a choice, by simulation
(tests/benchmarks/no_early_failures.py)"""
FALLING = 0.9
"""shape from which down a hazard is said to fall; one of 0.9 to 1 hardly does"""
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
    drift : callable
        Hazard of wear towards a limit over shots from now: it adds to sudden failure.
    seed : int
    apart : str
        A mode of the first slot that is a hazard of its own however few its failures (``of_mode``).
    burned_in : bool
        Whether it is declared that no hazard falls with shots (``speaks_against_burn_in`` says where records
        contradict it).

    Attributes
    ----------
    good : dict of slot index to Lasted
        New units supposed to have lasted a test (``after_good``).
    burnt : float
        Shots that what is to be promised is supposed to have lasted more (``after_burn_in``).
    """

    def __init__(
        self,
        slots: Sequence[SlotData],
        drift: Drift = no_drift,
        seed: int = 1,
        apart: str = "",
        burned_in: bool = False,
    ) -> None:
        self.slots = list(slots)
        self.drift = drift
        self.seed = seed
        self.apart, self.burned_in = apart, burned_in
        self.good: dict[int, Lasted] = {}
        self.burnt = 0.0
        self._promised: dict[tuple[float, float], float] = {}
        self._kin: dict[tuple[int, ...], ModuleModel] = {}
        self._known: Known = {}

    @cached_property
    def scale(self) -> float:
        """The pool's middle, in shots: about it is looked."""
        return middle_of(np.concatenate([s.units.end for s in self.slots]))

    @cached_property
    def causes(self) -> Causes:
        """The hazards of the slots, and failures of which it is not known whose they were."""
        return causes_of(self.slots, self.apart)

    @cached_property
    def readings(self) -> Readings | None:
        """Whose the failures with several suspects were; None where all are known."""
        if not self.causes.events:
            return None
        return Readings(self.causes, self.scale, self._sampling, self._known)

    @property
    def _sampling(self) -> Sampling:
        return Sampling(self.seed, burned_in=self.burned_in)

    @cached_property
    def draws(self) -> ModuleDraws:
        """The sample that all bounds rest on, one entry a cause."""
        if self.readings:
            return self.readings.draws
        return draw_module(self.causes.parts, self._fits, self.scale, self._sampling)

    @cached_property
    def _fits(self) -> list[Fitted]:
        """What the records of each cause say, its own failures those that are known."""
        return [fitted(p) for p in self.causes.parts]

    @property
    def exact(self) -> bool:
        """Whether the bound is exact."""
        return self.draws.exact

    def _of_slots(self, of_parts: Sequence[float] | Array) -> list[float]:
        """Sums over the causes of each slot."""
        return np.bincount(self.causes.slot, np.asarray(of_parts), len(self.slots)).tolist()

    def main_cause(self, i: int) -> int:
        """The cause of a slot that had most of its failures."""
        return max(self._causes_of(i), key=lambda k: self.draws.slots[k].count)

    # --- estimates -------------------------------------------------------------------------

    @cached_property
    def _estimates(self) -> list[_Estimate]:
        return self._estimated()

    def _estimated(self) -> list[_Estimate]:
        rows = zip(self.causes.parts, self.draws.slots, self.causes.slot, strict=True)
        return [_Estimate(part, drawn, self.good.get(i), self.burnt) for part, drawn, i in rows]

    def hazard(self, i: int, shots: float) -> float:
        """Estimated hazard of a slot over so many shots from now; 0 where nothing failed."""
        return float(self._hazards(i, np.array(shots)))

    def _hazards(self, i: int, shots: Array) -> Array:
        own = zip(self._estimates, self.causes.slot, strict=True)
        return np.asarray(sum(e.hazard(shots) for e, owner in own if owner == i))

    def shape(self, i: int) -> float:
        """Estimated shape of a slot's life (of its commonest mode); nan where nothing failed."""
        return self._estimates[self.main_cause(i)].shape if self.slots[i].failures else float("nan")

    def exponent(self, i: int) -> float:
        """Estimated voltage exponent; nan where the voltage does not matter."""
        return self._estimates[self.main_cause(i)].exponent if self.slots[i].law else float("nan")

    def exponent_bounds(self, i: int, confidence: float) -> tuple[float, float]:
        """One-sided bounds on a slot's voltage exponent."""
        k = self.main_cause(i)
        drawn = self._spread_exponents(k)
        weight = self.draws.weight
        return (
            _quantile(drawn, 1 - confidence, weight),
            _quantile(drawn, confidence, weight),
        )

    def _spread_exponents(self, k: int) -> Array:
        """A cause's exponents drawn, between those of the grid."""
        drawn = self.draws.slots[k].exponent
        return off_grid(drawn, EXPONENTS, strata(k + 1, drawn.size, self.seed + 1)[k])

    def total(self, shots: float) -> float:
        """Estimated hazard of all slots and of drift over so many shots from now."""
        return sum(float(e.hazard(np.array(shots))) for e in self._estimates) + self._drifted(shots)

    def _drifted(self, shots: float) -> float:
        return float(self.drift(np.array([shots]))[0])

    def survival(self, shots: float) -> float:
        """Estimated survival of so many shots from now."""
        return float(np.exp(-self.total(shots)))

    def life(self, fraction: float, i: int | None = None) -> float:
        """Estimated shots by which a fraction has failed (of one slot, where its index is given); nan where nothing failed."""
        hazard = self.total if i is None else lambda n: self.hazard(i, n)
        shots = self._where(lambda n: hazard(n) + np.log1p(-fraction))
        return float("nan") if self._endless(shots) else shots

    def _endless(self, shots: float) -> bool:
        """Whether shots are the most that are looked at (what a search ends with is off in its last digits)."""
        return shots >= self.scale * LONGEST * (1 - 1e-6)

    # --- bounds ----------------------------------------------------------------------------

    @cached_property
    def bounding(self) -> list[ModuleModel]:
        """Slots by themselves that a module without any failure is promised no longer than.

        The exact bound of a series system without failures is that of its worst slot (Buehler 1957), while the one failure
        more falls to one slot a draw. Where units failed, the others' shapes tell more than a slot by itself knows.
        """
        if len(self.slots) == 1 or any(s.failures for s in self.slots):
            return []
        return [self.only(i) for i in range(len(self.slots))]

    @cached_property
    def mission(self) -> Mission:
        """What missions cost in each draw."""
        return Mission(self.draws.slots, self.draws.extra, self.scale, self.drift)

    def lower(self, shots: float, confidence: float) -> float:
        """Lower bound of survival of so many shots from now."""
        hazard = _quantile(self.mission.totals(shots)[1], confidence, self.draws.weight_more)
        own = min(np.exp(-hazard - self._drifted(shots)), self.survival(shots))
        return float(min(own, *(s.lower(shots, confidence) for s in self.bounding), 1.0))

    def upper(self, shots: float, confidence: float) -> float:
        """Upper bound of survival; all may survive counts before which nothing has failed: there priors alone would say less."""
        if shots < self._untouched and not self.exact:
            return float(np.exp(-self._drifted(shots)))
        hazard = _quantile(self.mission.totals(shots)[0], 1 - confidence, self.draws.weight)
        return float(max(np.exp(-hazard - self._drifted(shots)), self.survival(shots)))

    @cached_property
    def _untouched(self) -> float:
        """Shots from now before which no unit of any slot has failed, by the estimated law of voltage."""
        found = [INF]
        for i, s in enumerate(self.slots):
            e = np.array([self.exponent(i)])
            failed = s.units.failed
            if failed.any():
                first = exposures(s, e, self.scale)[1][0, failed].min()
                found.append(
                    float((first - ages_of(s, e, self.scale).max()) / s.pace(e)[0] * self.scale)
                )
        return min(found)

    def promise(self, survival: float, confidence: float) -> float:
        """Shots from now of which the lower bound of survival is ``survival``."""
        asked = survival, confidence
        if asked not in self._promised:
            weight = self.draws.weight_more
            own = (
                self._where(self._lacking(*asked))
                if weight is None
                else self._weighed(*asked, weight)
            )
            self._promised[asked] = min(own, *(s.promise(*asked) for s in self.bounding), INF)
        return self._promised[asked]

    def _weighed(self, survival: float, confidence: float, weight: Array) -> float:
        """The same where draws have weights: each draw's own count, weighed; one sample of counts does for
        all weights."""
        shots = self.mission.reached(float(-np.log(survival)))
        order = np.argsort(-shots)
        sums = np.cumsum(weight[order])
        lower = float(shots[order[np.searchsorted(sums, confidence * sums[-1])]])
        if lower <= self.scale * SHORTEST * (1 + 1e-6):
            return 0.0
        return float(np.fmin(lower, self.life(1 - survival)))

    def life_ratio(self, x: float, other: float, fraction: float) -> Array:
        """In each draw, the life that 1 - fraction keep at ln(V / V_use) = x over that at ``other``.

        The one failure more is left out: it is of the bound on the life, not of how life goes with the voltage.
        """
        here = self.flown_at(x)
        spread = [
            replace(d, pace=d.pace * np.exp((other - x) * self._spread_exponents(k)))
            for k, d in enumerate(here.draws.slots)
        ]
        there = here._with(here.slots, replace(here.draws, slots=spread))
        return np.asarray(here._drawn_life(fraction) / there._drawn_life(fraction))

    def _drawn_life(self, fraction: float) -> Array:
        """Shots by which a fraction has failed suddenly, in each draw."""
        d = self.draws
        of_one = Mission(d.slots, np.zeros_like(d.extra), self.scale, no_drift)
        return of_one.reached(float(-np.log1p(-fraction)))

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
        shots = np.asarray(grid, float)
        return first_failure_shares([self._hazards(i, shots) for i in range(len(self.slots))])

    def only(self, i: int) -> ModuleModel:
        """One slot by itself, without drift, as its own records tell it: what ``life`` says of it.

        Slots in which its failures have suspects are drawn with it, and left out then.
        """
        kin = self._suspected_with(i)
        if len(kin) > 1:
            if kin == tuple(range(len(self.slots))):
                return self._narrowed(self._causes_of(i), i)
            if kin not in self._kin:
                self._kin[kin] = self._undrifted(kin)
            return self._kin[kin].only(kin.index(i))
        if len(self.slots) == 1 and self.drift is no_drift:
            return self
        out = self._undrifted(kin)
        if not self.causes.events:
            out._fits = [self._fits[k] for k in self._causes_of(i)]
        return out

    def _undrifted(self, some: Sequence[int]) -> ModuleModel:
        """Some slots by themselves."""
        slots = [self.slots[j] for j in some]
        out = ModuleModel(slots, seed=self.seed, burned_in=self.burned_in)
        out._known = self._known
        return out

    def _causes_of(self, i: int) -> list[int]:
        """The causes of a slot."""
        return [k for k, owner in enumerate(self.causes.slot) if owner == i]

    def _suspected_with(self, i: int) -> tuple[int, ...]:
        """A slot and those in which its failures have suspects, by name."""
        of = self.causes.slot
        met = [{of[k] for k, _ in e.suspects} for e in self.causes.events]
        kin = {i}.union(*(slots for slots in met if i in slots))
        return tuple(sorted(kin, key=lambda j: (self.slots[j].name, j)))

    def with_shapes(self, i: int, shapes: Array) -> ModuleModel | None:
        """One slot by itself, its shape drawn from a distribution of shapes; None where its failures are of several
        causes, or nobody knows whose."""
        own = self._causes_of(i)
        if len(own) > 1 or any(k == own[0] for e in self.causes.events for k, _ in e.suspects):
            return None
        out = ModuleModel([self.slots[i]], seed=self.seed, burned_in=self.burned_in)
        out.causes, out._fits = self.causes.of(own), [self._fits[own[0]]]
        how = replace(self._sampling, shapes=shapes)
        out.draws = draw_module(out.causes.parts, out._fits, out.scale, how)
        return out

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
        out = ModuleModel([self.slots[i]], seed=self.seed, burned_in=self.burned_in)
        seen = [self.draws.seen_early[k] for k in own]
        out.draws = ModuleDraws([self.draws.slots[k] for k in own], extra, seen)
        out._estimates = [self._estimates[k] for k in own]
        out.causes = self.causes.of(own)
        return out

    def flown_at(self, x: float) -> ModuleModel:
        """The same with the mission flown at ln(V / V_use) = x, from the same draws."""
        slots = [replace(s, mission=((x, 1.0),)) for s in self.slots]
        drawn = [replace(d, pace=np.exp(x * d.exponent)) for d in self.draws.slots]
        out = self._with(slots, replace(self.draws, slots=drawn))
        out.bounding = [s.flown_at(x) for s in self.bounding]
        return out

    def after_burn_in(self, shots: float) -> ModuleModel:
        """The same if what is to be promised lasted so many shots more at the voltage of use.

        It is older, and each draw counts by how likely that was in it.
        """
        d = self.draws
        alike, more = self.flown_at(0.0).mission.totals(shots)
        drawn = [replace(own, age=own.age + shots / own.scale) for own in d.slots]
        told = replace(
            d,
            slots=drawn,
            weight=_told(d.weight, alike),
            weight_more=_told(d.weight_more, more),
        )
        out = self._with([_older(s, shots) for s in self.slots], told)
        out.burnt += shots
        out._estimates = out._estimated()
        out.bounding = [s.after_burn_in(shots) for s in self.bounding]
        return out

    def new(self) -> ModuleModel:
        """The same with what is to be promised new, from the same draws."""
        slots = [replace(s, ages=np.zeros_like(s.ages)) for s in self.slots]
        drawn = [replace(d, age=np.zeros_like(d.age)) for d in self.draws.slots]
        out = self._with(slots, replace(self.draws, slots=drawn))
        out.bounding = [s.new() for s in self.bounding]
        return out

    def after_good(self, tests: Mapping[int, Lasted]) -> ModuleModel:
        """The same if units lasted a test, by slot index: each draw counts by how likely that is in it."""
        d = self.draws
        hazard, more = self._over(tests)
        out = self._with(
            self.slots,
            replace(d, weight=_told(d.weight, hazard), weight_more=_told(d.weight_more, more)),
        )
        out.mission, out.good = self.mission, self.good | dict(tests)
        out._estimates = [
            _Estimate(part, drawn, tests[i], self.burnt) if i in tests else known
            for part, drawn, i, known in zip(self.causes.parts, d.slots, self.causes.slot, self._estimates, strict=True)
        ]  # fmt: skip
        out.bounding = [
            s.after_good({0: tests[i]}) if i in tests else s for i, s in enumerate(self.bounding)
        ]
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
        return self._mean(
            self.mission.totals(shots)[0 if failed else 1] + self._drifted(shots), failed
        )

    def all_last(self, tests: Mapping[int, Lasted]) -> float:
        """Chance that all units last a test, by slot index, as ``lasts``."""
        failed = any(self.slots[i].failures for i in tests)
        return self._mean(self._over(tests)[0 if failed else 1], failed)

    def _mean(self, hazard: Array, failed: bool) -> float:
        weight = self.draws.weight if failed else self.draws.weight_more
        return float(np.average(np.exp(-hazard), weights=weight))

    def oldest(self) -> float:
        """Most shots at the voltage of use by which a unit to be promised has aged, as estimated."""
        return max(e.scale * float(e.age.max(initial=0.0)) for e in self._estimates)

    @property
    def tells(self) -> bool:
        """Whether enough draws have weight (effective size: Kish 1965) for quantiles to be told."""
        w = self.draws.weight_more
        return w is None or float(w.sum() ** 2 / (w**2).sum()) >= LEAST_DRAWS

    def given(self, weight: Array) -> ModuleModel:
        """The same with each draw counting so much more, (draws,)."""
        d = self.draws
        less, more = (weight if w is None else weight * w for w in (d.weight, d.weight_more))
        out = self._with(self.slots, replace(d, weight=less, weight_more=more))
        out.mission = self.mission
        return out

    def if_known(self, event: int) -> list[tuple[float, Array | None]]:
        """Of each suspect of an unclear failure the chance that it was that, and the weight of each draw if that were
        known; None where too few readings were of it to tell."""
        if self.readings is None:
            return []
        return [
            self.readings.if_of(event, k) for k in range(len(self.causes.events[event].suspects))
        ]

    def unclear(self) -> list[tuple[Event, Array]]:
        """Failures of which it is not known whose they were, each with the chance of each of its suspects."""
        if self.readings is None:
            return []
        return list(zip(self.causes.events, self.readings.shares, strict=True))

    def _with(self, slots: Sequence[SlotData], draws: ModuleDraws) -> ModuleModel:
        """These slots, flown or aged otherwise, with these draws of the same hazards."""
        out = ModuleModel(slots, self.drift, self.seed, self.apart, self.burned_in)
        out.scale, out.causes = self.scale, self.causes.in_slots(slots)
        if not self.causes.events:
            out._fits = self._fits
        out.draws, out.good, out.burnt = draws, dict(self.good), self.burnt
        rows = zip(self._estimates, out.causes.parts, strict=True)
        out._estimates = [e.flown(part) for e, part in rows]
        return out

    def held_down_by(self, shots: float, confidence: float) -> list[float]:
        """Share of the hazard that each slot has where the bound is met: what holds the promise down."""
        return self._of_slots(self._held_down(shots, confidence))

    def _held_down(self, shots: float, confidence: float) -> Array:
        """The same by cause."""
        plain, more = self.mission.by_cause(max(shots, self.scale * SHORTEST))
        parts = plain + more
        total = parts.sum(axis=0)
        low, high = np.quantile(total, [max(confidence - NEAR, 0), min(confidence + NEAR, 1)])
        near = (total >= low) & (total <= high)
        shares = parts[:, near].sum(axis=1)
        return np.asarray(shares / shares.sum())

    def falls(self, shots: float, confidence: float) -> float:
        """Probability that hazards fall where the bound is met: that the shapes drawn, on the mean of their logs, each cause
        counting by its share of the hazard there, are ``FALLING`` or less."""
        shapes = [np.log(d.shape) for d in self.draws.slots]
        return float(
            (self._held_down(shots, confidence) @ np.array(shapes) <= np.log(FALLING)).mean()
        )

    def early_seen(self) -> list[str]:
        """Slots whose records speak for early failures apart from the rest."""
        seen = self._of_slots(np.array(self.draws.seen_early, float))
        return [s.name for s, e in zip(self.slots, seen, strict=True) if e]

    def speaks_against_burn_in(self) -> list[str]:
        """Slots whose records contradict that no hazard falls: weak units stand apart, or the odds are ``FALLS`` to one or
        more for a shape below 1, even ones before. Records of a cause whose failures nobody knows for its own say nothing."""
        falls = [falling_odds(f.grid) > FALLS for f in self._fits]
        found = self._of_slots(np.array(falls, float) + np.array(self.draws.seen_early, float))
        return [s.name for s, f in zip(self.slots, found, strict=True) if f]

    def grouped(self) -> list[str]:
        """Slots whose bound allows for how far builders or lots differ."""
        own = self._of_slots([float(d.grouped) for d in self.draws.slots])
        return [s.name for s, g in zip(self.slots, own, strict=True) if g]

    def shares_of(self, k: int) -> dict[int, float]:
        """Rows of a cause whose failures may have been others', with the share that falls to it."""
        return {
            row: float(v)
            for e, s in self.unclear()
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
        for event, share in self.unclear():
            if bool(event.label) != suspects:
                continue
            for (part, _), v in zip(event.suspects, share, strict=True):
                name = self.slots[self.causes.slot[part]].name
                if not suspects:
                    name = f"{self.causes.mode[part] or 'other modes'} of {name}"
                out[name] = out.get(name, 0.0) + float(v)
        return out

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


def _quantile(hazards: Array, share: float, weight: Array | None) -> float:
    """Quantile of the draws' hazards, between two draws where all weigh the same."""
    if weight is not None:
        return float(np.quantile(hazards, share, weights=weight, method="inverted_cdf"))
    place = share * (hazards.size - 1)
    k = min(int(place), hazards.size - 2)
    low, high = np.partition(hazards, (k, k + 1))[k : k + 2].tolist()
    return float(low if low == high else low + (high - low) * (place - k))


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
        if burnt:
            age = ages_of(part, e, drawn.scale)[0]
            gained = age**self.shape - (age - burnt / drawn.scale) ** self.shape
            exposure += part.copies * float(gained.sum())
        self.rate = drawn.count / exposure
        laws = np.unique(drawn.law[drawn.law >= 0]) if drawn.spoken else ()
        self.early = [
            (int(k), float(drawn.rate[drawn.law == k].sum()) / drawn.rate.size, float(drawn.width[drawn.law == k].mean()))
            for k in laws
        ]  # fmt: skip
        self._fly(part)

    def _fly(self, part: SlotData) -> None:
        e = np.array([self.exponent])
        self.age = ages_of(part, e, self.scale)[0]
        self.pace = float(part.pace(e)[0])

    def flown(self, part: SlotData) -> _Estimate:
        """The same law, flown or aged otherwise."""
        out = copy(self)
        out._fly(part)
        return out

    def hazard(self, shots: Array) -> Array:
        """Over so many shots, (...)."""
        end = self.age + (self.pace / self.scale) * shots[..., None]
        one = self.rate * (end**self.shape - self.age**self.shape).sum(axis=-1)
        for law, rate, width in self.early:
            w = np.array(width)
            one += rate * (cumulative(law, end, w) - cumulative(law, self.age, w)).sum(axis=-1)
        return np.asarray(self.copies * one)


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
