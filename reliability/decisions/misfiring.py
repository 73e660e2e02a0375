"""Misfires: chance a shot, trend, comparison of igniters, effect of ignition voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from reliability.decisions.parts import Bounded
from reliability.decisions.question import Answer, Question, confidence_setting, setting
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.readings import Recurrences, SparkCounts
from reliability.wear.misfires import (
    Chance,
    Growth,
    RateRatio,
    compare_groups,
    growth,
    mean_count,
    misfire_chance,
    misfire_model,
)
from reliability.words import shots_text, so_many_shots


@dataclass(frozen=True)
class ChancePoint:
    """Chance of a misfire a shot at an ignition voltage, with one-sided limits."""

    ignition_V: float
    chance: float
    lower: float
    upper: float


@dataclass(frozen=True)
class IgnitionEffect:
    """How the chance of a misfire goes with ignition voltage and with shots.

    Attributes
    ----------
    modules : int
    shots, misfires : float
    odds_per_10V, odds_per_1000 : Bounded
        Factor on the odds for 10 V more, and for 1,000 shots more.
    curve : tuple of ChancePoint
        At the mean count.
    at_shots : float
        That count.
    """

    modules: int
    shots: float
    misfires: float
    odds_per_10V: Bounded
    odds_per_1000: Bounded
    curve: tuple[ChancePoint, ...]
    at_shots: float

    @property
    def sentence(self) -> str:
        """What ignition voltage does, in one sentence."""
        o = self.odds_per_10V
        if o.upper < 1:
            return f"10 V more on the igniter multiplies the odds of a misfire by {o.estimate:.2f} (at most {o.upper:.2f})."
        if o.lower > 1:
            return f"10 V more on the igniter multiplies the odds of a misfire by {o.estimate:.2f} (at least {o.lower:.2f})."
        return "These data do not tell whether ignition voltage changes the chance of a misfire."


def ignition_effect(sparks: SparkCounts, confidence: float = 0.95) -> IgnitionEffect:
    """Logistic model of misfires on ignition voltage and shots, standard errors robust to modules that differ.

    Raises
    ------
    CannotAnswer
        Without misfires, with one voltage only, or fewer than 2 modules.
    """
    labels = [f"{b}/{m}" for b, m in zip(sparks.builder, sparks.module, strict=True)]
    names = sorted(set(labels))
    if len(names) < 3:
        raise CannotAnswer("The effect of ignition voltage needs the logs of 3 modules or more.")
    if not sparks.misfires.sum():
        raise CannotAnswer("No misfire in the logs: nothing to relate to ignition voltage.")
    low, high = float(sparks.ignition_V.min()), float(sparks.ignition_V.max())
    if high - low < 1e-6 * abs(high):
        raise CannotAnswer("All shots had one ignition voltage: its effect cannot be told.")
    x = np.column_stack((sparks.ignition_V, sparks.shots))
    where = {n: i for i, n in enumerate(names)}
    fit = misfire_model(
        x, sparks.commanded, sparks.misfires, np.array([where[k] for k in labels], np.intp)
    )
    z = float(ndtri(confidence))

    def factor(j: int, step: float) -> Bounded:
        b, s = fit.coef[j] * step, fit.se[j] * step
        return Bounded(*(float(np.exp(b + k * s)) for k in (0.0, -z, z)))

    middle = float(np.average(sparks.shots, weights=sparks.commanded))
    volts = np.linspace(low, high, 25)
    p, lower, upper = fit.chance(np.column_stack((volts, np.full(25, middle))), confidence)
    curve = tuple(ChancePoint(*map(float, row)) for row in zip(volts, p, lower, upper, strict=True))
    return IgnitionEffect(
        len(names), float(sparks.commanded.sum()), float(sparks.misfires.sum()), factor(1, 10.0), factor(2, 1000.0), curve, middle,
    )  # fmt: skip


@dataclass(frozen=True)
class CountPoint:
    """Mean cumulative misfires a unit just after ``shots``, with one-sided limits; units watched there."""

    shots: float
    mean: float
    lower: float
    upper: float
    at_risk: float


@dataclass(frozen=True)
class MisfireAnswer(Answer):
    """Misfires of the igniters.

    Attributes
    ----------
    systems, events : int
    shots : float
        Watched, all systems together.
    chance : Chance
        Of a misfire a shot, on the average.
    growth : Growth or None
    mean_at_end : float
        Mean count of misfires on a system by the longest watch.
    groups : tuple of RateRatio
        Each group against the first.
    ignition : IgnitionEffect or None
        From shot logs.
    curve : tuple of CountPoint

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Misfires(), rl.demo())
    >>> a.chance.lower < a.chance.estimate < a.chance.upper
    True
    """

    systems: int
    events: int
    shots: float
    chance: Chance
    growth: Growth | None
    mean_at_end: float
    groups: tuple[RateRatio, ...]
    ignition: IgnitionEffect | None = None
    curve: tuple[CountPoint, ...] = ()

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        c = self.chance
        text = f"{self.events} misfires in {so_many_shots(self.shots)} of {self.systems} units: one in {shots_text(1 / c.estimate) if c.estimate else 'none'} shots, at most one in {shots_text(1 / c.upper)}"
        if self.growth is not None and self.growth.trend_p < 0.05:
            text += (
                ", and they come ever faster"
                if self.growth.b > 1
                else ", and they come ever more seldom"
            )
        elif self.growth is not None:
            text += ", with no sign of a trend"
        return text + "."


class Misfires(Question):
    """Misfires: chance a shot, mean count with bands, trend, comparison of igniters.

    With ignition counts, as shot logs give them, also how the chance goes with ignition voltage.

    Examples
    --------
    >>> Misfires(confidence=0.9).needs
    ('misfires', 'ignition')
    """

    name = "misfires"
    text = "Misfires: chance a shot, trend, comparison of igniters."
    needs = ("misfires", "ignition")
    answer_type = MisfireAnswer

    builder: tuple[str, ...] = setting((), "Only this builder.", of="builder")
    received: bool = setting(False, "Include contributions that wait to be accepted.")
    confidence: float = confidence_setting()

    def answer(self, pool: Pool) -> MisfireAnswer:
        """Misfires of the pool's igniters. Raises BadInput, CannotAnswer."""
        events, sparks = pool.recurrences, pool.ignition
        if self.builder:
            whose = np.array([str(s).split("/")[0] for s in events.systems], object)
            if not np.isin(whose.astype(str), self.builder).any():
                known = ", ".join(sorted(set(whose.tolist())))
                raise BadInput(
                    f"no misfires of builder {', '.join(self.builder)}; there are: {known}"
                )
            events = events.select(np.isin(whose.astype(str), self.builder))
            sparks = (
                None
                if sparks is None
                else sparks.select(np.isin(sparks.builder.astype(str), self.builder))
            )
        return misfires(events, sparks, self.confidence)


def misfires(events: Recurrences, sparks: SparkCounts | None, confidence: float) -> MisfireAnswer:
    """Misfires as recurrent events; ``sparks`` are counts by ignition voltage."""
    shots = float((events.end - events.start).sum())
    n = int(events.shots.size)
    notes = []
    curve: tuple[CountPoint, ...] = ()
    grown = effect = None
    if n:
        c = mean_count(events, confidence)
        columns = (c.shots, c.mean, c.lower, c.upper, c.at_risk)
        curve = tuple(CountPoint(*map(float, row)) for row in zip(*columns, strict=True))
        try:
            grown = growth(events)
        except CannotAnswer as e:
            notes.append(Note("no_trend_test", str(e)))
    if sparks is not None and sparks.shots.size:
        try:
            effect = ignition_effect(sparks, confidence)
        except CannotAnswer as e:
            notes.append(Note("no_ignition_effect", str(e)))
    ratios = _ratios(events)
    if n and shots < 100 * n:
        text = "More than one shot in a hundred misfires: look at the igniter before anything else."
        notes.append(Note("often", text))
    return MisfireAnswer(
        int(events.systems.size), n, shots, misfire_chance(shots, min(float(n), shots), confidence), grown,
        curve[-1].mean if curve else 0.0, ratios, effect, curve, notes=tuple(notes),
    )  # fmt: skip


def _ratios(events: Recurrences) -> tuple[RateRatio, ...]:
    """Each group against the first, where both were watched."""
    names = sorted(set(events.group.tolist()) - {""})
    out = []
    for g in names[1:]:
        try:
            out.append(compare_groups(events, g, names[0]))
        except CannotAnswer:
            continue
    return tuple(out)
