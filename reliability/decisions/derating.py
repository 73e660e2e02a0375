"""How far to derate: the highest charge voltage at which the life bound still meets the mission."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from reliability.decisions.answer import percent_text, shots_text, whole
from reliability.decisions.bank import Bank, Discharge, discharge
from reliability.decisions.impulse import Impulse as Impulse
from reliability.decisions.life import NOT_SHOWN, check_settings
from reliability.decisions.practice import DeratingPractice, practice_for
from reliability.decisions.stress_checks import StressChecks, check_stress_model
from reliability.life.families import normal_quantile
from reliability.life.pooling import fit_pooled
from reliability.life.stress import StressFit, Term, fit_stress, parse_term
from reliability.life.stress_bounds import StressBounder
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords

Array = NDArray[np.float64]
NAN = float("nan")


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
class DeratingAnswer:
    """Answer to ``derate``.

    Attributes
    ----------
    family : str
    n, failed : float
    shape, sigma, loglik : float
    coefficients : tuple of CoefficientBound
    allowed : dict
        The stress column's highest level (nan where none), ``ratio`` to the rated voltage and
        ``energy_J`` of the bank at it.
    curve : tuple of CurvePoint
    shots, survival, confidence, bound
        What was asked.
    use : dict
        Levels at which the other stresses were held.
    column : str
        The stress that was solved for.
    best_total : CurvePoint or None
        Point of the curve with the largest total impulse over the promised life.
    practice : DeratingPractice or None
        Reference only.
    discharge : Discharge or None
    checks : StressChecks or None
    notes : tuple of Note
    """

    family: str
    n: float
    failed: float
    shape: float
    sigma: float
    loglik: float
    coefficients: tuple[CoefficientBound, ...]
    allowed: dict[str, float]
    curve: tuple[CurvePoint, ...]
    shots: float
    survival: float
    confidence: float
    bound: str
    use: dict[str, float | str]
    column: str
    tested: tuple[float, float]
    best_total: CurvePoint | None
    practice: DeratingPractice | None
    discharge: Discharge | None
    checks: StressChecks | None
    mc_error: float
    notes: tuple[Note, ...]
    fit: StressFit | None = field(default=None, metadata=NOT_SHOWN)

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        if not np.isfinite(self.shots):
            c = self.coefficients[0]
            return f"Life depends on {c.column} with coefficient {c.estimate:.3g} ({c.lower:.3g} to {c.upper:.3g})."
        level = self.allowed[self.column]
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
        ratio, energy = self.allowed.get("ratio", NAN), self.allowed.get("energy_J", NAN)
        more += [f"{percent_text(ratio)} of rated"] if np.isfinite(ratio) else []
        more += [f"{energy:.3g} J a shot"] if np.isfinite(energy) else []
        detail = f" ({', '.join(more)})" if more else ""
        return f"Charge to at most {level:,.4g} V{detail} for {want}."


def default_terms(records: LifeRecords) -> list[Term]:
    """Stress terms that the data themselves suggest: those known columns that vary."""
    out: list[Term] = []
    for name, form in (
        ("charge_V", "power"), ("energy_J", "power"), ("peak_A", "power"), ("temp_C", "arrhenius"),
    ):  # fmt: skip
        v = records.covariates.get(name)
        if v is not None and np.unique(v[~np.isnan(v)]).size > 1:
            if (
                name != "charge_V"
                and any(t.column in ("charge_V", "energy_J") for t in out)
                and form == "power"
            ):
                continue
            out.append(Term(name, form))
    if not out:
        for name, v in records.covariates.items():
            if np.unique(v[~np.isnan(v)]).size > 1 and (v[~np.isnan(v)] > 0).all():
                return [Term(name, "power")]
        raise CannotAnswer(
            "No stress column varies in these records, so life cannot be related to stress. Add "
            "charge_V to the sheets, and test some units at another voltage."
        )
    return out


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


def derate(
    records: LifeRecords,
    stress: Sequence[str] = (),
    *,
    shots: float = NAN,
    survival: float = 0.9,
    family_name: str = "weibull",
    confidence: float = 0.95,
    bound: str = "calibrated",
    use: Mapping[str, float | str] | None = None,
    bank: Bank | None = None,
    rated_V: float = NAN,
    impulse: Impulse | None = None,
    dielectric: str = "",
    inductance_nH: float = NAN,
    resistance_mOhm: float = 0.0,
    checks: bool = True,
    builder_effect: bool = False,
    seed: int = 1,
    points: int = 25,
) -> DeratingAnswer:
    """Highest stress at which the lower bound on life meets a required number of shots.

    Parameters
    ----------
    records : LifeRecords
    stress : sequence of str
        Terms such as ``charge_V:power``; the first numeric one is solved for (``charge_V`` if it is
        among them). None: those that vary.
    shots : float
        Required life; nan to fit only.
    survival : float
        Required share of banks that last ``shots``.
    family_name, confidence, bound, seed
        As in ``life``.
    use : mapping of column to level, optional
        Levels of the other stresses; default the median tested (the most frequent text).
    bank : Bank, optional
        A new arrangement of single capacitors, of which the records are lives. Default: banks as
        recorded, a record being the life of a whole bank.
    rated_V : float
        Rated voltage of one capacitor; default from the records.
    impulse : Impulse, optional
        For the trade of voltage against total impulse.
    dielectric : str
        For the reference line of derating practice.
    inductance_nH, resistance_mOhm : float
        Of the discharge loop, for the peak current.
    checks : bool
        Whether to test the common shape and the form of the stress relation.
    builder_effect : bool
        Allow for a builder not in the pool: the required life is raised by the spread of builders'
        lives (random effect on log life) at the confidence. Errs to the safe side, as the two
        uncertainties are added and not pooled.

    Raises
    ------
    BadInput
        For settings out of range.
    CannotAnswer
        ``OneLevel`` with one stress level; or no maximum.
    """
    check_settings(
        family_name, confidence, bound, [1 - survival] if 0 < survival < 1 else [2.0], []
    )
    if np.isfinite(shots) and not shots > 0:
        raise BadInput("the required shots must be above 0")
    terms = [parse_term(t) for t in stress] if stress else default_terms(records)
    fit = fit_stress(records, terms, family_name)
    bounder = StressBounder(fit, confidence, bound, seed)
    bank, rated_found = bank_of(fit.records, bank)
    rated = rated_V if np.isfinite(rated_V) else rated_found
    asked = shots
    column = solved_for(terms)
    levels = np.asarray(fit.records.column(column), float)
    tested = (float(levels.min()), float(levels.max()))
    fixed = fixed_levels(fit, column, use or {})
    notes = list(fit.notes)
    if bounder.skipped:
        notes.append(
            Note(
                "calibration_skipped",
                "More units than calibration is for; likelihood bounds are used.",
            )
        )
    if builder_effect and np.isfinite(shots):
        factor, note = _builder_margin(fit, confidence)
        shots *= factor
        notes.append(note)
    coefficients = []
    error = 0.0
    for j, c in enumerate(fit.design):
        b = bounder.coefficient(j)
        error = max(error, b.mc_error)
        name = c.name if c.level else c.term.column
        form = c.term.form if c.term.other is None else f"{c.term.form} product"
        coefficients.append(CoefficientBound(name, form, b.estimate, b.lower, b.upper))
    fraction = 1.0 - bank.unit_survival(survival)
    allowed: dict[str, float] = {column: NAN, "ratio": NAN, "energy_J": NAN}
    curve: tuple[CurvePoint, ...] = ()
    best = None
    spark = None
    if np.isfinite(shots):
        span = _span(tested, column)
        is_voltage = column == "charge_V"
        falling = _life_falls(fit, column, fixed, tested)
        if not falling:
            notes.append(
                Note(
                    "reversed_exponent",
                    f"Estimated life grows with {column} in these data. That is against experience: look for "
                    "mixed parts or builders, or a stress that changed along. No level is allowed from it.",
                )
            )
        else:
            found = bounder.allowed(column, shots, fraction, fixed, span)
            error = max(error, found.mc_error)
            unit_level = found.level
            if unit_level == np.inf:
                unit_level = span[1]
            level = bank.charge_voltage(unit_level) if is_voltage else unit_level
            allowed[column] = level
            if is_voltage:
                allowed["ratio"] = unit_level / rated
                allowed["energy_J"] = bank.energy(level)
            notes += _allowed_notes(unit_level, tested, rated if is_voltage else NAN, column, found.level, bounder,
                                    fraction, fixed, shots)  # fmt: skip
            if (
                is_voltage
                and np.isfinite(level)
                and np.isfinite(inductance_nH)
                and np.isfinite(bank.total_uF)
            ):
                spark = discharge(level, bank.total_uF, inductance_nH, resistance_mOhm)
        curve = _curve(
            bounder, column, fraction, fixed, tested, allowed[column], bank, impulse, points
        )
        usable = [p for p in curve if np.isfinite(p.impulse_Ns) and not p.extrapolated]
        best = max(usable, key=lambda p: p.impulse_Ns) if usable else None
    reference = practice_for(dielectric)
    if reference is not None and np.isfinite(rated):
        notes.append(
            Note(
                "derating_practice",
                f"For reference, usual practice for {reference.dielectric}: {reference.ratio:.0%} of rated voltage "
                f"({reference.ratio * rated:,.0f} V); {reference.source}. It is for steady working, not for pulse "
                "discharge, and no substitute for these tests.",
            )
        )
    if bank.units > 1:
        notes.append(
            Note(
                "bank",
                f"{bank.parallel} in parallel, {bank.series} in series: all {bank.units} must survive, so each needs "
                f"survival {bank.unit_survival(survival):.4g}."
                + (
                    " A short in a string is taken to end the bank; sharing is equal"
                    if bank.series > 1
                    else ""
                )
                + (f" but for a margin of {bank.unequal:.0%}." if bank.series > 1 else ""),
            )
        )
    tested_model = check_stress_model(fit, seed=seed) if checks else None
    if tested_model is not None:
        notes += tested_model.notes
    return DeratingAnswer(
        family_name, whole(fit.records.units), whole(fit.records.failures), 1.0 / fit.sigma, fit.sigma,
        fit.loglik, tuple(coefficients), allowed, curve, asked, survival, confidence, bound,
        {k: v for k, v in fixed.items() if not isinstance(v, np.ndarray)}, column, tested, best, reference,
        spark, tested_model, error, tuple(notes), fit,
    )  # fmt: skip


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


def solved_for(terms: Sequence[Term]) -> str:
    numeric = [t.column for t in terms if t.form != "categorical"]
    if not numeric:
        raise BadInput("none of the stress terms is numeric; there is no level to allow")
    return "charge_V" if "charge_V" in numeric else numeric[0]


def fixed_levels(
    fit: StressFit, column: str, use: Mapping[str, float | str]
) -> dict[str, float | str]:
    """Levels of the stresses that are not solved for."""
    out: dict[str, float | str] = {}
    for term in fit.terms:
        for part in (term, *([term.other] if term.other else [])):
            if part.column == column:
                continue
            values = fit.records.column(part.column)
            if part.column in use:
                out[part.column] = use[part.column]
            elif part.form == "categorical":
                labels, counts = np.unique(np.array([str(v) for v in values]), return_counts=True)
                out[part.column] = str(labels[counts.argmax()])
            else:
                out[part.column] = float(np.median(np.asarray(values, float)))
            if part.form == "categorical":
                known = sorted({f"{v:g}" if isinstance(v, float) else str(v) for v in values})
                if str(out[part.column]) not in known:
                    raise BadInput(
                        f"no {part.column} {out[part.column]!r} in the records; there are: {', '.join(known)}"
                    )
                out[part.column] = str(out[part.column])
            else:
                try:
                    out[part.column] = float(out[part.column])
                except ValueError:
                    raise BadInput(
                        f"{part.column} must be a number, not {out[part.column]!r}"
                    ) from None
    return out


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


def _allowed_notes(
    level: float, tested: tuple[float, float], rated: float, column: str, found: float,
    bounder: StressBounder, fraction: float, fixed: Mapping[str, float | str], shots: float,
) -> list[Note]:  # fmt: skip
    notes = []
    low, high = tested
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
    notes += above_rating(level, rated)
    return notes


def above_rating(level: float, rated: float) -> list[Note]:
    """A warning where the allowed voltage of a capacitor is above its rating (nan: not known)."""
    if not level > rated:
        return []
    text = f"The allowed voltage {level:,.0f} V is above the rating of {rated:,.0f} V: stay at or below the rating."
    return [Note("above_rating", text)]


def _curve(
    bounder: StressBounder, column: str, fraction: float, fixed: Mapping[str, float | str],
    tested: tuple[float, float], level: float, bank: Bank, impulse: Impulse | None, points: int,
) -> tuple[CurvePoint, ...]:  # fmt: skip
    """Life and its lower bound along the stress, from below the allowed level to above all tests."""
    is_voltage = column == "charge_V"
    at = bank.unit_voltage(level) if is_voltage and np.isfinite(level) else level
    low = min(tested[0], at if np.isfinite(at) else tested[0])
    width = tested[1] - tested[0]
    start, end = low - 0.15 * width, tested[1] + 0.1 * width
    if tested[0] > 0:
        start = max(start, 0.5 * low)
    levels = np.linspace(start, end, points)
    knots = np.linspace(start, end, 4)
    cuts = np.interp(
        levels, knots, [bounder.cut_for(column, float(v), fraction, fixed) for v in knots]
    )
    lower = bounder.lower_along(column, levels, fraction, fixed, cuts)
    out = []
    for v, lo in zip(levels, lower):
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
