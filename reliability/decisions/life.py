"""How long do these units live? One family, its parameters, quantiles and survival, with bounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator

from reliability.decisions.answer_notes import carried_notes, left_out_notes, looked_bad_notes
from reliability.decisions.life_answer import FamilyChoice, LifeAnswer, QuantileBound
from reliability.decisions.life_at import carried_by, moved_life, point_of
from reliability.decisions.life_beside import beside_headline
from reliability.decisions.life_doubts import (
    Doubts,
    Fitted,
    first_failure,
    first_failure_note,
)
from reliability.decisions.life_helps import helped_by
from reliability.decisions.lots import lot_notes, new_lot
from reliability.decisions.more_tests import more_note
from reliability.decisions.operating import refuse_uncarried
from reliability.decisions.own_model import Asking, OfSlot, untold
from reliability.decisions.parts import Curve, SurvivalBound, seen_of, steps_of
from reliability.decisions.question import (
    MOST_SHOTS,
    OF_A_POINT,
    TAIL,
    BoundMethod,
    Family,
    OnRecords,
    burned_in_setting,
    confidence_setting,
    levels,
    numbers,
    refuse_unless,
    setting,
)
from reliability.decisions.unknown_causes import Joint, joint_of_mode, joint_of_slot
from reliability.filters import choose
from reliability.life.bounds import Bounder, survival_curve
from reliability.life.causes import named_modes, unclear
from reliability.life.families import family
from reliability.life.few import FEWEST, PriorBounder
from reliability.life.fit import LifeFit, NoMaximum, few_failure_notes, fit_life
from reliability.life.goodness import FamilyScore, compare_families, goodness_of_fit
from reliability.life.masked_bounds import MaskedBounder
from reliability.life.predict import Prediction, predict
from reliability.life.priors import (
    DEFAULT_SHAPE_PRIOR,
    PriorAndPosterior,
    posterior_quantile,
    zero_failure_quantile,
    zero_failure_survival,
)
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords, possible_modes
from reliability.slots.carried import Usable
from reliability.slots.exposure import voltages_differ
from reliability.words import (
    capital,
    percent_text,
    range_text,
    shots_text,
    so_many_shots,
    stress_text,
    whole,
)

NAN = float("nan")
Flags = NDArray[np.bool_]


BY_THE_SLOT = (("family", "weibull"), ("bound", "calibrated"), ("next", None))
"""settings with which the slot's own model answers"""


class Life(OnRecords):
    """Life of the units in the records: parameters, lives and survival, with bounds.

    Examples
    --------
    >>> from reliability.records import LifeRecords, possible_modes
    >>> lives = [17.88, 28.92, 33.0, 41.52, 42.12, 45.6, 48.4, 51.84, 51.96, 54.12]
    >>> a = Life(at=(20,)).answer(Pool(LifeRecords.of(lives, lives)))
    >>> round(a.shape, 2), a.quantiles[0].lower < a.quantiles[0].shots
    (4.76, True)
    """

    name = "life"
    bounds = ("slot",)  # shapes of other builders' units stand beside its bound
    text = "Life of units: parameters, lives and survival, with bounds."
    answer_type = LifeAnswer

    family: Family = setting("weibull", "Family of the life model.")
    confidence: float = confidence_setting()
    bound: BoundMethod = setting(
        "calibrated", "Kind of bound; likelihood and wald are too optimistic with few failures."
    )
    mode: str = setting("", "Look at this failure mode; others count as censored.", of="mode")
    at: tuple[float, ...] = setting(
        (), "Count at which survival is wanted.", unit="shots", hint="SHOTS", most=50
    )
    fraction: tuple[float, ...] = setting(
        (0.1,), "Share failed whose count is wanted.", hint="P", most=20, min_length=1
    )
    next: int | None = setting(
        None, "Predict the shots that the next so many units reach.", ge=1, le=1000, hint="K"
    )
    use: tuple[str, ...] = setting(
        (), "Operating point of the slot, such as charge_V=1400, part=film-a. Default: the commonest, where voltage or part "
        "differ.", hint="COLUMN=LEVEL", most=20,
    )  # fmt: skip
    as_tested: bool = setting(
        False, "Mix voltages and parts as they were tested, instead of one operating point."
    )
    keep: int | None = setting(
        None, "How many of the next units must last.", ge=1, le=1000, hint="M"
    )
    no_early_failures: bool = burned_in_setting()
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Life:
        if any(not TAIL <= p <= 1 - TAIL for p in self.fraction):
            raise BadInput(
                f"fraction is a share of at least {TAIL:g} and at most {1 - TAIL:g}, such as 0.1"
            )
        if any(not 0 <= s < MOST_SHOTS for s in self.at):
            raise BadInput(f"at is a count of 0 shots or more and below {MOST_SHOTS:g}")
        levels(self.use, OF_A_POINT)
        refuse_unless(
            not (self.as_tested and self.use), "use", "as_tested mixes all that was tested"
        )
        refuse_unless(
            not self.no_early_failures or (plain_question(self) and not self.as_tested),
            "no_early_failures",
            "the slot's own model takes it: family weibull, bound calibrated, without next and as_tested",
        )
        if self.keep is not None:
            refuse_unless(self.next is not None, "keep", "it goes with next")
            if self.next is not None and self.keep > self.next:
                raise BadInput("keep is at most next")
        return self

    def answer(self, pool: Pool) -> LifeAnswer:
        """Life of the pool's units under the filters.

        Raises
        ------
        BadInput
            For an unknown mode.
        CannotAnswer
            Where no life can be fitted; ``partial`` holds the bounds that can be given.
        """
        own = self.of_slot(pool)
        by_slot = bool(own.point) or self._by_slot(own)
        try:
            found = self._at(own) if by_slot else self._by_family(own)
        except CannotAnswer as e:
            if isinstance(e.partial, LifeAnswer):
                e.partial = self._beside(e.partial, own, pool)
            raise
        more = looked_bad_notes(self.as_recorded(pool)) if by_slot else other_reading(self, pool)
        found = self._beside(found, own, pool)
        return replace(found, notes=found.notes + more)

    def of_slot(self, pool: Pool) -> OfSlot:
        """What the answer rests on. Raises BadInput; CannotAnswer where the records do not carry the operating point."""
        records = self.chosen(pool)
        slots = sorted(set(records.slot.tolist()))
        if self.no_early_failures and len(slots) > 1:
            raise BadInput(
                f"no_early_failures goes with one slot; choose one of {', '.join(slots)}"
            )
        asking, others, said = self._asking(), self._others(records, pool), levels(self.use)
        point = point_of(records, said, self.as_tested)
        if not point:
            own = OfSlot(Usable(records, NAN, ()), others, {}, asking)
            if not self._by_slot(own):
                return own
            point = point_of(records, said, self.as_tested, by_slot=True)
        return OfSlot(carried_by(records, point), others, point, asking)

    def _others(self, records: LifeRecords, pool: Pool) -> LifeRecords | None:
        """Records of other slots, where failures have suspects there."""
        if not (records.event != "").any() or len(set(records.slot.tolist())) != 1:
            return None
        same = choose(pool.records, builder=self.builder).suspects_failed()
        return same.select(same.slot != records.slot[0])

    def _asking(self) -> Asking:
        return Asking(
            self.fraction,
            self.at,
            self.confidence,
            self.mode,
            self.seed,
            burned_in=self.no_early_failures,
        )

    def _beside(self, found: LifeAnswer, own: OfSlot, pool: Pool) -> LifeAnswer:
        """With what stands beside the headline, where nothing else than the slot's model was asked for."""
        if not plain_question(self) or self.as_tested:
            return found
        return beside_headline(found, own, pool.records.suspects_failed(), self._asking())

    def _by_slot(self, own: OfSlot) -> bool:
        """Whether the slot's own model answers even at the voltage of the tests: as declared, or where the records
        cannot fix a family by themselves."""
        if not plain_question(self) or self.as_tested:
            return False
        if self.no_early_failures:
            return True
        return not own.mixed and (own.known.failures < FEWEST or own.untold is not None)

    def _by_family(self, own: OfSlot) -> LifeAnswer:
        """Life by the family alone, with what would help; where none can be fitted, beside the bounds there are."""
        try:
            return self._helped(life(own.records, self, own.others), own)
        except CannotAnswer as e:
            if not isinstance(e.partial, LifeAnswer):
                raise
            partial = self._helped(e.partial, own)
            words = [str(e), *(n.text for n in more_note(partial.more))]
            raise CannotAnswer(" ".join(words), partial) from None

    def _helped(self, found: LifeAnswer, own: OfSlot) -> LifeAnswer:
        """With what would help most; a mixture of stresses is nothing that a test adds to."""
        return found if self.as_tested else helped_by(found, own)

    def _at(self, own: OfSlot) -> LifeAnswer:
        """Life at an operating point, of the records that carry it."""
        found = own.used
        refuse_uncarried(levels(self.use), found.carried, own.records)
        carried = {c.stress for c in found.carried}
        point = {k: v for k, v in own.point.items() if k in carried}
        if not (np.isfinite(found.use_V) or self._by_slot(own)):
            answer = self._by_family(own)
            notes = (*carried_notes(found.carried), *left_out_notes([found]))
            return replace(answer, at=point, carried=found.carried, notes=answer.notes + notes)
        for name, value in BY_THE_SLOT:
            told = "the voltage differs between tests, and the slot's own model carries it; as_tested mixes them"
            refuse_unless(getattr(self, name) == value, name, told)
        _refuse_unknown_mode(found.records, self.mode)
        answer = moved_life(own, point, own.q)
        return _told(replace(answer, notes=answer.notes + own.notes), own)


def _told(answer: LifeAnswer, own: OfSlot) -> LifeAnswer:
    """The answer of the slot's own model, with why its spread rests on a prior though several have failed.

    Raises
    ------
    CannotAnswer
        Where none has failed: the bound is there (``partial``), a life is not.
    """
    records = own.asked
    if 0 < records.failures < FEWEST or answer.unclear:
        return answer
    found = own.untold if records is own.known else untold(records)
    if found is None:
        return answer
    if records.failed.any():
        text = f"{found.text} A prior holds the shape here."
        return replace(answer, notes=(Note(found.code, text), *answer.notes))
    partial = replace(answer, problem=found.text, notes=(found, *answer.notes))
    words = [found.text, *(n.text for n in more_note(answer.more))]
    raise CannotAnswer(" ".join(words), partial)


def plain_question(q: Life) -> bool:
    """Whether nothing is asked that the slot's own model does not answer."""
    return all(getattr(q, name) == value for name, value in BY_THE_SLOT)


def other_reading(q: Life, pool: Pool) -> tuple[Note, ...]:
    """Units taken out because they looked bad: what they count as, and the other reading."""
    raw = q.as_recorded(pool)
    safe = looked_bad_notes(raw)
    if not safe:
        return ()
    text, p = safe[0].text, (q.fraction or (0.1,))[0]
    try:
        other = life(
            raw,
            Life(
                **{
                    **q.changed(),
                    "at": (),
                    "fraction": (p,),
                    "bound": "likelihood",
                    "next": None,
                    "keep": None,
                }
            ),
        )
    except CannotAnswer:
        return (Note("looked_bad", text + " Counted as good, no life can be fitted."),)
    b = other.quantiles[0]
    text += (
        f" Counted as good there, {percent_text(1 - p)} would last {so_many_shots(b.shots)}, at least {shots_text(b.lower)} "
        "(likelihood bound)."
    )
    return (Note("looked_bad", text),)


def life(records: LifeRecords, q: Life, others: LifeRecords | None = None) -> LifeAnswer:
    """Life of the units in these records; see ``Life.answer``.

    ``others`` are records of other slots, where some failures have suspects there.
    """
    _refuse_unknown_mode(records, q.mode)
    notes = content_notes(records, q.mode)
    joint, records, more = _joint(records, q, others)
    notes += more
    if joint is not None:
        return _joint_life(joint, q, notes)
    if q.mode:
        records = records.of_mode(q.mode)
    try:
        fit = fit_life(records, q.family)
    except NoMaximum as e:
        raise CannotAnswer(str(e), _without_fit(records, q, e, notes)) from None
    if q.bound == "calibrated" and records.failures < FEWEST and fit.family.shape_free:
        return _of_few(records, fit, q, notes)
    bounder = Bounder(records, fit, q.confidence, q.bound, q.seed)
    p = q.fraction[0]
    few = None
    if records.failures <= 3 and fit.family.shape_free:
        few = posterior_quantile(records, fit.family, p, q.confidence)
        notes += (prior_note(few, q.confidence),)
    lot = new_lot(records, fit, bounder, p)
    notes += lot_notes(records, lot)
    fit_p = NAN
    if records.units <= 5000 and records.failures >= 4:
        tested = goodness_of_fit(records, fit, seed=q.seed)
        fit_p, poor = tested.p, tested.note(q.family)
        notes += (poor,) if poor else ()
    scores = compare_families(records)
    doubts = Doubts(Fitted(records, fit, bounder, fit_p, scores), min(q.fraction), q.seed)
    safer = doubts if doubts and q.bound == "calibrated" else bounder
    quantiles, survival, error = _bounds(safer, q)
    if safer is doubts:
        notes += doubts.note(bounder.quantile(p).lower, quantiles[0].lower)
    if error > 0.01:
        text = f"The simulated bounds carry a standard error of {100 * error:.1f} %."
        notes += (Note("simulation_error", text),)
    first = first_failure(records, q.confidence)
    notes += first_failure_note(first, q.confidence)
    return LifeAnswer(
        q.family, whole(records.units), whole(records.failures), fit.shape, fit.scale, fit.mu, fit.sigma, fit.loglik,
        q.confidence, q.bound, quantiles, survival, steps_of(records, q.confidence), _curve(records, fit, q),
        seen_of(records), _families(scores), fit_p, error, few, q.mode,
        _of_next(records, fit, q),
        new_lot=lot, early=doubts.early, doubts=doubts.words, first_failure=first, notes=fit.notes + bounder.notes + notes,
    )  # fmt: skip


def _of_few(records: LifeRecords, fit: LifeFit, q: Life, notes: tuple[Note, ...]) -> LifeAnswer:
    """The answer from one or two failures: bounds with the prior on the shape, which is never free there."""
    bounder = PriorBounder(records, fit.family, q.confidence)
    quantiles, survival, _ = _bounds(bounder, q)
    p = q.fraction[0]
    few = posterior_quantile(records, fit.family, p, q.confidence)
    lot = new_lot(records, fit, bounder, p)
    first = first_failure(records, q.confidence)
    notes += (
        prior_note(few, q.confidence),
        *_other_prior(q),
        *lot_notes(records, lot),
        *first_failure_note(first, q.confidence),
    )
    top = float(records.shots_good.max())
    shots = np.geomspace(top / 100, 1.5 * top, 16)
    curve = _survival_at(bounder, shots)
    return LifeAnswer(
        q.family, whole(records.units), whole(records.failures), fit.shape, fit.scale, fit.mu, fit.sigma, fit.loglik,
        q.confidence, "prior", quantiles, survival, steps_of(records, q.confidence), curve,
        seen_of(records), _families(compare_families(records)), few=few, mode=q.mode,
        prediction=_of_next(records, fit, q),
        new_lot=lot, first_failure=first, notes=fit.notes + notes,
    )  # fmt: skip


def _other_prior(q: Life) -> tuple[Note, ...]:
    """Why the bound is not that of the same question without another family or next units."""
    if plain_question(q) or q.as_tested:
        return ()
    other = "foretells no next units" if q.next is not None else "has no other family"
    text = (
        "Asked without next and another family, the slot's own model answers: its prior of the shape is narrower (about a median "
        f"common to all slots), and early failures are in it, so its bound is another one. It {other}; so the wider prior stands here."
    )
    return (Note("other_prior", text),)


def _refuse_unknown_mode(records: LifeRecords, mode: str) -> None:
    known = named_modes(records.select(records.failed))
    if mode and mode not in known:
        raise BadInput(f"no failure of mode {mode!r}; there are: {', '.join(known) or 'none'}")


def _joint(
    records: LifeRecords, q: Life, others: LifeRecords | None
) -> tuple[Joint | None, LifeRecords, tuple[Note, ...]]:
    """A joint fit where causes are not known; None where all are, or where none can be fitted: then the
    records with every such failure on the safe side, and a note that says so."""
    masked = unclear(records) if q.mode else np.zeros(len(records), bool)
    suspects = (records.event != "") if not q.mode else np.zeros(len(records), bool)
    try:
        if masked.any():
            return joint_of_mode(records, q.mode, q.family), records, ()
        if suspects.any() and others is not None:
            return joint_of_slot(records, others, q.family), records, ()
    except CannotAnswer as e:
        why = str(e)
    else:
        if not suspects.any():
            return None, records, ()
        why = "The other suspects have no records here."
    safe, notes = _safe_side(records, masked, suspects, (q.mode, why))
    return None, safe, notes


def _safe_side(
    records: LifeRecords, masked: Flags, suspects: Flags, told: tuple[str, str]
) -> tuple[LifeRecords, tuple[Note, ...]]:
    """Failures of unknown cause as failed by the mode (or the slot), and that said; ``told``: mode, and why."""
    mode, why = told
    k = float(records.count[masked | suspects].sum())
    may = np.array([not possible_modes(m) or mode in possible_modes(m) for m in records.mode])
    safe = replace(records, mode=np.where(masked & may, mode, records.mode))
    text = (
        f"{k:g} failure{'s' if k != 1 else ''} of unknown cause count as failed by {mode or 'this slot'} here, which is the safe "
        f"side: they could not be shared out. {why}"
    )
    return safe, (Note("unknown_counted", text),)


def _joint_life(joint: Joint, q: Life, notes: tuple[Note, ...]) -> LifeAnswer:
    """The answer from a joint fit with other causes."""
    refuse_unless(
        q.bound != "wald",
        "bound wald",
        "failures of unknown cause are shared out; allowed: calibrated, likelihood",
    )
    refuse_unless(
        q.next is None, "next", "failures of unknown cause are shared out, which it does not do"
    )
    bounder = joint.bounder(q.confidence, q.seed, q.bound)
    quick = joint.bounder(q.confidence, q.seed, "likelihood")
    quantiles, survival, error = _bounds(bounder, q)
    fam, mu, sigma = joint.fit.family, joint.mu, joint.sigma
    r = joint.records
    life_at = [float(np.exp(mu + sigma * fam.quantile(np.asarray(p)))) for p in (0.005, 0.95)]
    shots = np.geomspace(
        max(min(life_at[0], r.shots_good.max()), life_at[1] * 1e-4),
        max(life_at[1], float(r.shots_good.max())),
        16,
    )
    curve = _survival_at(quick, shots)
    text = "The curve's band is by the likelihood ratio, not calibrated."
    return LifeAnswer(
        q.family, whole(r.units), whole(joint.failed), 1 / sigma, float(np.exp(mu)), mu, sigma,
        joint.fit.loglik, q.confidence, q.bound, quantiles, survival, steps_of(r, q.confidence), curve, seen_of(r),
        mc_error=error, mode=q.mode, unclear=whole(joint.unclear),
        notes=(*joint.notes((q.fraction or (0.1,))[0]), *notes, Note("band_by_likelihood", text)),
    )  # fmt: skip


def _bounds(
    bounder: Bounder | MaskedBounder | PriorBounder | Doubts, q: Life
) -> tuple[tuple[QuantileBound, ...], tuple[SurvivalBound, ...], float]:
    """Lives and survival asked for, and the largest simulation error."""
    quantiles, survival, error = [], [], 0.0
    for p in q.fraction:
        b = bounder.quantile(p)
        quantiles.append(QuantileBound(p, b.estimate, b.lower, b.upper))
        error = max(error, b.mc_error)
    for shots in q.at:
        b = bounder.survival(shots)
        survival.append(SurvivalBound(shots, b.estimate, b.lower, b.upper))
        error = max(error, b.mc_error)
    return tuple(quantiles), tuple(survival), error


def _survival_at(bounder: MaskedBounder | PriorBounder, shots: NDArray[np.float64]) -> Curve:
    """Survival and its bounds at these shots."""
    rows = [bounder.survival(float(x)) for x in shots]
    bounds = (numbers([getattr(b, k) for b in rows]) for k in ("estimate", "lower", "upper"))
    return Curve(numbers(shots), *bounds)


def _of_next(records: LifeRecords, fit: LifeFit, q: Life) -> Prediction | None:
    """What the next units asked about will do; None if none are."""
    if not q.next:
        return None
    return predict(
        records, fit, units=q.next, keep=q.keep or q.next, confidence=q.confidence, seed=q.seed
    )


def _curve(records: LifeRecords, fit: LifeFit, q: Life, points: int = 60) -> Curve:
    """Fitted survival with its bounds, from the first deaths to the last."""
    seen = records.shots_good[records.shots_good > 0]
    low = min(fit.quantile(0.005), float(seen.min()) if seen.size else fit.quantile(0.01))
    high = max(fit.quantile(0.95), float(records.shots_good.max()))
    # where the fitted lives lie below what a number can hold, the tests' own range is drawn
    last = fit.quantile(0.999)
    shots = np.geomspace(max(low, high * 1e-4), min(high, last) if last > 0 else high, points)
    bounder = Bounder(records, fit, q.confidence, q.bound, q.seed, effort=0.15)
    return Curve(numbers(shots), *(numbers(v) for v in survival_curve(bounder, shots)))


def _families(scores: Sequence[FamilyScore]) -> tuple[FamilyChoice, ...]:
    return tuple(FamilyChoice(s.family, s.loglik, s.aicc, s.weight, s.reason) for s in scores)


def varying_stresses(records: LifeRecords) -> list[tuple[str, float, float]]:
    """Voltage and temperature where they differ between records (temperatures by more than 1 K): their range."""
    out = []
    for name, differ in (("charge_V", voltages_differ), ("temp_C", _temperatures_differ)):
        values = records.covariates.get(name)
        if values is not None and differ(values):
            out.append((name, float(np.nanmin(values)), float(np.nanmax(values))))
    return out


def _temperatures_differ(values: NDArray[np.float64]) -> bool:
    known = values[np.isfinite(values)]
    return bool(known.size and known.max() - known.min() > 1.0)


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
    modes = named_modes(records.select(records.failed))
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
            f"{capital(stress_text(name))} ranges from {range_text(name, lo, hi)}: this is the life of the mixture as "
            "tested. For the life at one stress see derating.",
        )
        for name, lo, hi in varying_stresses(records)
    ]
    idle = (~records.failed) & (records.shots_good <= records.shots_from)
    if idle.any():
        notes.append(
            Note("no_exposure", f"{records.count[idle].sum():g} units were never seen working beyond "
                 "their start and tell nothing.")
        )  # fmt: skip
    return tuple(notes)


def prior_note(few: PriorAndPosterior, confidence: float) -> Note:
    """Prior and posterior side by side, in words."""
    a, b = few.shape_prior, few.shape_posterior
    return Note(
        "prior_shown",
        f"With a prior on the shape (median {few.prior.median:g}, 90 % within {a[0]:.2g} to {a[2]:.2g}; "
        f"{few.prior.source}) the shape becomes {b[1]:.2g} ({b[0]:.2g} to {b[2]:.2g}) and the life "
        f"{so_many_shots(few.shots)}, at least {shots_text(few.lower)} with probability "
        f"{percent_text(confidence)}.",
    )


def _without_fit(
    records: LifeRecords, q: Life, why: NoMaximum, notes: tuple[Note, ...]
) -> LifeAnswer:
    """What can be said where no life can be fitted: bounds from a prior shape, and why no more."""
    quantiles: tuple[QuantileBound, ...] = ()
    survival: tuple[SurvivalBound, ...] = ()
    notes = (Note(why.code, str(why)), *few_failure_notes(records.failures), *notes)
    few = None
    seen_good = bool((records.shots_good > records.shots_from).any())
    fam = family(q.family)
    prior = DEFAULT_SHAPE_PRIOR
    if not records.failed.any() and seen_good:
        assumed = 1.0 if not fam.shape_free else None
        quantiles = tuple(
            QuantileBound(
                p, NAN, zero_failure_quantile(records, p, q.confidence, assumed, prior), NAN
            )
            for p in q.fraction
        )
        survival = tuple(
            SurvivalBound(s, NAN, zero_failure_survival(records, s, q.confidence, prior), NAN)
            for s in q.at
        )
        notes += (_assumed_shape_note(records, q),)
    elif records.failed.any() and seen_good and fam.shape_free:
        found = [posterior_quantile(records, fam, p, q.confidence, prior) for p in q.fraction]
        quantiles = tuple(
            QuantileBound(p, NAN, f.lower, f.upper) for p, f in zip(q.fraction, found, strict=True)
        )
        if found:
            few = found[-1]
            notes += (prior_note(few, q.confidence),)
    return LifeAnswer(
        q.family, whole(records.units), whole(records.failures), NAN, NAN, NAN, NAN, NAN, q.confidence, q.bound, quantiles,
        survival, steps_of(records, q.confidence), seen=seen_of(records), families=_families(compare_families(records)), few=few,
        mode=q.mode, problem=str(why), notes=notes,
    )  # fmt: skip


def _assumed_shape_note(records: LifeRecords, q: Life) -> Note:
    """What the bounds without a failure rest on, and what other shapes would give."""
    prior = DEFAULT_SHAPE_PRIOR
    p = (q.fraction or (0.1,))[0]
    parts = ", ".join(
        f"{shots_text(zero_failure_quantile(records, p, q.confidence, b))} at shape {b:g}"
        for b in (1.0, 2.0, 3.0)
    )
    basis = (
        f"the {prior.name} prior on the shape (median {prior.median:g}; {prior.source})"
        if family(q.family).shape_free
        else "shape 1 (exponential)"
    )
    return Note(
        "assumed_shape",
        f"The lower bounds rest on {basis}. With an assumed Weibull shape the count at which "
        f"{percent_text(p)} have failed is at least: {parts}.",
    )
