"""How far to derate: the highest charge voltage at which the life bound still meets the mission."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from reliability.decisions.bank import Bank, Discharge, discharge
from reliability.decisions.impulse import Impulse, fit_impulse, read_impulse
from reliability.decisions.parts import Seen, seen_of
from reliability.decisions.practice import DeratingPractice, practice_for
from reliability.decisions.question import (
    Answer,
    BoundMethod,
    Count,
    Family,
    Level,
    OnRecords,
    confidence_setting,
    levels,
    refuse_unless,
    setting,
)
from reliability.decisions.stress_checks import StressChecks, check_stress_model
from reliability.decisions.stress_terms import default_terms, fixed_levels, solved_for
from reliability.decisions.without_family import opinion_on_stress, opinion_setting
from reliability.histories import lives_of
from reliability.life.empirical import kaplan_meier
from reliability.life.families import family, normal_quantile
from reliability.life.pooling import fit_pooled
from reliability.life.second_opinion import StressOpinion
from reliability.life.stress import OneLevel, StressFit, fit_stress, parse_term
from reliability.life.stress_bounds import StressBounder
from reliability.notes import CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.words import percent_text, shots_text, whole

Array = NDArray[np.float64]
NAN = float("nan")
POINTS = 25


@dataclass(frozen=True)
class CoefficientBound:
    """A stress coefficient with one-sided bounds.

    ``form`` power: n in life ~ V^-n; arrhenius: activation energy in eV; linear: change of ln life
    a unit; categorical: ln life less that of the most frequent level.
    """

    column: str
    form: str
    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True)
class CurvePoint:
    """Life at one level of the stress, by which 1 - survival has failed.

    ``impulse_Ns`` is the impulse bit times the promised (lower) life; ``impulse_lower_Ns`` takes the
    lower limit of the impulse bit too.
    """

    level: float
    shots: float
    lower: float
    extrapolated: bool
    energy_J: float
    impulse_Ns: float
    impulse_lower_Ns: float


@dataclass(frozen=True)
class Allowed:
    """The highest level of the stress solved for, nan where none can be allowed.

    Attributes
    ----------
    level : float
    charge_V, ratio, energy_J : float
        Where it is the charge voltage: the same, its ratio to the rated voltage, and the energy of a
        shot; else nan.
    """

    level: float = NAN
    charge_V: float = NAN
    ratio: float = NAN
    energy_J: float = NAN


@dataclass(frozen=True)
class Residual:
    """A standardised residual of log life, and where the family expects it (see ``residuals``)."""

    residual: float
    expected: float


@dataclass(frozen=True)
class DeratingAnswer(Answer):
    """How far to derate.

    Attributes
    ----------
    family : str
    n, failed : number
    shape, sigma, loglik : float
    coefficients : tuple of CoefficientBound
    allowed : Allowed
    curve : tuple of CurvePoint
    shots, survival, confidence, bound
        What was asked; ``shots`` nan where only the model was.
    use : dict
        Levels at which the other stresses were held.
    column : str
        The stress that was solved for.
    tested : (float, float)
        Its range in the records.
    best_total : CurvePoint or None
        Point of the curve with the largest total impulse over the promised life.
    practice : DeratingPractice or None
        Reference only.
    discharge : Discharge or None
    checks : StressChecks or None
    seen : tuple of Seen
        The data, at their levels.
    residuals : tuple of Residual
    second_opinion : StressOpinion or None
        Where it was asked for.

    Examples
    --------
    >>> import reliability as rl
    >>> q = rl.Derate(slot=("main_capacitor",), part=("film-a",), stress=("charge_V:power",), shots=3000, bound="likelihood")
    >>> a = rl.ask(q, rl.demo())
    >>> 1000 < a.allowed.charge_V < 1700 and a.coefficients[0].form == "power"
    True
    """

    family: str
    n: Count
    failed: Count
    shape: float
    sigma: float
    loglik: float
    coefficients: tuple[CoefficientBound, ...]
    allowed: Allowed
    curve: tuple[CurvePoint, ...]
    shots: float
    survival: float
    confidence: float
    bound: str
    use: dict[str, Level]
    column: str
    tested: tuple[float, float]
    best_total: CurvePoint | None = None
    practice: DeratingPractice | None = None
    discharge: Discharge | None = None
    checks: StressChecks | None = None
    mc_error: float = 0.0
    seen: tuple[Seen, ...] = ()
    residuals: tuple[Residual, ...] = ()
    second_opinion: StressOpinion | None = None

    @property
    def answered(self) -> bool:
        """Whether a level could be allowed, if one was asked for."""
        return not np.isfinite(self.shots) or bool(np.isfinite(self.allowed.level))

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        if not np.isfinite(self.shots):
            c = self.coefficients[0]
            return f"Life depends on {c.column} with coefficient {c.estimate:.3g} ({c.lower:.3g} to {c.upper:.3g})."
        level = self.allowed.level
        want = (
            f"{shots_text(self.shots)} shots with survival {percent_text(self.survival)} at "
            f"{percent_text(self.confidence)} confidence"
        )
        name = self.column.replace("_", " ")
        if not np.isfinite(level):
            return f"No {name} can be allowed from these data for {want}."
        if self.column != "charge_V":
            return f"Allow at most {level:,.4g} ({name}) for {want}."
        more = [f"part {self.use['part']}"] if "part" in self.use else []
        ratio, energy = self.allowed.ratio, self.allowed.energy_J
        more += [f"{percent_text(ratio)} of rated"] if np.isfinite(ratio) else []
        more += [f"{energy:.3g} J a shot"] if np.isfinite(energy) else []
        detail = f" ({', '.join(more)})" if more else ""
        return f"Charge to at most {level:,.4g} V{detail} for {want}."


class Derate(OnRecords):
    """How far to derate: the charge voltage that lets the capacitor last the mission.

    Fits life against stress and gives the highest voltage at which the lower bound on life meets the
    required shots at survival and confidence.

    Examples
    --------
    >>> Derate(shots=3000, parallel=2, series=2, capacitance_uf=1).bank().units
    4
    """

    name = "derate"
    text = "How far to derate: the charge voltage that lasts the mission."
    needs = ("life", "wear")
    answer_type = DeratingAnswer

    shots: float | None = setting(
        None, "Required life; without it only the model is fitted.", unit="shots", gt=0, lt=1e15
    )
    survival: float = setting(0.9, "Required share of banks that last it.", gt=0, lt=1)
    confidence: float = confidence_setting()
    family: Family = setting("weibull", "Family of the life model.")
    bound: BoundMethod = setting("calibrated", "Kind of bound.")
    stress: tuple[str, ...] = setting(
        (), "Stress term, form power, arrhenius, linear or categorical. Default: known stresses that vary "
        "in the records.", hint="COLUMN:FORM", most=8,
    )  # fmt: skip
    use: tuple[str, ...] = setting(
        (),
        "Level of another stress to answer for (default: the median tested).",
        hint="COLUMN=LEVEL",
        most=20,
    )
    parallel: int | None = setting(
        None, "A new bank of single capacitors: so many in parallel, the first short ends it. Default: "
        "banks as recorded.", ge=1, le=10_000,
    )  # fmt: skip
    series: int | None = setting(None, "So many in series in each string.", ge=1, le=10_000)
    unequal: float = setting(
        0.0, "Margin for unequal sharing in a string (0.1 = worst takes 10 % more).", ge=0, le=1
    )
    capacitance_uf: float | None = setting(
        None, "Capacitance of one capacitor (default: from the records).", unit="uF", gt=0
    )
    rated_v: float | None = setting(
        None, "Rated voltage of one capacitor (default: from the records).", unit="V", gt=0
    )
    inductance_nh: float | None = setting(
        None, "Inductance of the discharge loop, for the peak current.", unit="nH", gt=0
    )
    resistance_mohm: float = setting(0.0, "Resistance of the discharge loop.", unit="mOhm", ge=0)
    impulse: str = setting(
        "",
        "Impulse bit at an energy, such as 0.65@0.2 or 0.65@0.2^1.2, for the trade.",
        hint="UNS@J[^EXP]",
    )
    impulse_readings: bool = setting(
        False, "Fit the impulse bit from the impulse_bit_uNs readings instead."
    )
    dielectric: str = setting(
        "", "ceramic, film, mica or glass: show usual derating practice beside the answer."
    )
    prior: str = setting(
        "",
        "With one stress level: a sourced prior of its coefficient (ceramic, film, film-metallised, mica, "
        "film-reversal), or mean,sd.",
        hint="NAME",
    )
    new_builder: bool = setting(
        False, "Allow for a builder who is not in the pool (spread of builders as a random effect)."
    )
    second_opinion: bool = opinion_setting()
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Derate:
        levels(self.use)
        for term in self.stress:
            parse_term(term)
        if self.impulse:
            read_impulse(self.impulse)
            refuse_unless(not self.impulse_readings, "impulse", "impulse_readings is given too")
        practice_for(self.dielectric)
        given = (
            (self.unequal == 0 or (self.series or 1) > 1, "unequal", "it goes with series above 1"),
            (self.resistance_mohm == 0 or self.inductance_nh is not None, "resistance_mohm", "it goes with inductance_nh"),
        )  # fmt: skip
        for holds, what, needs in given:
            refuse_unless(holds, what, needs)
        if self.shots is None:
            for name in ("inductance_nh", "impulse", "impulse_readings", "new_builder"):
                refuse_unless(not getattr(self, name), name, "it goes with shots")
        return self

    def bank(self) -> Bank | None:
        """The bank asked for; None for banks as recorded."""
        each = NAN if self.capacitance_uf is None else self.capacitance_uf
        if self.parallel is not None or self.series is not None:
            return Bank(each, self.parallel or 1, self.series or 1, self.unequal)
        return None if self.capacitance_uf is None else Bank(each, as_recorded=True)

    def push(self, pool: Pool, records: LifeRecords) -> Impulse | None:
        """The impulse bit: entered, or fitted from readings; None if it was not asked for."""
        if self.impulse_readings:
            return fit_impulse(pool.readings, records)
        return read_impulse(self.impulse) if self.impulse else None

    def answer(self, pool: Pool) -> DeratingAnswer:
        """The allowed level.

        Raises
        ------
        BadInput
        CannotAnswer
            ``OneLevel`` with one stress level and no prior; or no maximum.
        """
        records = self.chosen(pool)
        return derate(records, self, self.push(pool, pool.records))


def derate(records: LifeRecords, q: Derate, impulse: Impulse | None = None) -> DeratingAnswer:
    """The allowed level from these records; see ``Derate.answer``."""
    try:
        terms = [parse_term(t) for t in q.stress] if q.stress else default_terms(records)
        fit = fit_stress(records, terms, q.family)
    except OneLevel as e:
        if not q.prior:
            raise
        refuse_unless(
            not q.second_opinion, "second_opinion", "the records have one level of the stress"
        )
        from reliability.decisions.derating_prior import derate_with_prior

        return derate_with_prior(records, e.term, q, impulse)
    refuse_unless(not q.prior, "prior", "the records have more than one level of the stress")
    return _Derating(fit, q, impulse, solved_for(terms)).answer()


class _Derating:
    """The allowed level of one stress while it is worked out."""

    def __init__(self, fit: StressFit, q: Derate, impulse: Impulse | None, column: str) -> None:
        self.fit, self.q, self.impulse, self.column = fit, q, impulse, column
        self.bounder = StressBounder(fit, q.confidence, q.bound, q.seed)
        self.bank, found = bank_of(fit.records, q.bank())
        self.rated = found if q.rated_v is None else q.rated_v
        tested = np.asarray(fit.records.column(column), float)
        self.tested = (float(tested.min()), float(tested.max()))
        self.fixed = fixed_levels(fit, column, levels(q.use))
        self.fraction = 1.0 - self.bank.unit_survival(q.survival)
        self.is_voltage = column == "charge_V"
        self.notes: list[Note] = list(fit.notes)
        self.error = 0.0

    def answer(self) -> DeratingAnswer:
        q, fit = self.q, self.fit
        if self.bounder.skipped:
            text = "More units than calibration is for; likelihood bounds are used."
            self.notes.append(Note("calibration_skipped", text))
        required = NAN if q.shots is None else q.shots
        if q.new_builder:
            factor, note = _builder_margin(fit, q.confidence)
            required *= factor
            self.notes.append(note)
        coefficients = self.coefficients()
        allowed, best = Allowed(), None
        curve: tuple[CurvePoint, ...] = ()
        if q.shots is not None:
            allowed = self.allowed(required)
            curve = _curve(self, allowed.level)
            usable = [p for p in curve if np.isfinite(p.impulse_Ns) and not p.extrapolated]
            best = max(usable, key=lambda p: p.impulse_Ns) if usable else None
        reference = practice_for(q.dielectric)
        self.notes += _practice_notes(reference, self.rated) + _bank_notes(self.bank, q.survival)
        self.notes += failed_suspects_note(fit.records)
        checks = check_stress_model(fit, seed=q.seed)
        self.notes += checks.notes
        self.notes += _parts_note(fit)
        second = None
        if q.second_opinion:
            second, said = opinion_on_stress(fit, self.column, q.confidence)
            self.notes += said
        r = fit.records
        return DeratingAnswer(
            q.family, whole(r.units), whole(r.failures), 1.0 / fit.sigma, fit.sigma, fit.loglik, coefficients,
            allowed, curve, NAN if q.shots is None else q.shots, q.survival, q.confidence, q.bound,
            {k: v for k, v in self.fixed.items() if not isinstance(v, np.ndarray)}, self.column, self.tested, best,
            reference, self.spark(allowed.level), checks, self.error, seen_of(r, self.column), residuals(fit), second,
            notes=tuple(self.notes),
        )  # fmt: skip

    def coefficients(self) -> tuple[CoefficientBound, ...]:
        out = []
        for j, c in enumerate(self.fit.design):
            b = self.bounder.coefficient(j)
            self.error = max(self.error, b.mc_error)
            name = c.name if c.level else c.term.column
            form = c.term.form if c.term.other is None else f"{c.term.form} product"
            out.append(CoefficientBound(name, form, b.estimate, b.lower, b.upper))
        return tuple(out)

    def allowed(self, required: float) -> Allowed:
        """The highest level; nan where life does not fall with the stress, or no level meets the life."""
        if not _life_falls(self.fit, self.column, self.fixed, self.tested):
            text = (
                f"Estimated life grows with {self.column} in these data. That is against experience: look for "
                "mixed parts or builders, or a stress that changed along. No level is allowed from it."
            )
            self.notes.append(Note("reversed_exponent", text))
            return Allowed()
        span = _span(self.tested, self.column)
        found = self.bounder.allowed(self.column, required, self.fraction, self.fixed, span)
        self.error = max(self.error, found.mc_error)
        own = span[1] if found.level == np.inf else found.level
        self.notes += _allowed_notes(self, own, found.level, required)
        if not self.is_voltage:
            return Allowed(own)
        level = self.bank.charge_voltage(own)
        return Allowed(level, level, own / self.rated, self.bank.energy(level))

    def spark(self, level: float) -> Discharge | None:
        """What one shot asks of the bank, where the loop is known."""
        nh, bank = self.q.inductance_nh, self.bank
        if nh is None or not (
            self.is_voltage and np.isfinite(level) and np.isfinite(bank.total_uF)
        ):
            return None
        return discharge(level, bank.total_uF, nh, self.q.resistance_mohm)


def failed_suspects_note(records: LifeRecords) -> list[Note]:
    """That failures with several suspects count as failures, where there are such."""
    k = int(((records.event != "") & records.failed).sum())
    if not k:
        return []
    text = (
        f"{k} of the units are suspects: one of several units failed, and it is not known which. They count as failed here, which "
        "is on the safe side; the life of the slot (life) and the module's share them out."
    )
    return [Note("suspects_failed", text)]


def residuals(fit: StressFit) -> tuple[Residual, ...]:
    """Standardised residuals against the family's quantiles of their product-limit curve.

    Of units whose stress changed on the way the residual is that of their cumulative exposure.
    Failures between inspections stand at their last good count; units found dead at their first
    inspection have no residual to plot.
    """
    lives = lives_of(fit.records)
    seen = lives.shots_good > 0
    w, failed = fit.residuals()[0][seen], lives.failed[seen]
    if not failed.any():
        return ()
    t = np.exp(np.clip(w, -40, 40))
    curve = kaplan_meier(LifeRecords.of(t, np.where(failed, t, np.inf)))
    before = np.concatenate(([1.0], curve.survival[:-1]))
    middle = np.clip(0.5 * (before + curve.survival), 1e-6, 1 - 1e-6)
    expected = family(fit.family.name).quantile(1 - middle)
    rows = zip(np.log(curve.shots), expected, strict=True)
    return tuple(Residual(float(a), float(b)) for a, b in list(rows)[:1000])


def _parts_note(fit: StressFit) -> list[Note]:
    """Where parts of several kinds stand for one: the level is of none of them."""
    parts = sorted(set(fit.records.part.tolist()) - {""})
    if len(parts) < 2 or any(t.column == "part" for t in fit.terms):
        return []
    text = (
        f"Parts {', '.join(parts)} are mixed here; the level is of their mixture and may be too high for the weakest. Choose "
        "one part, or ask for each by itself (derate --compare)."
    )
    return [Note("parts_mixed", text)]


def _practice_notes(reference: DeratingPractice | None, rated: float) -> list[Note]:
    if reference is None or not np.isfinite(rated):
        return []
    text = (
        f"For reference, usual practice for {reference.dielectric}: {reference.ratio:.0%} of rated voltage "
        f"({reference.ratio * rated:,.0f} V); {reference.source}. It is for steady working, not for pulse "
        "discharge, and no substitute for these tests."
    )
    return [Note("derating_practice", text)]


def _bank_notes(bank: Bank, survival: float) -> list[Note]:
    if bank.units == 1:
        return []
    text = (
        f"{bank.parallel} in parallel, {bank.series} in series: all {bank.units} must survive, so each needs "
        f"survival {bank.unit_survival(survival):.4g}."
    )
    if bank.series > 1:
        text += (
            " A short in a string is taken to end the bank; sharing is equal but for a margin of "
            f"{bank.unequal:.0%}."
        )
    return [Note("bank", text)]


def bank_of(records: LifeRecords, bank: Bank | None) -> tuple[Bank, float]:
    """Bank to answer for (that of most records unless given) and the rated voltage of its parts."""

    def most(name: str) -> float:
        v = records.covariates.get(name)
        v = np.empty(0) if v is None else v[~np.isnan(v)]
        if not v.size:
            return NAN
        values, counts = np.unique(v, return_counts=True)
        return float(values[counts.argmax()])

    def count(name: str) -> int:
        return int(most(name)) if np.isfinite(most(name)) else 1

    rated = most("rated_V")
    given = bank or Bank(
        parallel=count("bank_parallel"), series=count("bank_series"), as_recorded=True
    )
    if not np.isfinite(given.capacitance_uF):
        given = replace(given, capacitance_uF=most("capacitance_uF"))
    return given, rated


def _builder_margin(fit: StressFit, confidence: float) -> tuple[float, Note]:
    """Factor on the required life for a builder not seen, and what it rests on."""
    groups = sorted(set(fit.records.builder.tolist()))
    if len(groups) < 2:
        raise CannotAnswer("Allowing for another builder needs records of two builders or more.")
    pooled = fit_pooled(fit.records, fit.family, fit.records.builder, fit.x, fit.phi, confidence)
    spread = pooled.tau_mean * np.sqrt(1 + 1 / len(groups))
    factor = float(np.exp(normal_quantile(confidence) * spread))
    text = (
        f"For a builder not in the pool the required life is raised {factor:.2f} times: {len(groups)} builders' log "
        f"lives spread by {pooled.tau_mean:.2f} about the pool (random effect, most likely {pooled.tau:.2f})."
    )
    return factor, Note("builder_effect", text)


def _span(tested: tuple[float, float], column: str) -> tuple[float, float]:
    """Where to look for the allowed level: well beyond what was tested, to both sides."""
    low, high = tested
    if low > 0 and column != "temp_C":
        return low / 8.0, high * 1.5
    width = max(high - low, 1.0)
    return max(low - 4 * width, -270.0) if column == "temp_C" else low - 4 * width, high + width


def _life_falls(
    fit: StressFit, column: str, fixed: Mapping[str, float | str], tested: tuple[float, float]
) -> bool:
    low, high = (float(fit.quantile(0.5, {**fixed, column: v})[0]) for v in tested)
    return high < low


def _allowed_notes(d: _Derating, level: float, found: float, shots: float) -> list[Note]:
    """What to know of an allowed level of a single unit (``found`` inf: the search met no end)."""
    notes: list[Note] = []
    column, fixed, bounder, fraction = d.column, d.fixed, d.bounder, d.fraction
    low, high = d.tested
    if not np.isfinite(level):
        at = bounder.fit.quantile_target(fraction, {**fixed, column: low})
        lower = bounder.lower_along(
            column, np.array([low]), fraction, fixed, np.array([bounder.z])
        )[0]
        est = float(np.exp(at.value(bounder.fit.phi)[0] + bounder.fit.sample.centre))
        notes.append(
            Note(
                "none_allowed",
                f"At the lowest tested {column}, {low:g}, the life is {shots_text(est)} shots and its bound about "
                f"{shots_text(float(lower))}, against {shots_text(shots)} required; further down the bound does not "
                "reach it either. Test more units, longer, at lower stress; or ask for less.",
            )
        )
        return notes
    if found == np.inf:
        notes.append(
            Note(
                "beyond_search",
                f"Even {level:g}, half again above all tests, meets the requirement; tests say no more.",
            )
        )
    if level < low or level > high:
        width = (high - low) or low
        beyond = (low - level if level < low else level - high) / width
        notes.append(
            Note(
                "extrapolated",
                f"The allowed {column} {level:,.4g} lies outside the tested {low:g} to {high:g}, by {beyond:.1f} times "
                "the tested span"
                + (
                    "; more than once the span is a guess, not a result. Test there."
                    if beyond > 1
                    else "; confirm with a test there."
                ),
            )
        )
    notes += above_rating(level, d.rated if d.is_voltage else NAN)
    return notes


def above_rating(level: float, rated: float) -> list[Note]:
    """A warning where the allowed voltage of a capacitor is above its rating (nan: not known)."""
    if not level > rated:
        return []
    text = f"The allowed voltage {level:,.0f} V is above the rating of {rated:,.0f} V: stay at or below the rating."
    return [Note("above_rating", text)]


def _curve(d: _Derating, level: float) -> tuple[CurvePoint, ...]:
    """Life and its lower bound along the stress, from below the allowed level to above all tests."""
    bounder, column, fraction, fixed = d.bounder, d.column, d.fraction, d.fixed
    tested, bank, impulse, is_voltage = d.tested, d.bank, d.impulse, d.is_voltage
    at = bank.unit_voltage(level) if is_voltage and np.isfinite(level) else level
    low = min(tested[0], at if np.isfinite(at) else tested[0])
    width = tested[1] - tested[0]
    start, end = low - 0.15 * width, tested[1] + 0.1 * width
    if tested[0] > 0:
        start = max(start, 0.5 * low)
    at_levels = np.linspace(start, end, POINTS)
    knots = np.linspace(start, end, 4)
    cuts = np.interp(
        at_levels, knots, [bounder.cut_for(column, float(v), fraction, fixed) for v in knots]
    )
    lower = bounder.lower_along(column, at_levels, fraction, fixed, cuts)
    out = []
    for v, lo in zip(at_levels, lower, strict=True):
        est = float(bounder.fit.quantile(fraction, {**fixed, column: float(v)})[0])
        charge = bank.charge_voltage(float(v)) if is_voltage else NAN
        energy = bank.energy(charge) if is_voltage else NAN
        total = least = NAN
        if impulse is not None and np.isfinite(energy):
            total = 1e-6 * impulse.bit_uNs(energy) * float(lo)
            least = 1e-6 * impulse.lower_uNs(energy, bounder.confidence) * float(lo)
        outside = bool(v < tested[0] - 1e-9 or v > tested[1] + 1e-9)
        out.append(
            CurvePoint(
                charge if is_voltage else float(v), est, float(lo), outside, energy, total, least
            )
        )
    return tuple(out)
