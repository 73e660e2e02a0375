"""How long does a module live, and which slot ends it? The product over its slots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from reliability.decisions.answer import p_text, percent_text, shots_text, whole
from reliability.decisions.life import (
    NOT_SHOWN,
    SurvivalBound,
    check_settings,
    varying_stresses,
)
from reliability.life.bounds import CALIBRATION_LIMIT
from reliability.life.dependence import Dependence, shared_frailty
from reliability.life.families import family, normal_quantile
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.priors import DEFAULT_SHAPE_PRIOR
from reliability.life.system import Slot, SystemBound, first_failure_shares, system_bound
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SlotLife:
    """One slot of the module.

    Attributes
    ----------
    slot : str
    n, failed : int or float
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
    n: float
    failed: float
    units: float
    shape: float
    median: float
    survival: float
    ends_module: float
    assumed_shape: float | None


@dataclass(frozen=True)
class ModuleAnswer:
    """Answer to ``module``.

    Attributes
    ----------
    family : str
    confidence : float
    bound : str
    life : dict
        ``fraction`` (failed), ``shots``, ``lower``, ``upper``: the life that 1 - fraction keep.
    median : float
        Shots that half of the modules last, as estimated.
    survival : tuple of SurvivalBound
    slots : tuple of SlotLife
        Most likely end first.
    notes : tuple of Note
    dependence : Dependence
        Check that slots fail independently of each other.
    """

    family: str
    confidence: float
    bound: str
    life: dict[str, float]
    median: float
    survival: tuple[SurvivalBound, ...]
    slots: tuple[SlotLife, ...]
    notes: tuple[Note, ...]
    dependence: Dependence
    models: tuple[Slot, ...] = field(default=(), metadata=NOT_SHOWN)
    cuts: tuple[float, float] = field(default=(1.645, -1.645), metadata=NOT_SHOWN)

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        share = percent_text(1 - self.life["fraction"])
        low = shots_text(self.life["lower"])
        if not np.isfinite(self.median):
            return f"Nothing has failed yet: {share} of modules last at least {low} shots ({percent_text(self.confidence)} confidence)."
        top = self.slots[0]
        return (
            f"Half of the modules last {shots_text(self.median)} shots; {share} last "
            f"{shots_text(self.life['shots'])}, at least {low} at {percent_text(self.confidence)} "
            f"confidence; the {top.slot.replace('_', ' ')} ends {percent_text(top.ends_module)} of them."
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


def module(
    records: LifeRecords,
    family_name: str = "weibull",
    *,
    at: Sequence[float] = (),
    fraction: float = 0.1,
    confidence: float = 0.95,
    bound: str = "calibrated",
    units: Mapping[str, float] | None = None,
    seed: int = 1,
) -> ModuleAnswer:
    """Life of a module whose slots live as the units in these records did.

    Parameters
    ----------
    records : LifeRecords
    family_name : str
    at : sequence of float
        Counts at which survival is wanted.
    fraction : float
        Fraction of modules failed at the life that is bounded.
    confidence : float
    bound : str
        ``calibrated`` or ``likelihood``.
    units : mapping of slot to number, optional
        Equal units in one module's slot where it is not 1 (a bank of 4 whose first short ends it).
    seed : int

    Raises
    ------
    BadInput, CannotAnswer
    """
    check_settings(family_name, confidence, bound, [fraction], at)
    if bound == "wald":
        raise BadInput("the module's bound is calibrated or likelihood; wald is for single slots")
    slots, notes = slot_models(records, family_name, units)
    if not slots:
        raise CannotAnswer(
            "No unit was seen working beyond its start; add records of longer tests."
        )
    longest = float(records.shots_good.max())
    nothing = not any(s.records.failed.any() for s in slots)
    shots = longest if nothing else _estimate_quantile(slots, fraction)
    z = float(normal_quantile(confidence))
    cuts = (z, z)
    if bound == "calibrated" and records.units > CALIBRATION_LIMIT and records.failures >= 100:
        bound = "likelihood"
        notes += (
            Note(
                "calibration_skipped",
                f"{records.units:g} units, {records.failures:g} failed: the plain likelihood-ratio bound is used; "
                "calibration would change little.",
            ),
        )
    if bound == "calibrated" and not nothing:
        lower = _lower_quantile(slots, fraction, shots, cuts, "lower", confidence)
        near = system_bound(slots, lower, confidence, "calibrated", seed, side="lower")
        upper = _lower_quantile(slots, fraction, shots, cuts, "upper", confidence)
        far = system_bound(slots, upper, confidence, "calibrated", seed, side="upper")
        cuts = (near.cut_lower, far.cut_upper)
    low = _lower_quantile(slots, fraction, shots, cuts, "lower", confidence)
    high = (
        float("nan")
        if nothing
        else _lower_quantile(slots, fraction, shots, cuts, "upper", confidence)
    )
    found = [system_bound(slots, s, confidence, bound, seed) for s in at if s > 0]
    survival = [SurvivalBound(b.shots, b.estimate, b.lower, b.upper) for b in found]
    median = _estimate_quantile(slots, 0.5)
    ends = first_to_fail(slots)
    reference = np.log(longest if nothing else median)
    rows = []
    for s in slots:
        fitted = s.assumed_shape is None
        b = float(s.phi[0, 0])
        med = float(
            np.exp((float(s.family.quantile(np.asarray(0.5))) - s.phi[1, 0]) / b + s.sample.centre)
        )
        rows.append(
            SlotLife(
                s.name, whole(s.records.units), whole(s.records.failures), s.units,
                b if fitted else float("nan"),
                med if s.records.failed.any() else float("nan"),
                float(np.exp(-s.hazard(reference)[0])),
                ends[s.name], s.assumed_shape,
            )
        )  # fmt: skip
    rows.sort(key=lambda r: (-np.nan_to_num(r.ends_module), r.slot))
    together = shared_frailty(slots, seed=seed)
    notes += _independence_note(records) + _dependence_note(together)
    return ModuleAnswer(
        family_name, confidence, bound,
        {"fraction": fraction, "shots": float("nan") if nothing else shots, "lower": low, "upper": high},
        median, tuple(survival), tuple(rows), notes, together, slots, cuts,
    )  # fmt: skip


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


def module_curve(answer: ModuleAnswer, shots: Array) -> list[SystemBound]:
    """Survival with bounds at many counts, with the cuts found for the answer."""
    return [
        system_bound(answer.models, float(s), answer.confidence, "likelihood", cuts=answer.cuts)
        for s in shots
    ]
