"""How long does a module live, and which slot ends it? The product over its slots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator
from scipy.optimize import brentq

from reliability.decisions.life import QuantileBound, varying_stresses
from reliability.decisions.parts import Curve, SurvivalBound
from reliability.decisions.question import (
    Answer,
    Count,
    Family,
    OnRecords,
    confidence_setting,
    pairs,
    setting,
)
from reliability.life.bounds import CALIBRATION_LIMIT
from reliability.life.dependence import Dependence, shared_frailty
from reliability.life.families import family, normal_quantile
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.priors import DEFAULT_SHAPE_PRIOR
from reliability.life.system import Slot, first_failure_shares, system_bound
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.words import p_text, percent_text, shots_text, whole

Array = NDArray[np.float64]
NAN = float("nan")


@dataclass(frozen=True)
class SlotLife:
    """One slot of the module.

    Attributes
    ----------
    slot : str
    n, failed : number
        Units seen and failed.
    units : float
        Equal units in the slot of one module.
    shape, median : float
        Of one unit; nan where nothing failed.
    survival : float
        Of the slot at the module's median life (or the longest test, if nothing failed).
    ends_module : float
        Probability that this slot is the one that ends the module.
    assumed_shape : float or None
        Shape that had to be assumed.
    """

    slot: str
    n: Count
    failed: Count
    units: float
    shape: float
    median: float
    survival: float
    ends_module: float
    assumed_shape: float | None


@dataclass(frozen=True)
class ModuleAnswer(Answer):
    """Life of a module.

    Attributes
    ----------
    family : str
    confidence : float
    bound : str
    life : QuantileBound
        The life that 1 - fraction keep, with bounds.
    median : float
        Shots that half of the modules last, as estimated.
    survival : tuple of SurvivalBound
    slots : tuple of SlotLife
        Most likely end first.
    curve : Curve
        Survival of modules.
    dependence : Dependence
        Check that slots fail independently of each other.

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Module(builder=("kite",), slot=("main_capacitor", "fuel")), rl.demo())
    >>> a.slots[0].slot, a.life.lower < a.life.shots
    ('main_capacitor', True)
    """

    family: str
    confidence: float
    bound: str
    life: QuantileBound
    median: float
    survival: tuple[SurvivalBound, ...]
    slots: tuple[SlotLife, ...]
    curve: Curve
    dependence: Dependence

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        share = percent_text(1 - self.life.fraction)
        low = shots_text(self.life.lower)
        if not np.isfinite(self.median):
            return f"Nothing has failed yet: {share} of modules last at least {low} shots ({percent_text(self.confidence)} confidence)."
        top = self.slots[0]
        return (
            f"Half of the modules last {shots_text(self.median)} shots; {share} last "
            f"{shots_text(self.life.shots)}, at least {low} at {percent_text(self.confidence)} "
            f"confidence; the {top.slot.replace('_', ' ')} ends {percent_text(top.ends_module)} of them."
        )


class Module(OnRecords):
    """Life of a whole module: the product over its slots, and which of them ends it.

    Examples
    --------
    >>> Module(units=("main_capacitor=4",)).units_of()
    {'main_capacitor': 4.0}
    """

    name = "module"
    text = "Life of a whole module, and which slot ends it."
    answer_type = ModuleAnswer

    family: Family = setting("weibull", "Family of the life model.")
    confidence: float = confidence_setting()
    bound: Literal["calibrated", "likelihood"] = setting("calibrated", "Kind of bound.")
    at: tuple[float, ...] = setting(
        (), "Module survival at this count.", unit="shots", hint="SHOTS"
    )
    fraction: float = setting(0.1, "Share failed of the life bounded.", gt=0, lt=1)
    units: tuple[str, ...] = setting(
        (), "Units in a slot of one module, the first failure ending it (default 1).", hint="SLOT=N"
    )
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Module:
        if any(not s > 0 for s in self.at):
            raise BadInput("at is a count above 0 shots")
        self.units_of()
        return self

    def units_of(self) -> dict[str, float]:
        """Units by slot. Raises BadInput."""
        out = {}
        for slot, value in pairs(self.units, "units", "slot=number").items():
            try:
                out[slot] = float(value)
            except ValueError:
                out[slot] = 0.0
            if not (out[slot] > 0 and np.isfinite(out[slot])):
                raise BadInput(f"units of {slot} is a number above 0, not {value[:40]!r}")
        return out

    def answer(self, pool: Pool) -> ModuleAnswer:
        """Life of a module whose slots live as the pool's units under the filters did.

        Raises
        ------
        BadInput
            For units of a slot that has no records.
        CannotAnswer
            If no unit was seen working.
        """
        records = self.chosen(pool)
        slots, notes = slot_models(records, self.family, self.units_of())
        if not slots:
            raise CannotAnswer(
                "No unit was seen working beyond its start; add records of longer tests."
            )
        bounds = _Bounds.of(slots, records, self)
        together = shared_frailty(slots, seed=self.seed)
        found = [system_bound(slots, s, self.confidence, bounds.method, self.seed) for s in self.at]
        return ModuleAnswer(
            self.family, self.confidence, bounds.method, bounds.life, bounds.median,
            tuple(SurvivalBound(b.shots, b.estimate, b.lower, b.upper) for b in found),
            _slot_lives(slots, bounds), bounds.curve(self.confidence), together,
            notes=notes + bounds.notes + _independence_note(records) + _dependence_note(together),
        )  # fmt: skip


@dataclass(frozen=True)
class _Bounds:
    """The bounded life of the module, and the cuts of the signed root that its curve shares."""

    slots: tuple[Slot, ...]
    method: str
    life: QuantileBound
    median: float
    longest: float
    cuts: tuple[float, float]
    notes: tuple[Note, ...]

    @classmethod
    def of(cls, slots: tuple[Slot, ...], records: LifeRecords, q: Module) -> _Bounds:
        longest = float(records.shots_good.max())
        nothing = not any(s.records.failed.any() for s in slots)
        shots = longest if nothing else _estimate_quantile(slots, q.fraction)
        z = float(normal_quantile(q.confidence))
        cuts, method = (z, z), str(q.bound)
        notes: tuple[Note, ...] = ()
        if method == "calibrated" and records.units > CALIBRATION_LIMIT and records.failures >= 100:
            method, notes = "likelihood", (_skipped_note(records),)

        def at_bound(which: str) -> float:
            return _lower_quantile(slots, q.fraction, shots, cuts, which, q.confidence)

        if method == "calibrated" and not nothing:
            near = system_bound(
                slots, at_bound("lower"), q.confidence, "calibrated", q.seed, side="lower"
            )
            far = system_bound(
                slots, at_bound("upper"), q.confidence, "calibrated", q.seed, side="upper"
            )
            cuts = (near.cut_lower, far.cut_upper)
        life = QuantileBound(
            q.fraction, NAN if nothing else shots, at_bound("lower"),
            NAN if nothing else at_bound("upper"),
        )  # fmt: skip
        return cls(slots, method, life, _estimate_quantile(slots, 0.5), longest, cuts, notes)

    def curve(self, confidence: float, points: int = 30) -> Curve:
        """Survival with bounds at many counts, with the cuts found for the life."""
        top = 2.0 * self.median if np.isfinite(self.median) else self.longest
        found = [
            system_bound(self.slots, float(s), confidence, "likelihood", cuts=self.cuts)
            for s in np.geomspace(top / 60, top, points)
        ]
        columns = ((b.shots, b.estimate, b.lower, b.upper) for b in found)
        return Curve(*(tuple(v) for v in zip((0.0, 1.0, 1.0, 1.0), *columns, strict=True)))


def _slot_lives(slots: Sequence[Slot], bounds: _Bounds) -> tuple[SlotLife, ...]:
    """Each slot beside the module, most likely end first."""
    ends = first_to_fail(slots)
    reference = np.log(bounds.median if np.isfinite(bounds.median) else bounds.longest)
    rows = []
    for s in slots:
        shape = float(s.phi[0, 0])
        half = float(s.family.quantile(np.asarray(0.5)))
        median = float(np.exp((half - s.phi[1, 0]) / shape + s.sample.centre))
        rows.append(
            SlotLife(
                s.name, whole(s.records.units), whole(s.records.failures), s.units,
                shape if s.assumed_shape is None else NAN,
                median if s.records.failed.any() else NAN,
                float(np.exp(-s.hazard(reference)[0])), ends[s.name], s.assumed_shape,
            )
        )  # fmt: skip
    return tuple(sorted(rows, key=lambda r: (-np.nan_to_num(r.ends_module), r.slot)))


def _skipped_note(records: LifeRecords) -> Note:
    return Note(
        "calibration_skipped",
        f"{records.units:g} units, {records.failures:g} failed: the plain likelihood-ratio bound is used; "
        "calibration would change little.",
    )


def slot_models(
    records: LifeRecords, family_name: str, units: Mapping[str, float] | None = None
) -> tuple[tuple[Slot, ...], tuple[Note, ...]]:
    """A life model for each slot in the records; where none can be fitted, an assumed shape."""
    fam = family(family_name)
    units = dict(units or {})
    names = sorted(set(records.slot.tolist()))
    unknown = sorted(set(units) - set(names))
    if unknown:
        raise BadInput(f"no records of slot {', '.join(unknown)}; there are: {', '.join(names)}")
    out, assumed, idle = [], [], []
    for name in names:
        own = records.select(records.slot == name)
        if not (own.shots_good > own.shots_from).any():
            idle.append(name)
            continue
        try:
            phi, shape = fit_life(own, family_name).phi, None
        except NoMaximum:
            phi, shape = None, DEFAULT_SHAPE_PRIOR.median if fam.shape_free else 1.0
            assumed.append(name)
        out.append(Slot.of(name, own, fam, phi, shape, units.get(name, 1.0)))
    notes = []
    if assumed:
        notes.append(
            Note(
                "assumed_shape",
                f"Too few failures in {', '.join(assumed)} to fit a shape; "
                f"{DEFAULT_SHAPE_PRIOR.median:g} is assumed there ({DEFAULT_SHAPE_PRIOR.source}).",
            )
        )
    if idle:
        notes.append(
            Note("no_exposure", f"Left out, since no unit was seen working: {', '.join(idle)}.")
        )
    return tuple(out), tuple(notes)


def total_hazard(slots: Sequence[Slot], log_shots: Array) -> Array:
    """Estimated cumulative hazard of the module at counts."""
    return np.asarray(sum(s.hazard(log_shots) for s in slots))


def _estimate_quantile(slots: Sequence[Slot], fraction: float) -> float:
    lo, hi = -50.0, 80.0
    want = -np.log1p(-fraction)
    if not any(s.records.failed.any() for s in slots):
        return float("nan")
    for _ in range(200):
        mid = 0.5 * (lo + hi)
        if total_hazard(slots, np.array([mid]))[0] < want:
            lo = mid
        else:
            hi = mid
    return float(np.exp(0.5 * (lo + hi)))


def first_to_fail(slots: Sequence[Slot]) -> dict[str, float]:
    """Probability that each slot ends the module, by integration over ln shots."""
    if not any(s.records.failed.any() for s in slots):
        return {s.name: float("nan") for s in slots}
    end = np.log(_estimate_quantile(slots, 1 - 1e-9))
    start = np.log(_estimate_quantile(slots, 1e-9))
    grid = np.linspace(min(start, end - 1e-6), end, 4001)
    shares = first_failure_shares([s.hazard(grid) for s in slots])
    return dict(zip((s.name for s in slots), shares, strict=True))


def _lower_quantile(
    slots: Sequence[Slot], fraction: float, guess: float, cuts: tuple[float, float], which: str,
    confidence: float,
) -> float:  # fmt: skip
    """Count at which the bound on survival meets 1 - fraction, with the cuts given."""
    want = 1.0 - fraction

    def excess(v: float) -> float:
        b = system_bound(slots, float(np.exp(v)), confidence, "likelihood", cuts=cuts)
        # on the log hazard scale, where it is nearly straight in ln shots
        s = float(np.clip(getattr(b, which), 1e-300, 1 - 1e-15))
        return float(np.log(-np.log(s)) - np.log(-np.log(want)))

    a = np.log(guess)
    fa = excess(a)
    step = -0.7 if fa > 0 else 0.7
    b, fb = a + step, excess(a + step)
    while fa * fb > 0 and abs(b - a) < 60:
        a, fa = b, fb
        step *= 1.7
        b, fb = a + step, excess(a + step)
    if fa * fb > 0:
        return 0.0 if step < 0 else float("inf")
    return float(np.exp(brentq(excess, min(a, b), max(a, b), xtol=1e-5)))


def _independence_note(records: LifeRecords) -> tuple[Note, ...]:
    notes = [
        Note(
            "independent_slots",
            "Slots are taken to fail independently of each other, and the first failure ends the module.",
        )
    ]
    notes += [
        Note(
            "stress_mixed",
            f"{name} differs between records ({lo:g} to {hi:g}): this is the life of the mixture as tested. "
            "Choose records of one stress, or see the flight promise.",
        )
        for name, lo, hi in varying_stresses(records)
    ]
    return tuple(notes)


def _dependence_note(found: Dependence) -> tuple[Note, ...]:
    if not found.p < 0.05:
        return ()
    return (
        Note(
            "dependent_slots",
            f"Slots of one module fail together more than chance allows ({p_text(found.p)}, {found.modules} modules): "
            "something they share, such as voltage, temperature or workmanship. The module's life is then rather "
            "understated here than overstated; narrow the records to like conditions.",
        ),
    )
