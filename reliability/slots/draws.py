"""Draws of a module's slots from what their records say: shapes that borrow from each other, and rates.

Shapes of slots are lognormal about a common median, which is not known, nor how far they spread: both are
averaged over (a hierarchical prior, Gelman et al., Bayesian Data Analysis, ch. 5). So slots with few
failures lean on the others, and a slot with many stands by itself. The rates follow as gamma variables:
R failures where R were seen, and one failure more for the whole module, as in the exact bound for
exponential lives on tests of fixed length (chi-square with 2 R + 2 degrees of freedom; Buehler 1957).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import gammaincinv

from reliability.slots.exposure import Array, Ints, SlotData
from reliability.slots.grid import (
    BURN_OUT,
    EARLY_SIZE,
    SHAPES,
    SlotFit,
    ages_of,
    cumulative,
    fit_slot,
)
from reliability.slots.groups import Spread, spread_of

DRAWS = 8192
SHAPE_MEDIAN, SHAPE_MEDIAN_SD = 1.3, 0.5
"""lognormal prior of the common median shape: its median and the sd of its log; a choice, by simulation"""
SPREADS = (0.2, 0.4, 0.7)
"""sd of the logs of slots' shapes, equally likely; a choice"""
PLAIN_EARLY = np.array([*[0.03 / len(BURN_OUT)] * len(BURN_OUT), 0.4])
"""prior chances of the early laws (weak units; chance beside life) of any slot that failed; choices, by
simulation (tests/benchmarks/promise.py, unsafe.py)"""
SEEN_EARLY = np.full(PLAIN_EARLY.size, 0.7 / PLAIN_EARLY.size)
"""the same of a slot whose records speak for an early cause"""
EVEN = np.full(PLAIN_EARLY.size, 0.5 / PLAIN_EARLY.size)
SPEAKS, STANDS = 1.5, 5.0
"""odds for an early cause, with even ones before, from which it is weighed as seen; and from which weak units
are said, and an exact bound of one cause is not given; choices"""


@dataclass(frozen=True)
class Fitted:
    """What the records of a slot say: the grid of its law, and how far its builders and lots differ."""

    grid: SlotFit
    spread: Spread | None


def fitted(slot: SlotData, scale: float, early: bool = True) -> Fitted:
    """The slot fitted, counts in units of ``scale``; without an early cause unless that is wanted."""
    grid = fit_slot(slot, scale, early)
    return Fitted(grid, spread_of(slot, grid, scale))


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

    def life(self, shots: float) -> Array:
        """Hazard of life of the units to be promised over a mission, at the rate of one failure."""
        run = self.pace * (shots / self.scale)
        gained = sum(self.life_between(age, age + run) for age in self.age.T)
        return np.asarray(self.copies * gained)

    def early(self, shots: float) -> Array:
        """Hazard of the early cause over a mission."""
        run = self.pace * (shots / self.scale)
        gained = sum(self.early_between(age, age + run) for age in self.age.T)
        return np.asarray(self.copies * gained)

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


def _shape_priors(free: bool) -> tuple[Array, Array]:
    """Distributions of shapes (rows, shapes) and their log weights: of a common median and spread."""
    log = np.log(SHAPES)
    if free:
        # flat in log scale and log shape; the log scale's density is that of the log rate over the shape
        return (1 / SHAPES)[None], np.zeros(1)
    steps = np.linspace(-2.2, 2.2, 11)
    rows, weights = [], []
    for k in steps:
        for tau in SPREADS:
            own = np.exp(-0.5 * ((log - np.log(SHAPE_MEDIAN) - k * SHAPE_MEDIAN_SD) / tau) ** 2)
            rows.append(own / own.sum())
            weights.append(-0.5 * k**2)
    return np.array(rows), np.array(weights)


def _weights(fit: SlotFit, early: Array) -> Array:
    """Weights of a slot's rows (the first: no early cause) at prior chances of the early laws, (rows, shapes, e)."""
    laws = np.log(early)[fit.law][:, None, None]
    none = np.log(1 - early.sum()) if len(fit.law) else 0.0
    out = np.concatenate((fit.plain[None] + none, fit.early + laws))
    return np.asarray(np.exp(out - out.max()))


def _choose(weights: Array, u: Array) -> Ints:
    """Indices drawn from weights."""
    sums = np.cumsum(weights)
    return np.searchsorted(sums[:-1], u * sums[-1])


def _of_priors(priors: Array, log: Array, weights: Sequence[Array]) -> Array:
    """Weights of the distributions of shapes, after the slots' records."""
    log = log + np.sum([np.log(priors @ w.sum(axis=(0, 2))) for w in weights], axis=0)
    return np.asarray(np.exp(log - log.max()))


def _odds(fits: Sequence[SlotFit]) -> tuple[Array, Array]:
    """Odds for an early cause, and for weak units, after the records, even ones before, (slots,) each."""
    priors, log = _shape_priors(False)
    even = [_weights(f, EVEN) for f in fits]
    hyper = _of_priors(priors, log, even)
    hyper /= hyper.sum()
    odds = np.zeros((2, len(fits)))
    for j, (f, w) in enumerate(zip(fits, even, strict=True)):
        if not len(f.law):
            continue
        all_ = priors @ w.sum(axis=(0, 2))
        weak = np.concatenate(([False], f.law < len(BURN_OUT)))
        for k, rows in enumerate((np.arange(len(w)) > 0, weak)):
            chance = float(hyper @ ((priors @ w[rows].sum(axis=(0, 2))) / all_))
            odds[k, j] = chance / max(1 - chance, 1e-12)
    return odds[0], odds[1]


def draw_module(
    slots: Sequence[SlotData],
    found: Sequence[Fitted],
    scale: float,
    seed: int,
    size: int = DRAWS,
) -> ModuleDraws:
    """Draws from the slots' records together.

    Parameters
    ----------
    slots : sequence of SlotData
    found : sequence of Fitted
    scale : float
        Shots in the unit of counts.
    seed, size : int
        Of the sample.

    One slot whose test is complete, without early failures seen: flat in the logs of scale and shape and
    no failure more, which is the exact conditional bound (Lawless 2003, ch. 5).
    """
    fits = [f.grid for f in found]
    odds, weak = _odds(fits)
    exact = len(slots) == 1 and _complete(slots[0]) and odds.max() < STANDS
    priors, log = _shape_priors(exact)
    plain = PLAIN_EARLY * 1e-9 if exact else PLAIN_EARLY
    spoken = [bool(o > SPEAKS and not exact) for o in odds]
    weights = [_weights(f, SEEN_EARLY if s else plain) for f, s in zip(fits, spoken, strict=True)]
    u = strata(5 * len(slots) + 3, size, seed)
    which = _choose(_of_priors(priors, log, weights), u[-1])
    drawn = [
        _draw_slot(s, f, _Prior(w, priors, early), which, u[5 * j : 5 * j + 5], scale)
        for j, (s, f, w, early) in enumerate(zip(slots, found, weights, spoken, strict=True))
    ]
    extra = np.zeros((len(slots), size))
    if not exact:
        extra[_slot_of_one_more(slots, fits, drawn, u[-2]), np.arange(size)] = -np.log(u[-3])
    return ModuleDraws(drawn, extra, (weak > STANDS).tolist(), exact)


@dataclass(frozen=True)
class _Prior:
    """What a slot is drawn by: weights of its rows, distributions of shapes, whether an early cause is spoken for."""

    weights: Array
    shapes: Array
    spoken: bool


def _draw_slot(
    slot: SlotData, found: Fitted, prior: _Prior, which: Ints, u: Array, scale: float
) -> SlotDraws:
    fit, spread = found.grid, found.spread
    weights, priors, spoken = prior.weights, prior.shapes, prior.spoken
    marginal = weights.sum(axis=(0, 2))
    b = np.empty(which.size, np.intp)
    for row in np.unique(which):
        own = which == row
        b[own] = _choose(priors[row] * marginal, u[0][own])
    cell = np.empty(which.size, np.intp)
    for shape in np.unique(b):
        own = b == shape
        cell[own] = _choose(weights[:, shape, :].ravel(), u[1][own])
    row, e = np.divmod(cell, fit.exponents.size)
    law = np.concatenate(([-1], fit.law))[row]
    early = np.concatenate(([0], fit.number))[row]
    left = fit.failures - early
    if spread is None:
        gamma = np.where(left > 0, gammaincinv(np.maximum(left, 1e-9), u[2]), 0.0)
        all_ = fit.failures
    else:
        drawn = spread.draw(b, u[2])
        gamma = drawn * left / fit.failures
        # the spread's long tail is no estimate
        all_ = float(np.median(drawn))
    count = all_ * float(left.mean()) / fit.failures if spoken else all_
    rate = np.where(law >= 0, gammaincinv(early + EARLY_SIZE, u[3]) / fit.weak[law, e], 0.0)
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
    slots: Sequence[SlotData], fits: Sequence[SlotFit], drawn: Sequence[SlotDraws], u: Array
) -> Ints:
    """The slot that each draw's one failure more falls to: by failures and the square of the rate of one.

    Looked at a mission as in the tests, whatever is asked, so that the order of answers keeps that of
    the questions.
    """
    weight = []
    for s, f, d in zip(slots, fits, drawn, strict=True):
        tested = s.x[s.units.level].mean()
        rate = s.copies * len(s.ages) * np.exp(d.shape * d.exponent * tested) * d.unit
        weight.append((f.failures + 0.5) * float(rate.mean()) ** 2)
    return _choose(np.array(weight), u)
