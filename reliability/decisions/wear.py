"""How long until a measured quantity meets its limit, for each unit and for new ones?"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from reliability.decisions.answer import percent_text, shots_text
from reliability.decisions.life import NOT_SHOWN
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.readings import Recurrences, SparkCounts, WearReadings
from reliability.records import LifeRecords
from reliability.wear.limits import DEFAULT_LIMITS, Limit, UnitRemaining, remaining, time_to_limit
from reliability.wear.misfires import (
    Chance,
    Growth,
    MeanCount,
    RateRatio,
    compare_groups,
    growth,
    mean_count,
    misfire_chance,
    misfire_model,
)
from reliability.wear.paths import PathFit, fit_paths
from reliability.wear.wiener import fit_wiener, inverse_gaussian_sf

Array = NDArray[np.float64]
NAN = float("nan")


@dataclass(frozen=True)
class WearAnswer:
    """Answer to ``wear``.

    Attributes
    ----------
    quantity : str
    limit : Limit
    confidence : float
    power : float
        Of the path y = b0 + b1 t^p.
    slope, slope_sd, error : float
        Mean slope a shot (at p = 1), its spread between units, measurement error.
    units : tuple of UnitRemaining
        Soonest first.
    new_unit : dict
        ``fraction``, ``shots`` by which so many new units have met the limit; ``median``.
    wiener : dict
        The same median by a Wiener process, for comparison.
    notes : tuple of Note
    """

    quantity: str
    limit: Limit
    confidence: float
    power: float
    slope: float
    slope_sd: float
    error: float
    units: tuple[UnitRemaining, ...]
    new_unit: dict[str, float]
    wiener: dict[str, float]
    notes: tuple[Note, ...]
    fit: PathFit | None = field(default=None, metadata=NOT_SHOWN)
    readings: WearReadings | None = field(default=None, metadata=NOT_SHOWN)

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        name = self.quantity.rsplit("_", 1)[0].replace("_", " ")
        first = self.units[0]
        text = f"By {name}, half of new units reach their limit ({self.limit.name}) by {shots_text(self.new_unit['median'])} shots"
        passed = sum(u.lower == 0 and u.estimate == 0 for u in self.units)
        if passed:
            text += f"; {passed} of {len(self.units)} units may have passed it"
        else:
            text += f"; {first.unit} is next, with {shots_text(first.estimate)} left, at least {shots_text(first.lower)} ({percent_text(self.confidence)} prediction)"
        return text + "."


def limit_for(
    quantity: str, value: float | None, relative: bool, fit: PathFit | None = None
) -> Limit:
    """The limit asked for, or the named default. Raises BadInput if there is none."""
    default = DEFAULT_LIMITS.get(quantity)
    if value is None:
        if default is None:
            raise BadInput(
                f"no default limit for {quantity!r}; give --limit VALUE, or --limit-factor of the start. Defaults: {', '.join(DEFAULT_LIMITS)}"
            )
        return default
    falling = default.falling if default else bool(fit is not None and fit.beta[1] < 0)
    name = f"{value:g} times the start" if relative else f"{value:g}"
    return Limit(value, relative, falling, name)


def wear(
    readings: WearReadings,
    quantity: str,
    *,
    limit: float | None = None,
    relative: bool = False,
    power: float | None = 1.0,
    confidence: float = 0.95,
    seed: int = 1,
) -> WearAnswer:
    """Shots until a quantity meets its limit.

    Parameters
    ----------
    readings : WearReadings
    quantity : str
    limit : float, optional
        Default: a named one, see ``DEFAULT_LIMITS``.
    relative : bool
        Whether the limit is a factor of each unit's start.
    power : float or None
        p of the path; None to fit it.
    confidence : float
        Of the lower prediction bounds.

    Raises
    ------
    BadInput, CannotAnswer
    """
    if not 0.5 < confidence < 1:
        raise BadInput("confidence lies between 0.5 and 1, such as 0.95")
    own = readings.of_quantity(quantity)
    fit = fit_paths(own, power)
    where = limit_for(quantity, limit, relative, fit)
    rows = sorted(remaining(fit, where, confidence), key=lambda r: (r.estimate, r.lower))
    fractions = np.array([0.1, 0.5])
    t = time_to_limit(fit, where, fractions, seed=seed)
    notes = []
    against = fit.beta[1] > 0 if where.falling else fit.beta[1] < 0
    if against:
        notes.append(
            Note(
                "away_from_limit",
                "On the whole the quantity moves away from its limit; the units differ, or the limit is on the wrong side.",
            )
        )
    far = max((r.estimate for r in rows if np.isfinite(r.estimate)), default=0.0)
    if far > 3 * own.shots.max():
        notes.append(
            Note(
                "extrapolated",
                "Some limits lie over three times beyond the longest test: the path is assumed to go on as it began.",
            )
        )
    if len(fit.units) < 6:
        notes.append(
            Note(
                "few_units", f"Only {len(fit.units)} units: how much units differ is known roughly."
            )
        )
    wiener = {"median": NAN}
    try:
        w = fit_wiener(own)
        start = float(fit.beta[0])
        distance = abs((where.value - 1) * start) if where.relative else abs(where.value - start)
        toward = -w.drift if where.falling else w.drift
        if toward > 0:
            a, b = 0.0, 50 * distance / toward
            for _ in range(80):
                mid = 0.5 * (a + b)
                a, b = (
                    (mid, b)
                    if inverse_gaussian_sf(mid, distance, toward, w.diffusion) > 0.5
                    else (a, mid)
                )
            wiener = {"median": b}
    except CannotAnswer:
        pass
    slope = float(fit.beta[1] / fit.scale**fit.power)
    return WearAnswer(
        quantity, where, confidence, fit.power, slope, float(np.sqrt(fit.cov[1, 1]) / fit.scale**fit.power), fit.sigma,
        tuple(rows), {"fraction": 0.1, "shots": float(t[0]), "median": float(t[1])}, wiener, tuple(notes), fit, own,
    )  # fmt: skip


def soft_failures(readings: WearReadings, quantity: str, limit: Limit) -> LifeRecords:
    """Readings past a limit as life records, mode ``QUANTITY_limit``: good at the last reading on the
    good side, failed at the first beyond it."""
    own = readings.of_quantity(quantity)
    labels = own.labels
    rows = []
    for unit in sorted(set(labels.tolist())):
        k = np.flatnonzero(labels == unit)
        t, y = own.shots[k], own.value[k]
        top = limit.value * y[0] if limit.relative else limit.value
        bad = y <= top if limit.falling else y >= top
        if bad.any():
            first = int(np.flatnonzero(bad)[0])
            good = float(t[first - 1]) if first > 0 else 0.0
            if t[first] > 0:
                rows.append((k[0], good, float(t[first])))
        else:
            rows.append((k[0], float(t[-1]), np.inf))
    if not rows:
        raise CannotAnswer("No unit has a usable series of readings.")
    at, good_, failed_ = zip(*rows, strict=True)
    i = np.array(at)
    return LifeRecords.of(
        good_, failed_, mode=[f"{quantity}_limit"] * len(rows), builder=own.builder[i], module=own.module[i],
        slot=own.slot[i], unit=own.unit[i],
    )  # fmt: skip


@dataclass(frozen=True)
class MisfireAnswer:
    """Answer to ``misfires``.

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
    notes : tuple of Note
    """

    systems: int
    events: int
    shots: float
    chance: Chance
    growth: Growth | None
    mean_at_end: float
    groups: tuple[RateRatio, ...]
    notes: tuple[Note, ...]
    ignition: IgnitionEffect | None = None
    curve: MeanCount | None = field(default=None, metadata=NOT_SHOWN)

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        c = self.chance
        text = f"{self.events} misfires in {shots_text(self.shots)} shots of {self.systems} units: one in {shots_text(1 / c.estimate) if c.estimate else 'none'} shots, at most one in {shots_text(1 / c.upper)}"
        if self.growth is not None and self.growth.trend_p < 0.05:
            text += (
                ", and they come ever faster"
                if self.growth.b > 1
                else ", and they come ever more seldom"
            )
        elif self.growth is not None:
            text += ", with no sign of a trend"
        return text + "."


@dataclass(frozen=True)
class IgnitionEffect:
    """How the chance of a misfire goes with ignition voltage and with shots.

    Attributes
    ----------
    modules : int
    shots, misfires : float
    odds_per_10V, odds_per_1000 : dict
        Factor on the odds for 10 V more, and for 1,000 shots more: ``estimate``, ``lower``, ``upper``.
    curve : tuple of dict
        ``ignition_V, chance, lower, upper`` at the mean count.
    at_shots : float
        That count.
    """

    modules: int
    shots: float
    misfires: float
    odds_per_10V: dict[str, float]
    odds_per_1000: dict[str, float]
    curve: tuple[dict[str, float], ...]
    at_shots: float

    @property
    def sentence(self) -> str:
        """What ignition voltage does, in one sentence."""
        o = self.odds_per_10V
        if o["upper"] < 1:
            return f"10 V more on the igniter multiplies the odds of a misfire by {o['estimate']:.2f} (at most {o['upper']:.2f})."
        if o["lower"] > 1:
            return f"10 V more on the igniter multiplies the odds of a misfire by {o['estimate']:.2f} (at least {o['lower']:.2f})."
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

    def factor(j: int, step: float) -> dict[str, float]:
        b, s = fit.coef[j] * step, fit.se[j] * step
        return {
            "estimate": float(np.exp(b)), "lower": float(np.exp(b - z * s)), "upper": float(np.exp(b + z * s)),
        }  # fmt: skip

    middle = float(np.average(sparks.shots, weights=sparks.commanded))
    volts = np.linspace(low, high, 25)
    p, lower, upper = fit.chance(np.column_stack((volts, np.full(25, middle))), confidence)
    curve = tuple(
        {"ignition_V": float(v), "chance": float(a), "lower": float(b), "upper": float(c)}
        for v, a, b, c in zip(volts, p, lower, upper, strict=True)
    )
    return IgnitionEffect(
        len(names), float(sparks.commanded.sum()), float(sparks.misfires.sum()), factor(1, 10.0), factor(2, 1000.0), curve, middle,
    )  # fmt: skip


def misfires(
    events: Recurrences, confidence: float = 0.95, sparks: SparkCounts | None = None
) -> MisfireAnswer:
    """Misfires as recurrent events: chance, trend, comparison of groups, effect of ignition voltage.

    ``sparks`` are counts by ignition voltage, as shot logs give them.

    Raises
    ------
    BadInput
    """
    if not 0.5 < confidence < 1:
        raise BadInput("confidence lies between 0.5 and 1, such as 0.95")
    shots = float((events.end - events.start).sum())
    n = int(events.shots.size)
    notes = []
    curve = grown = None
    if n:
        curve = mean_count(events, confidence)
        try:
            grown = growth(events)
        except CannotAnswer as e:
            notes.append(Note("no_trend_test", str(e)))
    effect = None
    if sparks is not None:
        try:
            effect = ignition_effect(sparks, confidence)
        except CannotAnswer as e:
            notes.append(Note("no_ignition_effect", str(e)))
    names = sorted(set(events.group.tolist()) - {""})
    ratios = []
    for g in names[1:]:
        try:
            ratios.append(compare_groups(events, g, names[0]))
        except CannotAnswer:
            continue
    if n and shots < 100 * n:
        notes.append(
            Note(
                "often",
                "More than one shot in a hundred misfires: look at the igniter before anything else.",
            )
        )
    return MisfireAnswer(
        int(events.systems.size), n, shots, misfire_chance(shots, min(float(n), shots), confidence), grown,
        float(curve.mean[-1]) if curve is not None else 0.0, tuple(ratios), tuple(notes), effect, curve,
    )  # fmt: skip
