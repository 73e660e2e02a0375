"""Derating from tests at one voltage: the exponent comes from a named prior, not from these data."""

from __future__ import annotations

import numpy as np

from reliability.decisions.bank import Bank, bank_of
from reliability.decisions.derating import Derate
from reliability.decisions.derating_answer import (
    Allowed,
    CoefficientBound,
    CurvePoint,
    DeratingAnswer,
)
from reliability.decisions.derating_notes import above_rating
from reliability.decisions.impulse import Impulse
from reliability.decisions.parts import seen_of
from reliability.decisions.practice import practice_for, prior_for
from reliability.life.families import family
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.priors import DEFAULT_SHAPE_PRIOR, posterior_plane
from reliability.life.quadrature import Plane, plane
from reliability.life.stress import Term
from reliability.life.targets import LogQuantile
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.words import whole

NAN = float("nan")
POINTS = 25


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
    shots, confidence = q.shots, q.confidence
    fam = family(q.family)
    tested = float(np.asarray(records.column(term.column), float)[0])
    notes = [
        Note(
            "prior_stress",
            f"All tests ran at {term.column} = {tested:g}. How life depends on it is not measured here but taken "
            f"from a prior: {prior.mean:g} +- {prior.sd:g} ({prior.name}; {prior.source.rstrip('.')}; source "
            f"{prior.seen}; our choice: {prior.choice.rstrip('.')}). Posterior equals prior. "
            "A test at a second level would replace it.",
        )
    ]
    if not records.failed.any():
        raise CannotAnswer("No unit has failed; a prior on the exponent alone cannot give a life.")
    if records.failures <= 3:
        pl, centre = posterior_plane(records, fam)
        notes.append(
            Note(
                "prior_shape",
                f"With 3 failures or fewer the shape has a prior too: {DEFAULT_SHAPE_PRIOR.source}.",
            )
        )
        shape = sigma = loglik = NAN
    else:
        try:
            fit = fit_life(records, q.family)
        except NoMaximum as e:
            raise CannotAnswer(str(e)) from None
        pl, centre = plane(fam, fit.sample, fit.phi), fit.sample.centre
        shape, sigma, loglik = fit.shape, fit.sigma, fit.loglik
    bank, rated_found = bank_of(records, q.bank(), q.capacitance_uf)
    rated = rated_found if q.rated_v is None else q.rated_v
    fraction = 1.0 - bank.record_survival(q.survival)
    z = np.linspace(-3.5, 3.5, 41)
    values = prior.mean + prior.sd * z
    weight = np.exp(-0.5 * z * z) * (values > 0)
    weight /= weight.sum()
    target = LogQuantile(float(fam.quantile(np.asarray(fraction))))

    def shift(level: float) -> np.ndarray:
        return values * float(term.transform(level) - term.transform(tested))

    def short(level: float, wanted: float) -> float:
        """Probability that the life at the level is below ``wanted``."""
        v = np.log(wanted) - centre
        return float(weight @ [pl.probability_below(target, v - d) for d in shift(level)])

    low, high = (tested / 8, tested * 1.5) if term.form == "power" else (tested - 150, tested + 50)
    allowed = Allowed()
    if short(low, shots) <= 1 - confidence:
        a, b = low, high
        for _ in range(60):
            mid = 0.5 * (a + b)
            a, b = (mid, b) if short(mid, shots) <= 1 - confidence else (a, mid)
        allowed = Allowed(a)
        if term.column == "charge_V":
            level = bank.charge_voltage(a)
            ratio = bank.capacitor_voltage(level) / rated
            allowed = Allowed(level, level, ratio, bank.energy(level))
        if abs(a - tested) > 1e-9 * abs(tested):
            notes.append(
                Note(
                    "extrapolated",
                    f"The allowed {term.column} {a:,.4g} was not tested ({tested:g} was); confirm it with a test.",
                )
            )
        if term.column == "charge_V":
            notes += above_rating(a, rated * bank.recorded[1])
    else:
        notes.append(
            Note(
                "none_allowed",
                "No level within reach of the prior meets the requirement; test more units.",
            )
        )
    curve = _curve(
        pl, target, centre, term, tested, values, weight, confidence, bank, impulse, low, POINTS
    )
    usable = [p for p in curve if np.isfinite(p.impulse_Ns)]
    coefficient = CoefficientBound(
        term.column,
        term.form,
        prior.mean,
        max(0.0, prior.mean - 1.645 * prior.sd),
        prior.mean + 1.645 * prior.sd,
    )
    return DeratingAnswer(
        q.family, whole(records.units), whole(records.failures), shape, sigma, loglik, (coefficient,), allowed, curve,
        shots, q.survival, confidence, "prior", {}, term.column, (tested, tested),
        max(usable, key=lambda p: p.impulse_Ns) if usable else None, practice_for(q.dielectric),
        seen=seen_of(records, term.column), notes=tuple(notes),
    )  # fmt: skip


def _curve(
    pl: Plane, target: LogQuantile, centre: float, term: Term, tested: float, values: np.ndarray,
    weight: np.ndarray, confidence: float, bank: Bank, impulse: Impulse | None, low: float, points: int,
) -> tuple[CurvePoint, ...]:  # fmt: skip
    out = []
    guess = pl.quantile(target, 0.5, 0.0, 1.0)
    for level in np.linspace(
        max(low, 0.5 * tested) if term.form == "power" else low, 1.15 * tested, points
    ):
        d = values * float(term.transform(level) - term.transform(tested))

        def short(v: float, d: np.ndarray = d) -> float:
            return float(weight @ [pl.probability_below(target, v - x) for x in d])

        a, b = guess + d.min() - 40.0, guess + d.max() + 5.0
        for _ in range(40):
            mid = 0.5 * (a + b)
            a, b = (mid, b) if short(mid) < 1 - confidence else (a, mid)
        middle = guess + float(weight @ d)
        charge = bank.charge_voltage(float(level)) if term.column == "charge_V" else NAN
        energy = bank.energy(charge) if term.column == "charge_V" else NAN
        lower = float(np.exp(a + centre))
        total = 1e-6 * impulse.bit_uNs(energy) * lower if impulse and np.isfinite(energy) else NAN
        least = (
            total / impulse.bit_uNs(energy) * impulse.lower_uNs(energy, confidence)
            if impulse
            else NAN
        )
        out.append(
            CurvePoint(
                charge if np.isfinite(charge) else float(level),
                float(np.exp(middle + centre)),
                lower,
                True,
                energy,
                total,
                least,
            )
        )
    return tuple(out)
