"""Draws of a module's slots from what their records say: shapes that borrow from each other, and rates.

Shapes of slots are lognormal about a common median, which is not known, nor how far they spread: both are
averaged over (a hierarchical prior, Gelman et al., Bayesian Data Analysis, ch. 5). So slots with few
failures lean on the others, and a slot with many stands by itself. The rates follow as gamma variables:
R failures where R were seen, and one failure more for the whole module, as in the exact bound for
exponential lives on tests of fixed length (chi-square with 2 R + 2 degrees of freedom; Buehler 1957).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy.special import gammaincinv

from reliability.slots.exposure import Array, Ints, SlotData
from reliability.slots.grid import (
    BURN_OUT,
    EARLY_SIZE,
    SHAPES,
    Exposed,
    SlotFit,
    ages_of,
    alike,
    cumulative,
    exposed,
    fit_slot,
)
from reliability.slots.groups import Spread, spread_of

DRAWS = 8192
SHAPE_MEDIAN, SHAPE_MEDIAN_SD = 1.2, 0.3
"""lognormal prior of the common median shape: its median and the sd of its log; a choice, by simulation"""
SPREADS = (0.2, 0.4, 0.7)
"""sd of the logs of slots' shapes, equally likely; a choice"""
PLAIN_EARLY = np.array([*[0.03 / len(BURN_OUT)] * len(BURN_OUT), 0.4])
"""prior chances of the early laws (weak units; chance beside life) of any slot that failed; choices, by
simulation (tests/benchmarks/promise.py, unsafe.py)"""
ONE_WAY_EARLY = np.array([*[0.01 / len(BURN_OUT)] * len(BURN_OUT), 0.1])
"""the same of a slot that is taken to fail in one way, as its siblings do (tests/benchmarks/siblings.py)"""
SEEN_EARLY = np.full(PLAIN_EARLY.size, 0.7 / PLAIN_EARLY.size)
"""the same of a slot whose records speak for an early cause"""
EVEN = np.full(PLAIN_EARLY.size, 0.5 / PLAIN_EARLY.size)
NEVER = 1e-9
"""chance of what is taken not to be"""
NOT_FALLING = 0.97
"""least shape of the grid that counts as 1: its hazard hardly falls"""
CONSTANT = 0.2
"""prior chance of a constant hazard where none is said to fall; a choice, by simulation (tests/benchmarks/no_early_failures.py)"""
SPEAKS, STANDS = 1.5, 5.0
"""odds for an early cause, with even ones before, from which it is weighed as seen; and from which weak units
are said, and an exact bound of one cause is not given; choices"""


class Weighed:
    """How likely the records make each cell of a slot's grid, at prior chances of the early laws.

    Parameters
    ----------
    fit : SlotFit
    early : array (laws,)

    Attributes
    ----------
    shapes, early, weak : arrays (shapes,)
        Weight of each shape; with an early cause; with weak units.
    """

    def __init__(self, fit: SlotFit, early: Array) -> None:
        laws = np.log(early)[fit.law][:, None, None]
        none = np.log(1 - early.sum()) if len(fit.law) else 0.0
        log = np.concatenate((fit.plain[None] + none, fit.early + laws))
        # rows (the first: no early cause), shapes, exponents
        self._cells = np.exp(log - log.max())
        self.shapes = self._cells.sum(axis=(0, 2))
        self.early = self._cells[1:].sum(axis=(0, 2))
        self.weak = self._cells[1:][fit.law < len(BURN_OUT)].sum(axis=(0, 2))
        self._sums: dict[int, Array] = {}

    def cells(self, shape: int, u: Array) -> Ints:
        """Rows and exponents, as one index, drawn at a shape."""
        if shape not in self._sums:
            self._sums[shape] = np.cumsum(self._cells[:, shape, :])
        return _drawn_from(self._sums[shape], u)


@dataclass(frozen=True)
class Fitted:
    """What the records of a slot say: the grid of its law, how far its builders and lots differ; shots in its unit of counts."""

    grid: SlotFit
    spread: Spread | None
    scale: float
    _weighed: dict[bytes, Weighed] = field(default_factory=dict, repr=False)

    def weighed(self, early: Array) -> Weighed:
        """The grid at prior chances of the early laws, worked out once."""
        key = early.tobytes()
        if key not in self._weighed:
            self._weighed[key] = Weighed(self.grid, early)
        return self._weighed[key]


def fitted(slot: SlotData, early: bool = True, on: Exposed | None = None) -> Fitted:
    """The slot fitted, counts in units of its middle; without an early cause unless that is wanted.

    ``on`` is what its units are on the grid, where that is known already.
    """
    grid, scale = fit_slot(slot, exposed(slot) if on is None else on, early), slot.units.middle
    return Fitted(grid, spread_of(slot, grid, scale), scale)


@dataclass(frozen=True)
class SlotDraws:
    """Draws of one slot, arrays (draws,) but ``age`` (draws, units); exposures z are in ``scale``.

    Attributes
    ----------
    shape, exponent : arrays
    unit : array
        Rate of life of one failure: 1 over the exposure.
    gamma : array
        Failures of life drawn.
    count : float
        Failures of life that estimates take.
    age : array
        z so far.
    law : int array
        Early law; -1 for none.
    rate, width : arrays
        Of the early cause.
    copies, scale : float
    pace : array
        Shots at the voltage of use that one shot of the mission ages a unit.
    grouped : bool
        Whether how far builders or lots differ is in it.
    spoken : bool
        Whether the records speak for an early cause; else estimates take life only.
    """

    shape: Array
    exponent: Array
    unit: Array
    gamma: Array
    count: float
    age: Array
    law: Ints
    rate: Array
    width: Array
    copies: float
    scale: float
    pace: Array
    grouped: bool = False
    spoken: bool = False

    def life(self, run: float | Array) -> Array:
        """Hazard of life of the units to be promised over a mission of ``run``, at the rate of one failure."""
        new, aged = self._lived
        gained = sum((age + self.pace * run) ** self.shape - before for age, before in aged)
        if new is not None:
            gained = gained + new * np.exp(self.shape * np.log(run))
        return np.asarray(self.copies * self.unit * gained)

    def early(self, run: float | Array) -> Array:
        """Hazard of the early cause over a mission of ``run``."""
        chance, at, weak, pace = self._begun
        out = chance * run
        out[at] -= weak * np.expm1(-pace * (run[at] if isinstance(run, np.ndarray) else run))
        return out

    @cached_property
    def _lived(self) -> tuple[Array | None, list[tuple[Array, Array]]]:
        """What no mission changes: of new units their pace's power, of the others age and its power."""
        new = sum(not age.any() for age in self.age.T)
        aged = [(age, age**self.shape) for age in self.age.T if age.any()]
        return new * self.pace**self.shape if new else None, aged

    @cached_property
    def _begun(self) -> tuple[Array, Ints, Array, Array]:
        """What no mission changes: hazard of chance a shot; the draws with weak units, how much of their
        hazard is left at the units' ages, and how fast it goes."""
        chance = np.where(
            self.law == len(BURN_OUT), len(self.age.T) * self.rate * self.pace / self.width, 0.0
        )
        at = np.flatnonzero((self.law >= 0) & (self.law < len(BURN_OUT)))
        left = np.exp(-self.age[at].T / self.width[at]).sum(axis=0)
        return (
            self.copies * chance,
            at,
            self.copies * self.rate[at] * left,
            self.pace[at] / self.width[at],
        )

    def life_between(self, begun: Array, end: Array) -> Array:
        """Hazard of life of one unit from z to z, (..., draws), at the rate of one failure."""
        # a fresh unit's power is quick to get
        before = begun**self.shape if begun.any() else 0.0
        return np.asarray((end**self.shape - before) * self.unit)

    def early_between(self, begun: Array, end: Array) -> Array:
        """Hazard of the early cause of one unit from z to z, (..., draws)."""
        out = np.zeros(np.broadcast_shapes(np.shape(begun), np.shape(end)))
        for law, at, rate, width in self._of_laws:
            gained = cumulative(law, end[..., at], width) - cumulative(law, begun[..., at], width)
            out[..., at] = rate * gained
        return out

    def drawn_lives(self, units: int, rng: np.random.Generator) -> Array:
        """Lives of so many new units in each draw, in shots at the voltage of use, (units, draws)."""
        size = (units, self.shape.size)
        with np.errstate(divide="ignore", over="ignore"):
            z = (rng.exponential(size=size) / (self.gamma * self.unit)) ** (1 / self.shape)
            for law, at, rate, width in self._of_laws:
                spent = rng.exponential(size=(units, at.size)) / rate
                if law < len(BURN_OUT):
                    # weak units are gone by some width; the others have no such cause
                    spent = -np.log1p(-np.minimum(spent, 1.0))
                z[:, at] = np.minimum(z[:, at], width * spent)
        return z * self.scale

    @cached_property
    def _of_laws(self) -> list[tuple[int, Ints, Array, Array]]:
        """Each early law with the draws that follow it, their rates and widths: most draws follow none."""
        found = ((law, np.flatnonzero(self.law == law)) for law in range(len(BURN_OUT) + 1))
        return [(law, at, self.rate[at], self.width[at]) for law, at in found if at.size]

    def thinned(self, step: int) -> SlotDraws:
        """Every so manyth draw."""
        arrays = {
            name: getattr(self, name)[::step]
            for name in (
                "shape",
                "exponent",
                "unit",
                "gamma",
                "age",
                "law",
                "rate",
                "width",
                "pace",
            )
        }
        return replace(self, **arrays)


@dataclass(frozen=True)
class ModuleDraws:
    """Draws of all slots of a module, and what says how they were weighed.

    Attributes
    ----------
    slots : list of SlotDraws
    extra : array (slots, draws)
        The module's one failure more, by slot.
    seen_early : list of bool
        Slots whose records speak for weak units: early failures apart from the rest.
    exact : bool
        Whether the bound of one slot by itself is exact.
    weight, weight_more : array (draws,), optional
        Of each draw, and of each draw with its one failure more; equal where there is none.
    """

    slots: list[SlotDraws]
    extra: Array
    seen_early: list[bool]
    exact: bool = False
    weight: Array | None = None
    weight_more: Array | None = None


def strata(count: int, size: int, seed: int) -> Array:
    """Uniform numbers, each row evenly spread (a Latin hypercube), (count, size)."""
    rng = np.random.default_rng(seed)
    return np.stack([(rng.permutation(size) + rng.random(size)) / size for _ in range(count)])


FINE = 32
"""points of a cell of a grid at which its density is looked at"""


def off_grid(drawn: Array, grid: Array, u: Array) -> Array:
    """Draws on an even grid from 0, moved within and about their cells by ``u``, so that quantiles lie between them.

    The log density is the parabola through a cell and its neighbours (exact for a normal one); flat where a neighbour
    was not drawn, so that a cell that holds all is as wide as it is. What is 0 stays.
    """
    step = float(grid[1] - grid[0])
    cell = np.rint(drawn / step).astype(np.intp)
    share = np.bincount(cell, minlength=grid.size + 1) / drawn.size
    at = (np.arange(FINE) + 0.5) / FINE - 0.5
    mass = np.zeros((grid.size, FINE))
    for k in np.flatnonzero(share[1 : grid.size]) + 1:
        mass[k] = share[k]
        if k > 1 and share[k - 1] and share[k + 1]:
            low, high = np.log(share[[k - 1, k + 1]] / share[k])
            mass[k] *= np.exp(0.5 * (high - low) * at + 0.5 * (high + low) * at**2)
    if not mass.any():
        return drawn.astype(float)
    last = int(np.flatnonzero(mass[1:])[-1])  # nothing lies beyond: there the sums no longer rise
    sums = np.concatenate(([0.0], np.cumsum(mass[1:])[: last + 1]))
    edges = step * (np.arange(sums.size) / FINE + 0.5)
    rank = np.cumsum(share)[cell] - share[cell] * (1 - u) - share[0]
    moved = np.interp(rank / (1 - share[0]), sums / sums[-1], edges)
    return np.asarray(np.where(cell > 0, moved, 0.0))


def _shape_priors(free: bool) -> tuple[Array, Array]:
    """Distributions of shapes (rows, shapes) and their log weights: of a common median and spread."""
    log = np.log(SHAPES)
    if free:
        # flat in log scale and log shape; the log scale's density is that of the log rate over the shape
        return (1 / SHAPES)[None], np.zeros(1)
    steps = np.linspace(-2.2, 2.2, 11)
    middle = np.log(SHAPE_MEDIAN) + np.repeat(steps, len(SPREADS)) * SHAPE_MEDIAN_SD
    spread = np.tile(SPREADS, steps.size)
    own = np.exp(-0.5 * ((log - middle[:, None]) / spread[:, None]) ** 2)
    return own / own.sum(axis=1, keepdims=True), -0.5 * np.repeat(steps, len(SPREADS)) ** 2


def _drawn_from(sums: Array, u: Array) -> Ints:
    """Indices drawn from summed weights."""
    return np.searchsorted(sums[:-1], u * sums[-1])


def _of_priors(priors: Array, log: Array, weighed: Sequence[Weighed]) -> Array:
    """Weights of the distributions of shapes, after the slots' records."""
    log = log + np.sum([np.log(priors @ w.shapes) for w in weighed], axis=0)
    return np.asarray(np.exp(log - log.max()))


def _odds(found: Sequence[Fitted]) -> tuple[Array, Array]:
    """Odds for an early cause, and for weak units, after the records, even ones before, (slots,) each."""
    priors, log = _shape_priors(False)
    even = [f.weighed(EVEN) for f in found]
    hyper = _of_priors(priors, log, even)
    hyper /= hyper.sum()
    odds = np.zeros((2, len(found)))
    for j, w in enumerate(even):
        for k, some in enumerate((w.early, w.weak)):
            chance = float(hyper @ ((priors @ some) / (priors @ w.shapes)))
            odds[k, j] = chance / max(1 - chance, 1e-12)
    return odds[0], odds[1]


def falling_odds(fit: SlotFit) -> float:
    """Odds for a shape below 1 by one cause, after the records, even ones before (lognormal about 1, sd of the log 0.7)."""
    prior = np.exp(-0.5 * (np.log(SHAPES) / 0.7) ** 2)
    weight = prior * np.exp(fit.plain - fit.plain.max()).sum(axis=1)
    below = SHAPES < NOT_FALLING
    even = prior[~below].sum() / prior[below].sum()
    return float(even * weight[below].sum() / weight[~below].sum())


@dataclass(frozen=True)
class Sampling:
    """How draws are made, and what is taken for granted before the records speak.

    Attributes
    ----------
    seed, size : int
        Of the sample.
    only : int, optional
        The one draw of the sample that is wanted.
    shapes : array (shapes,), optional
        Distribution of shapes that siblings tell, instead of one about a common median; early causes are then
        less likely.
    burned_in : bool
        No hazard falls with shots: no weak units, no shape below 1. Chance beside life stays.
    """

    seed: int = 1
    size: int = DRAWS
    only: int | None = None
    shapes: Array | None = None
    burned_in: bool = False

    def priors(self, exact: bool) -> tuple[Array, Array]:
        """Distributions of shapes (rows, shapes) and their log weights."""
        rows, log = (
            _shape_priors(exact) if self.shapes is None else (self.shapes[None], np.zeros(1))
        )
        if not self.burned_in:
            return rows, log
        # what would lie below 1 is taken to be 1, and more: cut off, a constant hazard would be too rare
        first = int(np.argmax(SHAPES >= NOT_FALLING))
        above = (1 - CONSTANT) * rows[:, first + 1 :]
        at_one = 1 - above.sum(axis=1, keepdims=True)
        return np.concatenate((0.0 * rows[:, :first], at_one, above), axis=1), log

    def early(self, seen: bool, exact: bool) -> Array:
        """Prior chances of the early laws of a slot, whether or not its records speak for one."""
        found = SEEN_EARLY if seen else PLAIN_EARLY if self.shapes is None else ONE_WAY_EARLY
        if exact:
            return found * NEVER
        weak = np.arange(found.size) < len(BURN_OUT)
        return np.where(weak, found * NEVER, found) if self.burned_in else found


def draw_module(
    slots: Sequence[SlotData], found: Sequence[Fitted], middle: float, sampling: Sampling
) -> ModuleDraws:
    """Draws from the slots' records together.

    Parameters
    ----------
    slots : sequence of SlotData
    found : sequence of Fitted
    middle : float
        Shots of a mission as in the tests.
    sampling : Sampling

    One slot whose test is complete, without early failures seen: flat in the logs of scale and shape and
    no failure more, which is the exact conditional bound (Lawless 2003, ch. 5).
    """
    odds, weak = _odds(found)
    plain = sampling.shapes is None and not sampling.burned_in
    exact = plain and len(slots) == 1 and _complete(slots[0]) and odds.max() < STANDS
    priors, log = sampling.priors(exact)
    spoken = [bool(o > SPEAKS and not exact) for o in odds]
    weighed = [f.weighed(sampling.early(s, exact)) for f, s in zip(found, spoken, strict=True)]
    u, size = strata(5 * len(slots) + 3, sampling.size, sampling.seed), sampling.size
    if sampling.only is not None:
        u, size = u[:, sampling.only : sampling.only + 1], 1
    which = _drawn_from(np.cumsum(_of_priors(priors, log, weighed)), u[-1])
    drawn = [
        _draw_slot(s, f, _Prior(w, priors, which, early), u[5 * j : 5 * j + 5])
        for j, (s, f, w, early) in enumerate(zip(slots, found, weighed, spoken, strict=True))
    ]
    extra = np.zeros((len(slots), size))
    if not exact:
        extra[_slot_of_one_more(slots, drawn, middle, u[-2]), np.arange(size)] = -np.log(u[-3])
    return ModuleDraws(drawn, extra, (weak > STANDS).tolist(), exact)


@dataclass(frozen=True)
class _Prior:
    """What a slot is drawn by: its grid weighed, distributions of shapes and each draw's, whether an early cause is spoken for."""

    weighed: Weighed
    shapes: Array
    which: Ints
    spoken: bool


def _draw_slot(slot: SlotData, found: Fitted, prior: _Prior, u: Array) -> SlotDraws:
    fit, spread, spoken, scale = found.grid, found.spread, prior.spoken, found.scale
    sums = np.cumsum(prior.shapes * prior.weighed.shapes, axis=1)[prior.which]
    b = (sums[:, :-1] < (u[0] * sums[:, -1])[:, None]).sum(axis=1)
    cell = np.empty(b.size, np.intp)
    for shape, own in alike(b):
        cell[own] = prior.weighed.cells(shape, u[1][own])
    row, e = np.divmod(cell, fit.exponents.size)
    law = np.concatenate(([-1], fit.law))[row]
    early = np.concatenate(([0], fit.number))[row]
    left = fit.failures - early
    if spread is None:
        gamma = np.zeros(b.size)
        gamma[left > 0] = gammaincinv(left[left > 0], u[2][left > 0])
        all_ = fit.failures
    else:
        drawn = spread.draw(b, u[2])
        gamma = drawn * left / fit.failures
        # the spread's long tail is no estimate
        all_ = float(np.median(drawn))
    count = all_ * float(left.mean()) / fit.failures if spoken else all_
    rate = np.zeros(law.size)
    some = law >= 0
    rate[some] = gammaincinv(early[some] + EARLY_SIZE, u[3][some]) / fit.weak[law[some], e[some]]
    return SlotDraws(
        SHAPES[b], fit.exponents[e], 1 / fit.exposure[b, e], gamma, count, ages_of(slot, fit.exponents, scale)[e], law, rate,
        fit.width[law, e], slot.copies, scale, slot.pace(fit.exponents[e]), spread is not None, spoken,
    )  # fmt: skip


def _complete(slot: SlotData) -> bool:
    """Whether all units were run to failure from new, at one voltage: then there is an exact bound."""
    u = slot.units
    fresh = not slot.law and not (u.start > 0).any() and not slot.ages.any()
    alone = u.group is None and u.level.size > 1 and len(slot.ages) == 1
    return bool(fresh and alone and u.failed.all())


def _slot_of_one_more(
    slots: Sequence[SlotData], drawn: Sequence[SlotDraws], middle: float, u: Array
) -> Ints:
    """The slot that each draw's one failure more falls to: by failures and the square of the rate of one.

    Looked at a mission as in the tests, whatever is asked, so that the order of answers keeps that of
    the questions.
    """
    weight = []
    for s, d in zip(slots, drawn, strict=True):
        tested = s.x[s.units.level].mean() * d.exponent + np.log(middle / d.scale)
        rate = s.copies * len(s.ages) * np.exp(d.shape * tested) * d.unit
        weight.append((s.failures + 0.5) * float(rate.mean()) ** 2)
    return _drawn_from(np.cumsum(weight), u)
