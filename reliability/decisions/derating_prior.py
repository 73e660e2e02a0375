"""Derating from tests at one voltage: the exponent comes from a named prior, not from these data."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reliability.decisions.derating_answer import (
    Allowed,
    CoefficientBound,
    DeratingAnswer,
)
from reliability.decisions.derating_notes import above_rating
from reliability.decisions.derating_points import Points, best_total, points_of
from reliability.decisions.impulse import Impulse
from reliability.decisions.life_helps import Bounded, slot_help
from reliability.decisions.named_prior import prior_for
from reliability.decisions.parts import seen_of
from reliability.decisions.slot_tests import SlotTest, helps_note
from reliability.life.families import family
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.priors import DEFAULT_SHAPE_PRIOR, posterior_plane
from reliability.life.quadrature import Plane, plane
from reliability.life.stress import Term
from reliability.life.targets import LogQuantile
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.published_facts import SourcedPrior
from reliability.records import LifeRecords
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.promise import ModuleModel
from reliability.words import level_number, volts_text, whole

if TYPE_CHECKING:
    from reliability.decisions.derating import Derate

NAN = float("nan")
POINTS = 25
FEW = 3
"""failures up to which the shape has a prior too"""
HALVINGS = 60


@dataclass(frozen=True)
class _MovedLife:
    """A life quantile known at the tested level, moved to others by a coefficient with a prior.

    Attributes
    ----------
    plane, centre, target
        Distribution of ``target`` at the tested level, on log shots from ``centre``.
    term, tested
        The stress and the level of the tests.
    values, weight : array
        The coefficient on a grid of its prior, and the weight of each, summing to 1.
    """

    plane: Plane
    centre: float
    target: LogQuantile
    term: Term
    tested: float
    values: NDArray[np.float64]
    weight: NDArray[np.float64]

    def shift(self, level: float) -> NDArray[np.float64]:
        """What each coefficient adds to the log life at ``level``."""
        return self.values * float(self.term.transform(level) - self.term.transform(self.tested))

    def short(self, level: float, log_shots: float) -> float:
        """Probability that the life at ``level`` is below ``exp(log_shots)``."""
        v = log_shots - self.centre
        below = [self.plane.probability_below(self.target, v - d) for d in self.shift(level)]
        return float(self.weight @ below)

    def lower(self, level: float, confidence: float) -> float:
        """Lower bound of the life at ``level``, in shots."""
        d, guess = self.shift(level), self._middle
        a, b = self.centre + guess + d.min() - 40.0, self.centre + guess + d.max() + 5.0
        return float(np.exp(_last(lambda x: self.short(level, x) < 1 - confidence, a, b)))

    def estimate(self, level: float) -> float:
        """Life at ``level`` by the medians of both, in shots."""
        return float(np.exp(self.centre + self._middle + self.weight @ self.shift(level)))

    @cached_property
    def _middle(self) -> float:
        return self.plane.quantile(self.target, 0.5, 0.0, 1.0)

    def reach(self) -> tuple[float, float]:
        """Levels among which one is looked for."""
        if self.term.form == "power":
            return self.tested / 8, self.tested * 1.5
        return self.tested - 150, self.tested + 50

    def allowed(self, shots: float, confidence: float) -> float | None:
        """Highest level whose bound reaches ``shots``; None if the lowest within reach does not."""
        low, high = self.reach()

        def holds(level: float) -> bool:
            return self.short(level, np.log(shots)) <= 1 - confidence

        return _last(holds, low, high) if holds(low) else None

    def levels(self) -> NDArray[np.float64]:
        """Levels of the curve."""
        low = self.reach()[0]
        first = max(low, 0.5 * self.tested) if self.term.form == "power" else low
        return np.linspace(first, 1.15 * self.tested, POINTS)


def _last(holds: Callable[[float], bool], a: float, b: float) -> float:
    """Where ``holds``, true at ``a``, ends before ``b``; by halving."""
    for _ in range(HALVINGS):
        mid = 0.5 * (a + b)
        a, b = (mid, b) if holds(mid) else (a, mid)
    return a


@dataclass(frozen=True)
class _Tested:
    """What the tests at their one level say: the life's distribution there, and the fit if there is one."""

    plane: Plane
    centre: float
    shape: float = NAN
    sigma: float = NAN
    loglik: float = NAN
    notes: tuple[Note, ...] = ()


def _tested(records: LifeRecords, named: str) -> _Tested:
    """Exact pivots, with the shape prior where failures are few."""
    if not records.failed.any():
        raise CannotAnswer(
            "No unit has failed; a prior on the exponent alone cannot give a life. Leave prior out, or test until one fails."
        )
    fam = family(named)
    if records.failures <= FEW:
        said = (
            f"With {FEW} failures or fewer the shape has a prior too: {DEFAULT_SHAPE_PRIOR.source}."
        )
        return _Tested(*posterior_plane(records, fam), notes=(Note("prior_shape", said),))
    try:
        fit = fit_life(records, named)
    except NoMaximum as e:
        raise CannotAnswer(str(e)) from None
    pl = plane(fam, fit.sample, fit.phi)
    return _Tested(pl, fit.sample.centre, fit.shape, fit.sigma, fit.loglik)


def derate_with_prior(
    records: LifeRecords, term: Term, q: Derate, impulse: Impulse | None = None
) -> DeratingAnswer:
    """Highest level of one stress from tests at a single level and a prior on its coefficient.

    The life quantile at the tested level has the distribution of ``plane`` (exact pivots for
    complete and failure-terminated tests; with the shape prior where failures are 3 or fewer).
    It is moved to another level by the coefficient, whose prior is independent of it; the bound is
    a tail area of the two together, by quadrature.

    Raises
    ------
    BadInput
        For an unknown prior, or where no required shots are given.
    CannotAnswer
        If nothing failed: then the life at the tested level has no distribution to move.
    """
    if q.shots is None:
        raise BadInput("with a prior, shots is needed")
    prior = prior_for(q.prior, term.form, term.column)
    tested = float(np.asarray(records.column(term.column), float)[0])
    there = _tested(records, q.family)
    points = points_of(q, records, term.column, (tested, tested), impulse)
    fraction = 1.0 - points.bank.record_survival(q.survival)
    target = LogQuantile(float(family(q.family).quantile(np.asarray(fraction))))
    life = _MovedLife(there.plane, there.centre, target, term, tested, *_grid(prior))
    allowed, told = _allowed(life, q.shots, points)
    curve = tuple(
        points.point(float(x), life.estimate(x), life.lower(x, q.confidence)) for x in life.levels()
    )
    reach = 1.645 * prior.sd
    coefficient = CoefficientBound(
        term.column, term.form, prior.mean, max(0.0, prior.mean - reach), prior.mean + reach
    )
    now = Bounded(fraction, NAN, life.lower(tested, q.confidence), q.confidence)
    more = _helps(life, records, q, points, now)
    place = f"at {volts_text(points.bank.charge_voltage(tested))}"
    return DeratingAnswer(
        q.family, whole(records.units), whole(records.failures), there.shape, there.sigma, there.loglik,
        (coefficient,), allowed, curve, q.shots, q.survival, q.confidence, "prior", {}, term.column,
        (tested, tested), best_total(curve),
        seen=seen_of(records, term.column), more=more,
        notes=(_said(prior, term, tested), *there.notes, *told, *helps_note(more, q.shots, place)),
    )  # fmt: skip


def _helps(
    life: _MovedLife, records: LifeRecords, q: Derate, points: Points, now: Bounded
) -> tuple[SlotTest, ...]:
    """Tests at the level of the records that would lengthen the promise there, ``now``, and what they would make of the voltage.

    The slot's model foretells by how much; the prior's bound is taken to be lengthened by the same factor at every
    level, as the prior itself learns nothing from a test at one level.
    """
    if q.shots is None or not points.is_voltage or len(set(records.slot.tolist())) != 1:
        return ()
    data = slot_data(str(records.slot[0]), records.suspects_failed(), Asked(NAN))
    found = []
    for t in slot_help(ModuleModel([data], seed=q.seed), now):
        level = life.allowed(q.shots * now.lower / t.promise, q.confidence)
        highest = NAN if level is None else points.bank.charge_voltage(level)
        found.append(
            SlotTest(t.units, life.tested, t.shots, t.days, t.survives_it, t.promise, highest, t.gain_a_day)
        )  # fmt: skip
    return tuple(found)


def _said(prior: SourcedPrior, term: Term, tested: float) -> Note:
    return Note(
        "prior_stress",
        f"All tests ran at {term.column} = {tested:g}. How life depends on it is not measured here but taken "
        f"from a prior: {prior.mean:g} +- {prior.sd:g} ({prior.name}; {prior.source.rstrip('.')}; source "
        f"{prior.seen}; our choice: {prior.choice.rstrip('.')}). Posterior equals prior. "
        "A test at a second level would replace it.",
    )


def _grid(prior: SourcedPrior) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A normal prior, cut at 0, on a grid: values and weights."""
    z = np.linspace(-3.5, 3.5, 41)
    values = prior.mean + prior.sd * z
    weight = np.exp(-0.5 * z * z) * (values > 0)
    return values, weight / weight.sum()


def _allowed(life: _MovedLife, shots: float, points: Points) -> tuple[Allowed, tuple[Note, ...]]:
    """The level allowed, and what to know of it."""
    level = life.allowed(shots, points.confidence)
    if level is None:
        said = "No level within reach of the prior meets the requirement; test more units."
        return Allowed(), (Note("none_allowed", said),)
    told = above_rating(level, points.unit_rating)
    if abs(level - life.tested) > 1e-9 * abs(life.tested):
        said = f"The allowed {points.column} {level_number(level)} was not tested ({life.tested:g} was); confirm it with a test."
        told.insert(0, Note("extrapolated", said))
    return points.allowed(level), tuple(told)
