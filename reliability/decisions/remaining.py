"""How long until a measured quantity meets its limit, for each unit and for new ones?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import model_validator
from scipy.optimize import brentq

from reliability.decisions.question import Answer, Question, confidence_setting, setting
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.readings import WearReadings
from reliability.records import LifeRecords
from reliability.wear.limits import DEFAULT_LIMITS, Limit, UnitRemaining, remaining, time_to_limit
from reliability.wear.paths import PathFit, fit_paths
from reliability.wear.wiener import fit_wiener, inverse_gaussian_sf
from reliability.words import percent_text, shots_text, so_many_shots

NAN = float("nan")


@dataclass(frozen=True)
class Reading:
    """A reading of a unit."""

    unit: str
    shots: float
    value: float


@dataclass(frozen=True)
class PathPoint:
    """A point of a unit's fitted path; ``ahead`` of its last reading or not."""

    unit: str
    shots: float
    value: float
    ahead: bool


@dataclass(frozen=True)
class NewUnit:
    """Shots by which ``fraction`` and half of new units have met the limit; half also by a Wiener process."""

    fraction: float
    shots: float
    median: float
    wiener_median: float


@dataclass(frozen=True)
class WearAnswer(Answer):
    """Shots left until a quantity meets its limit.

    Attributes
    ----------
    quantity : str
    limit : Limit
    limit_value : float
        Of a mean unit, where the limit is relative.
    confidence : float
    power : float
        Of the path y = b0 + b1 t^p.
    slope, slope_sd, error : float
        Mean slope a shot (at p = 1), its spread between units, measurement error.
    units : tuple of UnitRemaining
        Soonest first.
    new_unit : NewUnit
    readings : tuple of Reading
    paths : tuple of PathPoint

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Wear(quantity="fuel_mass_mg", builder=("kite",)), rl.demo())
    >>> all(u.lower <= u.estimate for u in a.units)
    True
    """

    quantity: str
    limit: Limit
    limit_value: float
    confidence: float
    power: float
    slope: float
    slope_sd: float
    error: float
    units: tuple[UnitRemaining, ...]
    new_unit: NewUnit
    readings: tuple[Reading, ...]
    paths: tuple[PathPoint, ...]

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        name = self.quantity.rsplit("_", 1)[0].replace("_", " ")
        first = self.units[0]
        median = self.new_unit.median
        text = f"By {name}, half of new units reach their limit ({self.limit.name}) by {so_many_shots(median)}"
        if not np.isfinite(median):
            text = f"By {name}, half of new units or more do not go towards their limit ({self.limit.name}) as far as read"
        passed = sum(u.lower == 0 and u.estimate == 0 for u in self.units)
        if passed:
            text += f"; {passed} of {len(self.units)} units may have passed it"
        elif not np.isfinite(first.estimate):
            least = min(u.lower for u in self.units)
            text += "; nor does any unit on record"
            if np.isfinite(least):
                text += f", and {so_many_shots(least)} at least are left ({percent_text(self.confidence)} prediction)"
            else:
                text += ". No bound of shots follows from that: look whether the readings are right"
        else:
            text += f"; {first.unit} is next, with {shots_text(first.estimate)} left, at least {shots_text(first.lower)} ({percent_text(self.confidence)} prediction)"
        return text + "."


class Wear(Question):
    """Wear before failure: shots left until a measured quantity meets its limit.

    For each unit with a lower prediction bound, and for new units. Fuel and igniter hardly ever reach
    their end in a test; readings on the way are the only data on them.

    Examples
    --------
    >>> limit_for(Wear(limit_factor=0.9)).falling
    True
    """

    name = "wear"
    text = "Shots left until a measured quantity meets its limit."
    needs = ("wear",)
    answer_type = WearAnswer

    quantity: str = setting("capacitance_uF", "Measured quantity.", of="quantity", min_length=1)
    builder: tuple[str, ...] = setting((), "Only this builder.", of="builder")
    slot: tuple[str, ...] = setting((), "Only this slot.", of="slot")
    received: bool = setting(False, "Include contributions that wait to be accepted.")
    limit: float | None = setting(None, "Limit as a value (default: a named one).", ge=0, lt=1e15)
    limit_factor: float | None = setting(
        None, "Limit as a factor of each unit's start.", gt=0, le=100
    )
    path: Literal["straight", "power"] = setting(
        "straight", "Path of the quantity: straight, or as a power of shots that is fitted."
    )
    confidence: float = confidence_setting(text="Of the lower prediction bounds, one-sided.")
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Wear:
        if self.limit is not None and self.limit_factor is not None:
            raise BadInput("give limit or limit_factor, not both")
        return self

    def chosen(self, pool: Pool) -> WearReadings:
        """Readings of the quantity under the filters. Raises BadInput, CannotAnswer."""
        found = pool.readings
        for name, wanted in (("builder", self.builder), ("slot", self.slot)):
            if wanted:
                column = getattr(found, name)
                found = found.select(np.isin(column.astype(str), wanted))
                if not len(found):
                    known = ", ".join(sorted(set(column.tolist())))
                    raise BadInput(
                        f"no readings with {name} {', '.join(wanted)}; there are: {known}"
                    )
        return found.of_quantity(self.quantity)

    def answer(self, pool: Pool) -> WearAnswer:
        """Shots left. Raises BadInput, CannotAnswer."""
        own = self.chosen(pool)
        fit = fit_paths(own, 1.0 if self.path == "straight" else None)
        where = limit_for(self, fit)
        rows = sorted(remaining(fit, where, self.confidence), key=lambda r: (r.estimate, r.lower))
        tenth, half = time_to_limit(fit, where, np.array([0.1, 0.5]), seed=self.seed)
        scale = fit.scale**fit.power
        return WearAnswer(
            self.quantity, where, where.value * float(fit.beta[0]) if where.relative else where.value, self.confidence,
            fit.power, float(fit.beta[1] / scale), float(np.sqrt(fit.cov[1, 1]) / scale), fit.sigma, tuple(rows),
            NewUnit(0.1, float(tenth), float(half), _wiener_median(own, fit, where)),
            tuple(Reading(str(u), float(t), float(v)) for u, t, v in zip(own.labels, own.shots, own.value, strict=True)),
            _paths(fit, float(own.shots.max())), notes=_notes(own, fit, where, rows),
        )  # fmt: skip


def limit_for(q: Wear, fit: PathFit | None = None) -> Limit:
    """The limit asked for, or the named default. Raises BadInput if there is none."""
    default = DEFAULT_LIMITS.get(q.quantity)
    value = q.limit if q.limit is not None else q.limit_factor
    if value is None:
        if default is None:
            raise BadInput(
                f"no default limit for {q.quantity!r}; give limit, or limit_factor of the start. "
                f"Defaults: {', '.join(DEFAULT_LIMITS)}"
            )
        return default
    falling = default.falling if default else bool(fit is not None and fit.beta[1] < 0)
    relative = q.limit_factor is not None
    return Limit(
        value, relative, falling, f"{value:g} times the start" if relative else f"{value:g}"
    )


def _paths(fit: PathFit, longest: float, points: int = 30) -> tuple[PathPoint, ...]:
    """Each unit's fitted path, to a quarter beyond the longest test."""
    return tuple(
        PathPoint(
            str(u),
            float(t),
            float(fit.coef[i, 0] + fit.coef[i, 1] * fit.g(t)),
            bool(t > fit.last[i]),
        )
        for i, u in enumerate(fit.units)
        for t in np.linspace(0, 1.25 * longest, points)
    )


def _wiener_median(own: WearReadings, fit: PathFit, where: Limit) -> float:
    """Shots by which half of new units meet the limit, by a Wiener process; nan where it has no drift there."""
    try:
        w = fit_wiener(own)
    except CannotAnswer:
        return NAN
    start = float(fit.beta[0])
    distance = abs((where.value - 1) * start) if where.relative else abs(where.value - start)
    toward = -w.drift if where.falling else w.drift
    if not (toward > 0 and distance > 0):
        return NAN

    def half(shots: float) -> float:
        return float(inverse_gaussian_sf(shots, distance, toward, w.diffusion)) - 0.5

    end = 50 * distance / toward
    return float(brentq(half, 1e-9 * end, end)) if half(end) < 0 < half(1e-9 * end) else NAN


def _notes(
    own: WearReadings, fit: PathFit, where: Limit, rows: list[UnitRemaining]
) -> tuple[Note, ...]:
    notes = []
    began = fit.coef[:, 0]
    past = int(np.sum(began <= where.value if where.falling else began >= where.value))
    if past and not where.relative:
        text = (
            f"{past} of {len(fit.units)} units began past this limit ({where.name}): it is none of theirs. Choose the part that it is "
            "a limit of, or give limit_factor, a share of each unit's start."
        )
        notes.append(Note("began_past_limit", text))
    if fit.beta[1] > 0 if where.falling else fit.beta[1] < 0:
        text = "On the whole the quantity moves away from its limit; the units differ, or the limit is on the wrong side."
        notes.append(Note("away_from_limit", text))
    far = max((r.estimate for r in rows if np.isfinite(r.estimate)), default=0.0)
    if far > 3 * own.shots.max():
        text = "Some limits lie over three times beyond the longest test: the path is assumed to go on as it began."
        notes.append(Note("extrapolated", text))
    if len(fit.units) < 6:
        text = f"Only {len(fit.units)} units: how much units differ is known roughly."
        notes.append(Note("few_units", text))
    return tuple(notes)


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
