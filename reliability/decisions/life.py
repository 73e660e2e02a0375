"""How long do these units live? One family, its parameters, quantiles and survival, with bounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from reliability.decisions.answer import percent_text, shots_text, whole
from reliability.life.bounds import METHODS, Bounder
from reliability.life.families import FAMILIES, family
from reliability.life.fit import LifeFit, NoMaximum, few_failure_notes, fit_life
from reliability.life.goodness import goodness_of_fit
from reliability.life.predict import Prediction, predict
from reliability.life.priors import (
    DEFAULT_SHAPE_PRIOR,
    PriorAndPosterior,
    ShapePrior,
    posterior_quantile,
    zero_failure_quantile,
    zero_failure_survival,
)
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords

NOT_SHOWN = {"json": False}


@dataclass(frozen=True)
class QuantileBound:
    """Shots by which a fraction has failed, with one-sided bounds."""

    fraction: float
    shots: float
    lower: float
    upper: float


@dataclass(frozen=True)
class SurvivalBound:
    """Survival at a count, with one-sided bounds."""

    shots: float
    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True)
class LifeAnswer:
    """The answer to ``life``; nan where these data cannot say.

    Attributes
    ----------
    family : str
    n, failed : int or float
        Units and failures.
    shape, scale, mu, sigma, loglik : float
        See ``LifeFit``.
    confidence : float
        Of each one-sided bound.
    bound : str
        Method asked for.
    quantiles, survival : tuples
    notes : tuple of Note
    mc_error : float
        Largest Monte-Carlo standard error of the log of a bound.
    few : PriorAndPosterior or None
        Prior and posterior, where failures are so few that they are shown.
    mode : str
        Failure mode looked at, "" for all.
    prediction : Prediction or None
        For units still to be made, where asked for.
    fit : LifeFit or None
    """

    family: str
    n: float
    failed: float
    shape: float
    scale: float
    mu: float
    sigma: float
    loglik: float
    confidence: float
    bound: str
    quantiles: tuple[QuantileBound, ...]
    survival: tuple[SurvivalBound, ...]
    notes: tuple[Note, ...]
    mc_error: float = 0.0
    few: PriorAndPosterior | None = None
    mode: str = ""
    prediction: Prediction | None = None
    fit: LifeFit | None = field(default=None, metadata=NOT_SHOWN)

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        if not self.quantiles:
            return f"{self.failed:g} of {self.n:g} units failed."
        q = self.quantiles[0]
        share = percent_text(1 - q.fraction)
        if not np.isfinite(q.shots):
            return (
                f"{share} of units last at least {shots_text(q.lower)} shots "
                f"(at {percent_text(self.confidence)} confidence); the life itself cannot be told "
                f"from {self.failed:g} failure{'s' if self.failed != 1 else ''} among {self.n:g} units."
            )
        return (
            f"{share} of units last {shots_text(q.shots)} shots or more as estimated, and at least "
            f"{shots_text(q.lower)} at {percent_text(self.confidence)} confidence "
            f"({self.failed:g} of {self.n:g} units failed)."
        )


def varying_stresses(records: LifeRecords) -> list[tuple[str, float, float]]:
    """Voltage and temperature where they differ between records by more than 1 % or 1 K: their range."""
    out = []
    for name in ("charge_V", "temp_C"):
        values = records.covariates.get(name)
        if values is None or np.isnan(values).all():
            continue
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        if high - low > (1.0 if name == "temp_C" else 0.01 * high):
            out.append((name, low, high))
    return out


def content_notes(records: LifeRecords, mode: str) -> tuple[Note, ...]:
    """Remarks on what the records mix."""
    notes = []
    slots = sorted(set(records.slot.tolist()) - {""})
    if len(slots) > 1:
        notes.append(
            Note(
                "slots_mixed",
                f"These records mix {len(slots)} slots ({', '.join(slots)}): one life model for all "
                "of them means little. Choose one slot.",
            )
        )
    modes = sorted(set(records.mode[records.failed].tolist()))
    if not mode and len(modes) > 1:
        notes.append(
            Note(
                "modes_mixed",
                f"Failures by {len(modes)} modes ({', '.join(modes)}) are fitted as one; see "
                "failure modes for each mode by itself.",
            )
        )
    notes += [
        Note(
            "stress_mixed",
            f"{name} ranges from {lo:g} to {hi:g}: this is the life of the mixture as "
            "tested. For the life at one stress see derating.",
        )
        for name, lo, hi in varying_stresses(records)
    ]
    if mode and ((records.mode == "unknown") & records.failed).any():
        k = records.count[(records.mode == "unknown") & records.failed].sum()
        notes.append(
            Note(
                "modes_unknown",
                f"{k:g} failures of unknown mode count as unfailed here: the life by mode "
                f"{mode} is then too long if some of them were of it.",
            )
        )
    idle = (~records.failed) & (records.shots_good <= records.shots_from)
    if idle.any():
        notes.append(
            Note("no_exposure", f"{records.count[idle].sum():g} units were never seen working beyond "
                 "their start and tell nothing.")
        )  # fmt: skip
    return tuple(notes)


def check_settings(
    family_name: str, confidence: float, bound: str, fractions: Sequence[float], at: Sequence[float]
) -> None:
    """Refuse settings out of range. Raises BadInput."""
    if family_name not in FAMILIES:
        raise BadInput(f"unknown family {family_name!r}; allowed: {', '.join(FAMILIES)}")
    if bound not in METHODS:
        raise BadInput(f"unknown bound {bound!r}; allowed: {', '.join(METHODS)}")
    if not 0.5 < confidence < 1:
        raise BadInput("confidence is one-sided; allowed: between 0.5 and 1, such as 0.95")
    if any(not 0 < p < 1 for p in fractions):
        raise BadInput("a fraction failed must lie between 0 and 1, such as 0.1")
    if any(not (s >= 0 and np.isfinite(s)) for s in at):
        raise BadInput("shots must be 0 or more")


def life(
    records: LifeRecords,
    family_name: str = "weibull",
    *,
    mode: str = "",
    at: Sequence[float] = (),
    fractions: Sequence[float] = (0.1,),
    confidence: float = 0.95,
    bound: str = "calibrated",
    seed: int = 1,
    check_fit: bool = True,
    ahead: tuple[int, int] | None = None,
    prior: ShapePrior = DEFAULT_SHAPE_PRIOR,
) -> LifeAnswer:
    """Life of the units in these records.

    Parameters
    ----------
    records : LifeRecords
    family_name : str
    mode : str
        Look at one failure mode, others censored; "" for all failures.
    at : sequence of float
        Counts at which survival is wanted.
    fractions : sequence of float
        Fractions failed whose counts are wanted.
    confidence : float
        One-sided.
    bound : str
        ``calibrated``, ``likelihood`` or ``wald``.
    seed : int
    check_fit : bool
        Whether to test the fit (a Monte-Carlo p value).
    ahead : (units, keep), optional
        Also predict the shots that at least ``keep`` of so many next units reach.
    prior : ShapePrior
        Used, and shown, only where failures are 3 or fewer.

    Raises
    ------
    BadInput
        For settings out of range or an unknown mode.
    CannotAnswer
        Where no life can be fitted; ``partial`` holds the bounds that can be given.
    """
    check_settings(family_name, confidence, bound, fractions, at)
    if mode:
        known = sorted(set(records.mode[records.failed].tolist()))
        if mode not in known:
            raise BadInput(f"no failure of mode {mode!r}; there are: {', '.join(known) or 'none'}")
    notes = content_notes(records, mode)
    if mode:
        records = records.of_mode(mode)
    try:
        fit = fit_life(records, family_name)
    except NoMaximum as e:
        partial = _without_fit(
            records, family_name, mode, at, fractions, confidence, bound, prior, e, notes
        )
        raise CannotAnswer(str(e), partial) from None
    bounder = Bounder(records, fit, confidence, bound, seed)
    q, s, error = [], [], 0.0
    for p in fractions:
        b = bounder.quantile(p)
        q.append(QuantileBound(p, b.estimate, b.lower, b.upper))
        error = max(error, b.mc_error)
    for shots in at:
        b = bounder.survival(shots)
        s.append(SurvivalBound(shots, b.estimate, b.lower, b.upper))
        error = max(error, b.mc_error)
    few = None
    if records.failures <= 3 and fit.family.shape_free:
        few = posterior_quantile(
            records, fit.family, fractions[0] if fractions else 0.1, confidence, prior
        )
        notes += (prior_note(few, confidence),)
    if error > 0.01:
        notes += (
            Note(
                "simulation_error",
                f"The simulated bounds carry a standard error of {100 * error:.1f} %.",
            ),
        )
    if check_fit and records.units <= 5000 and records.failures >= 4:
        found = goodness_of_fit(records, fit, seed=seed).note(family_name)
        notes += (found,) if found else ()
    return LifeAnswer(
        family_name, whole(records.units), whole(records.failures), fit.shape, fit.scale, fit.mu,
        fit.sigma, fit.loglik, confidence, bound, tuple(q), tuple(s),
        fit.notes + bounder.notes + notes, mc_error=error, few=few, mode=mode,
        prediction=predict(records, fit, units=ahead[0], keep=ahead[1], confidence=confidence, seed=seed) if ahead else None,
        fit=fit,
    )  # fmt: skip


def prior_note(few: PriorAndPosterior, confidence: float) -> Note:
    """Prior and posterior side by side, in words."""
    a, b = few.shape_prior, few.shape_posterior
    return Note(
        "prior_shown",
        f"With a prior on the shape (median {few.prior.median:g}, 90 % within {a[0]:.2g} to {a[2]:.2g}; "
        f"{few.prior.source}) the shape becomes {b[1]:.2g} ({b[0]:.2g} to {b[2]:.2g}) and the life "
        f"{shots_text(few.shots)} shots, at least {shots_text(few.lower)} with probability "
        f"{percent_text(confidence)}.",
    )


def _without_fit(
    records: LifeRecords,
    family_name: str,
    mode: str,
    at: Sequence[float],
    fractions: Sequence[float],
    confidence: float,
    bound: str,
    prior: ShapePrior,
    why: NoMaximum,
    notes: tuple[Note, ...],
) -> LifeAnswer:
    """What can be said where no life can be fitted: bounds from a prior shape, and why no more."""
    nan = float("nan")
    quantiles: list[QuantileBound] = []
    survival: list[SurvivalBound] = []
    notes = (Note(why.code, str(why)), *few_failure_notes(records.failures), *notes)
    few = None
    seen_good = bool((records.shots_good > records.shots_from).any())
    fam = family(family_name)
    if not records.failed.any() and seen_good:
        assumed = 1.0 if not fam.shape_free else None
        for p in fractions:
            low = zero_failure_quantile(records, p, confidence, assumed, prior)
            quantiles.append(QuantileBound(p, nan, low, nan))
        for shots in at:
            survival.append(
                SurvivalBound(
                    shots, nan, zero_failure_survival(records, shots, confidence, prior), nan
                )
            )
        p = fractions[0] if fractions else 0.1
        parts = ", ".join(
            f"{shots_text(zero_failure_quantile(records, p, confidence, b))} at shape {b:g}"
            for b in (1.0, 2.0, 3.0)
        )
        basis = (
            "shape 1 (exponential)" if assumed else
            f"the {prior.name} prior on the shape (median {prior.median:g}; {prior.source})"
        )  # fmt: skip
        notes += (
            Note(
                "assumed_shape",
                f"The lower bounds rest on {basis}. With an assumed Weibull shape the count at which "
                f"{percent_text(p)} have failed is at least: {parts}.",
            ),
        )
    elif records.failed.any() and seen_good and fam.shape_free:
        for p in fractions:
            few = posterior_quantile(records, fam, p, confidence, prior)
            quantiles.append(QuantileBound(p, nan, few.lower, few.upper))
        if few is not None:
            notes += (prior_note(few, confidence),)
    return LifeAnswer(
        family_name, whole(records.units), whole(records.failures), nan, nan, nan, nan, nan,
        confidence, bound, tuple(quantiles), tuple(survival), notes, few=few, mode=mode,
    )  # fmt: skip
