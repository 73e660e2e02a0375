"""How far to derate: the highest charge voltage at which the life bound still meets the mission."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from pydantic import model_validator

from reliability.decisions.answer_notes import apart_notes, burned_in_notes, looked_bad_notes
from reliability.decisions.bank import Bank
from reliability.decisions.derating_answer import (
    Allowed,
    CoefficientBound,
    CurvePoint,
    DeratingAnswer,
)
from reliability.decisions.derating_level import Asking, Course, by_promise, course
from reliability.decisions.derating_notes import (
    bank_notes,
    builder_margin,
    failed_suspects_note,
    one_part_note,
    parts_note,
)
from reliability.decisions.derating_points import best_total, points_of
from reliability.decisions.derating_prior import derate_with_prior
from reliability.decisions.derating_promised import derate_promised, promise_answers
from reliability.decisions.derating_residuals import residuals
from reliability.decisions.impulse import Impulse, fit_impulse, read_impulse
from reliability.decisions.operating import OfOnePart, of_one_part
from reliability.decisions.parts import seen_of
from reliability.decisions.question import (
    BoundMethod,
    Family,
    OnRecords,
    burned_in_setting,
    confidence_setting,
    levels,
    refuse_unless,
    setting,
)
from reliability.decisions.slot_tests import AtLevel, Helped, help_along
from reliability.decisions.stress_checks import check_stress_model
from reliability.decisions.stress_terms import default_terms, fixed_levels, solved_for
from reliability.decisions.without_family import opinion_on_stress, opinion_setting
from reliability.life.stress import OneLevel, StressFit, fit_stress, parse_term
from reliability.life.stress_bounds import StressBounder
from reliability.notes import CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.words import whole

NAN = float("nan")
ONLY_PROMISED = (
    "it goes with Weibull life along the charge voltage alone, calibrated, without a named prior"
)


class Derate(OnRecords):
    """How far to derate: the charge voltage that lets the capacitor last the mission.

    Fits life against stress and gives the highest voltage at which the lower bound on life meets the
    required shots at survival and confidence.

    Examples
    --------
    >>> Derate(shots=3000, parallel=2, series=2).bank().units
    4
    """

    name = "derate"
    text = "How far to derate: the charge voltage that lasts the mission."
    needs = ("life", "wear")
    bounds = ()  # the impulse bit is fitted to readings of any slot
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
        "Part or level of another stress to answer for (default: the commonest part, the median tested).",
        hint="COLUMN=LEVEL",
        most=20,
    )
    parallel: int | None = setting(
        None, "A new bank: so many capacitors in parallel, the first short ends it. Default: banks as recorded.",
        ge=1, le=10_000,
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
        "Impulse bit at an energy, such as 0.65@0.2 or 0.65@0.2^1.2+-10%, for the trade.",
        hint="UNS@J[^EXP][+-BAND%]",
    )
    impulse_readings: bool = setting(
        False, "Fit the impulse bit from the impulse_bit_uNs readings instead."
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
    no_early_failures: bool = burned_in_setting()
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
        given = (
            (self.unequal == 0 or (self.series or 1) > 1, "unequal", "it goes with series above 1"),
            (self.resistance_mohm == 0 or self.inductance_nh is not None, "resistance_mohm", "it goes with inductance_nh"),
        )  # fmt: skip
        for holds, what, needs in given:
            refuse_unless(holds, what, needs)
        if self.shots is None:
            for name in (
                "inductance_nh",
                "impulse",
                "impulse_readings",
                "new_builder",
                "no_early_failures",
            ):
                refuse_unless(not getattr(self, name), name, "it goes with shots")
        return self

    def bank(self) -> Bank | None:
        """The bank asked for; None for banks as recorded."""
        if self.parallel is None and self.series is None:
            return None
        return Bank(NAN, self.parallel or 1, self.series or 1, self.unequal)

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
            Where nothing tells how life depends on the stress.
        """
        one, q = self.one_part(self.chosen(pool))
        found = derate(one.records, q, self.push(pool, pool.records))
        notes = found.notes + looked_bad_notes(self.as_recorded(pool))
        use = {**found.use, "part": one.part} if one.part else found.use
        return replace(found, use=use, notes=one_part_note(one) + notes)

    def one_part(self, records: LifeRecords) -> tuple[OfOnePart, Derate]:
        """The records of one part, the commonest unless one is said, and what is asked of them.

        Parts stay together where several are chosen by name, or are a term of the stress model.
        """
        use = levels(self.use)
        parts = any(p.column == "part" for s in self.stress for t in [parse_term(s)] for p in (t, t.other) if p)  # fmt: skip
        if parts or (len(self.part) > 1 and "part" not in use):
            return OfOnePart(records), self
        said = str(use.get("part", ""))
        others = tuple(u for u in self.use if u.partition("=")[0].strip() != "part")
        return of_one_part(records, said), self.model_copy(update={"use": others})


def derate(records: LifeRecords, q: Derate, impulse: Impulse | None = None) -> DeratingAnswer:
    """The allowed level from these records; see ``Derate.answer``."""
    try:
        terms = [parse_term(t) for t in q.stress] if q.stress else default_terms(records)
        fit = fit_stress(records, terms, q.family)
    except CannotAnswer as e:
        return _without_fit(records, q, impulse, e)
    refuse_unless(not q.prior, "prior", "the records have more than one level of the stress")
    return _Derating(records, fit, q, impulse, solved_for(terms)).answer()


def _without_fit(
    records: LifeRecords, q: Derate, impulse: Impulse | None, why: CannotAnswer
) -> DeratingAnswer:
    """By a named prior at one level, else by the promise engine; raises ``why`` where neither can answer."""
    one_level = isinstance(why, OneLevel)
    refuse_unless(
        not (one_level and q.second_opinion),
        "second_opinion",
        "the records have one level of the stress",
    )
    promised = not q.prior and promise_answers(records, q)
    refuse_unless(not q.no_early_failures or promised, "no_early_failures", ONLY_PROMISED)
    if isinstance(why, OneLevel) and q.prior:
        return derate_with_prior(records, why.term, q, impulse)
    if not promised:
        raise why
    return derate_promised(records, q, impulse, why)


class _Derating:
    """The allowed level of one stress while it is worked out."""

    def __init__(
        self, records: LifeRecords, fit: StressFit, q: Derate, impulse: Impulse | None, column: str
    ) -> None:
        self.records, self.fit, self.q, self.column = records, fit, q, column
        self.bounder = StressBounder(fit, q.confidence, q.bound, q.seed)
        self.tested = fit.tested(column)
        self.points = points_of(q, fit.records, column, self.tested, impulse)
        self.fixed = fixed_levels(fit, column, levels(q.use))
        self.fraction = 1.0 - self.points.bank.record_survival(q.survival)
        self.notes: list[Note] = list(fit.notes)
        self.error = 0.0

    def answer(self) -> DeratingAnswer:
        q, fit = self.q, self.fit
        if self.bounder.skipped:
            text = "More units than calibration is for; likelihood bounds are used."
            self.notes.append(Note("calibration_skipped", text))
        asking = Asking(
            self.column,
            self.fixed,
            1.0 - self.fraction,
            q.confidence,
            q.bound,
            q.seed,
            q.no_early_failures,
        )
        refuse_unless(
            not q.no_early_failures or by_promise(fit, asking), "no_early_failures", ONLY_PROMISED
        )
        required = NAN if q.shots is None else q.shots
        if q.new_builder:
            told = "the promise of Weibull life along the voltage allows for builders that differ as it is"
            refuse_unless(not by_promise(fit, asking), "new_builder", told)
            factor, note = builder_margin(fit, q.confidence)
            required *= factor
            self.notes.append(note)
        coefficients = self.coefficients()
        allowed, best = Allowed(), None
        curve: tuple[CurvePoint, ...] = ()
        helps = Helped()
        if q.shots is not None:
            found = course(fit, self.bounder, asking)
            self.notes += apart_notes(found.apart, found.apart)
            self.notes += burned_in_notes(found.engine.model) if found.engine else []
            highest = found.highest(required)
            allowed = self.allowed(found, required)
            curve = self.points.curve(found, highest, required, self.life)
            now = AtLevel(NAN, required, 1.0 - self.fraction, q.confidence)
            helps = help_along(found, highest, now, self.points.bank, self.records)
            self.notes += helps.notes
            best = best_total(curve)
        self.notes += bank_notes(self.points.bank, q.survival)
        self.notes += failed_suspects_note(fit.records)
        checks = check_stress_model(fit, seed=q.seed)
        self.notes += checks.notes
        self.notes += parts_note(fit.records, fit.terms)
        second = None
        if q.second_opinion:
            second, said = opinion_on_stress(fit, self.column, q.confidence)
            self.notes += said
        r = fit.records
        return DeratingAnswer(
            q.family, whole(r.units), whole(r.failures), 1.0 / fit.sigma, fit.sigma, fit.loglik, coefficients,
            allowed, curve, NAN if q.shots is None else q.shots, q.survival, q.confidence, q.bound,
            {k: v for k, v in self.fixed.items() if not isinstance(v, np.ndarray)}, self.column, self.tested, best,
            self.points.spark(allowed.level, q.inductance_nh, q.resistance_mohm), checks, self.error, seen_of(r, self.column), residuals(fit), second, helps.more,
            q.no_early_failures, helps.found, notes=tuple(self.notes),
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

    def allowed(self, found: Course, required: float) -> Allowed:
        """The highest level that meets the life; nan where life does not fall with the stress, or no level meets the life."""
        if not _life_falls(self.fit, self.column, self.fixed, self.tested):
            text = (
                f"Estimated life grows with {self.column} in these data. That is against experience: look for "
                "mixed parts or builders, or a stress that changed along. No level is allowed from it."
            )
            self.notes.append(Note("reversed_exponent", text))
            return Allowed()
        allowed, told = self.points.solved(found, required)
        self.notes += told
        return allowed

    def life(self, own: float) -> float:
        """Estimated life at one level of the stress on a single unit."""
        return float(self.fit.quantile(self.fraction, {**self.fixed, self.column: own})[0])


def _life_falls(
    fit: StressFit, column: str, fixed: Mapping[str, float | str], tested: tuple[float, float]
) -> bool:
    low, high = (float(fit.quantile(0.5, {**fixed, column: v})[0]) for v in tested)
    return high < low
