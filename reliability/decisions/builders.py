"""Do builders' data agree, how are they pooled, and what does that mean for a new builder?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray
from pydantic import model_validator
from scipy.special import chdtrc

from reliability.decisions.compare_helps import group_of, separation_note
from reliability.decisions.operating import in_words
from reliability.decisions.parts import Step, steps_of
from reliability.decisions.question import (
    Answer,
    Count,
    Level,
    OnRecords,
    confidence_setting,
    levels,
    refuse_unless,
    setting,
)
from reliability.decisions.question import (
    Family as FamilyName,
)
from reliability.decisions.stress_terms import fixed_levels
from reliability.decisions.without_family import opinion_on_groups, opinion_setting
from reliability.life.apart import ByGroup
from reliability.life.bounds import CALIBRATION_LIMIT, Bounder
from reliability.life.engine import fit_batch
from reliability.life.families import Family, family, normal_quantile
from reliability.life.fit import NoMaximum, fit_life, phi_covariance
from reliability.life.groups import (
    ByKind,
    kinds_of_scheme,
    kinds_of_units,
    scheme_labels,
    unit_labels,
)
from reliability.life.logrank import LogRank, log_rank
from reliability.life.pooling import PooledFit, fit_pooled
from reliability.life.sample import Sample
from reliability.life.scheme import scheme_of
from reliability.life.second_opinion import GroupOpinion
from reliability.life.stress import StressFit, Term, fit_stress, parse_term
from reliability.life.units import units_of
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.words import p_text, percent_text, shots_text, so_many_shots, whole

Array = NDArray[np.float64]
NAN = float("nan")
MOST_CURVES = 12
"""builders whose curves can be told apart in one picture"""
MOST_NAMED = 6
"""builders named in a sentence"""


@dataclass(frozen=True)
class BuilderLife:
    """One builder beside the pool.

    Attributes
    ----------
    builder : str
    n, failed : number
    ratio, lower, upper : float
        Shrunken life relative to the pool's, with one-sided bounds.
    raw_ratio : float
        The same from this builder's data alone (not shrunken); nan without failures.
    shots : float
        Life that 1 - fraction of this builder's units reach (shrunken), at the pool's middle stress.
    difference_shots : float
        Against the pool.
    p, p_adjusted : float
        This builder against all others (adjusted for stress), and after Holm's correction.
    differs : bool
        ``p_adjusted`` below 0.05.
    without_shots : float
        The pool's life with this builder left out (influence); nan if it cannot be fitted then.
    empirical : tuple of Step
        This builder's survival without a family, not adjusted for stress; of more than ``MOST_CURVES``
        builders only of those that differ most.
    """

    builder: str
    n: Count
    failed: Count
    ratio: float
    lower: float
    upper: float
    raw_ratio: float
    shots: float
    difference_shots: float
    p: float
    p_adjusted: float
    differs: bool
    without_shots: float
    empirical: tuple[Step, ...] = ()


@dataclass(frozen=True)
class NewBuilder:
    """A life for a builder not seen yet, and its lower bound (builders' spread included)."""

    shots: float
    lower: float


@dataclass(frozen=True)
class BuildersAnswer(Answer):
    """How builders compare, and the pool of them.

    Attributes
    ----------
    family : str
    n, failed : number
    fraction, confidence : float
    same_life_p : float
        Likelihood ratio for one scale against a scale for each builder, adjusted for stress, its
        distribution simulated.
    same_shape_p : float
        One shape against a shape for each builder (given scales), simulated.
    log_rank : LogRank or None
        Unadjusted.
    log_rank_early : LogRank or None
        Weighted towards early failures.
    spread : float
        Standard deviation of builders' log life (tau), most likely value.
    spread_reckoned : float
        The spread to reckon with, its own uncertainty included.
    spread_p : float
    pool_shots : float
        Life that 1 - fraction reach in the pool.
    new_builder : NewBuilder
        The same life for a builder not seen yet (their spread included).
    builders : tuple of BuilderLife
    stress : tuple of str
        Terms adjusted for.
    second_opinion : GroupOpinion or None
        Where it was asked for.
    at : dict
        Levels of the stresses adjusted for, at which lives are shown.

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Builders(slot=("main_capacitor",)), rl.demo())
    >>> a.new_builder.lower < a.new_builder.shots
    True
    """

    family: str
    n: Count
    failed: Count
    fraction: float
    confidence: float
    same_life_p: float
    same_shape_p: float
    log_rank: LogRank | None
    log_rank_early: LogRank | None
    spread: float
    spread_p: float
    spread_reckoned: float
    pool_shots: float
    new_builder: NewBuilder
    builders: tuple[BuilderLife, ...]
    stress: tuple[str, ...]
    second_opinion: GroupOpinion | None = None
    at: dict[str, Level] = field(default_factory=dict)

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        odd = [b.builder for b in self.builders if b.differs]
        verdict = "are not shown to differ" if self.same_life_p >= 0.05 else "differ"
        text = (
            f"The {len(self.builders)} builders' lives {verdict} ({_p_short(self.same_life_p)}"
            + (", adjusted for stress" if self.stress else "")
            + f"); builders spread by some {percent_text(np.expm1(self.spread_reckoned))} about the pool"
        )
        if len(odd) > MOST_NAMED:
            text += f"; {len(odd)} differ from the rest, {', '.join(odd[:MOST_NAMED])} among them"
        elif odd:
            text += f"; {', '.join(odd)} differ{'s' if len(odd) == 1 else ''} from the rest"
        share = percent_text(1 - self.fraction)
        place = f" at {in_words(self.at)}" if in_words(self.at) else ""
        return (
            text
            + f". For a new builder {share} last {so_many_shots(self.new_builder.shots)}{place}, at least {shots_text(self.new_builder.lower)}."
        )


def _p_short(p: float) -> str:
    return "p < 0.01" if p < 0.005 else f"p = {p:.2f}"


class Builders(OnRecords):
    """Do builders' data agree? Compare, pool, and see who moves the estimate.

    Examples
    --------
    >>> Builders(plain=True).changed()
    {'plain': True}
    """

    name = "builders"
    text = "Do builders' data agree, and how are they pooled?"
    answer_type = BuildersAnswer

    family: FamilyName = setting("weibull", "Family of the life model.")
    confidence: float = confidence_setting()
    fraction: float = setting(0.1, "Share failed of the life shown.", gt=0, lt=1)
    stress: tuple[str, ...] = setting(
        (),
        "Adjust for this stress. Default: voltage, and part where builders share parts.",
        hint="COLUMN:FORM",
        most=8,
    )
    plain: bool = setting(False, "Adjust for nothing.")
    use: tuple[str, ...] = setting(
        (), "Operating point at which lives are shown, of the stresses adjusted for, such as charge_V=1400. Default: the middle "
        "of those tested.", hint="COLUMN=LEVEL", most=20,
    )  # fmt: skip
    second_opinion: bool = opinion_setting()
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Builders:
        refuse_unless(not (self.plain and self.stress), "stress", "plain adjusts for nothing")
        for term in self.stress:
            parse_term(term)
        levels(self.use)
        refuse_unless(not (self.plain and self.use), "use", "plain adjusts for nothing")
        return self

    def answer(self, pool: Pool) -> BuildersAnswer:
        """Compare and pool builders.

        Raises
        ------
        BadInput
            With fewer than two builders.
        CannotAnswer
            If the pool cannot be fitted.
        """
        return builders(self.chosen(pool), self)


def builders(records: LifeRecords, q: Builders, draws: int = 399) -> BuildersAnswer:
    """Builders of these records; ``draws`` is the number of samples for each simulated test."""
    if len(set(records.builder.tolist())) < 2:
        raise BadInput(
            "Comparing builders needs records of two or more; all units here are of one."
        )
    terms = [] if q.plain else _terms(records, q.stress or None)
    try:
        model = _null_model(records, terms, q.family, levels(q.use))
    except NoMaximum as e:
        raise CannotAnswer(str(e)) from None
    r = model.records
    groups = sorted(set(r.builder.tolist()))
    if len(groups) < 2:
        raise BadInput("only one builder has records with the stress columns; leave stress out")
    tests = _Tests(model, groups, q.seed, draws)
    same_life = tests.p(ByGroup.gain_of_all, len(groups) - 1)
    same_shape = NAN if terms else tests.p(_shape_gain, len(groups) - 1)
    pooled = fit_pooled(r, model.fam, r.builder, model.x, model.phi, q.confidence)
    z = float(model.fam.quantile(np.asarray(q.fraction)))
    pool_shots = float(np.exp(pooled.log_life(z, model.middle)))
    rows = _rows(tests, pooled, z, pool_shots)
    new = _new_builder(model, pooled, q)
    usual, early = (
        (log_rank(r, r.builder), log_rank(r, r.builder, 1.0)) if r.failed.any() else (None, None)
    )
    second: GroupOpinion | None = None
    said: list[Note] = []
    if tests.drawn is None:
        text = f"More than {CALIBRATION_LIMIT:,} units: the tests are by chi-square, not simulated."
        said.append(Note("large_sample", text))
    if q.second_opinion:
        held = {str(i): column for i, column in enumerate(model.x.T)}
        second, more = opinion_on_groups(r, held, q.confidence)
        said += more
    return BuildersAnswer(
        q.family, whole(r.units), whole(r.failures), q.fraction, q.confidence, same_life, same_shape, usual, early,
        pooled.tau, pooled.p, pooled.tau_mean, pool_shots, new, rows, tuple(t.name for t in terms),
        second, model.at, notes=(*_notes(same_life, same_shape, records, r, groups, terms), *said, *_help(rows, model, q, same_life)),
    )  # fmt: skip


def _help(rows: Sequence[BuilderLife], model: _Model, q: Builders, p: float) -> tuple[Note, ...]:
    """Where builders are not shown to differ, the test that would tell the two apart that differ most as estimated."""
    known = sorted((b for b in rows if b.failed and b.raw_ratio > 0), key=lambda b: b.raw_ratio)
    if p < 0.05 or len(known) < 2:
        return ()
    other, longer = known[0], known[-1]
    estimate = longer.raw_ratio / other.raw_ratio
    # scales of failures alone: their logs vary as sigma^2 / f (Lawless 2003, sec. 5.2)
    width = (
        normal_quantile(q.confidence)
        / model.phi[0, 0]
        * np.sqrt(1 / longer.failed + 1 / other.failed)
    )
    first, second = (
        group_of(b.builder, model.records.select(model.records.builder == b.builder))
        for b in (longer, other)
    )
    return separation_note(first, second, estimate, estimate / float(np.exp(width)))[1]


class _Tests:
    """Likelihood ratios of builders under one scale for all: simulated, of many units by chi-square (Wilks 1938)."""

    def __init__(self, model: _Model, groups: Sequence[str], seed: int, draws: int) -> None:
        self.model, self.names = model, np.array(groups)
        count = max(int(model.records.units), 1)
        draws = int(np.clip(600_000 // (count * len(groups)), 99, draws))
        units, labels = units_of(model.records, model.x), model.records.builder
        self.seen = self._view(model.sample, kinds_of_units(units), unit_labels(units, labels))
        self.drawn: ByGroup | None = None
        if count <= CALIBRATION_LIMIT:
            scheme = scheme_of(model.records, model.x, model.sample.centre)
            sample = scheme.draw(model.fam, model.phi, draws, np.random.default_rng([seed, 31]))
            self.drawn = self._view(sample, kinds_of_scheme(scheme), scheme_labels(units, labels))

    def _view(self, sample: Sample, kinds: ByKind, labels: NDArray[np.object_]) -> ByGroup:
        numbers = np.searchsorted(self.names, labels.astype(str))
        fit = fit_batch(self.model.fam, sample, start=self.model.phi)
        return ByGroup(self.model.fam, sample, kinds, numbers, fit)

    def p(self, gain: Callable[[ByGroup], Array], degrees: int) -> float:
        """p of what is gained, under one scale for all."""
        observed = float(gain(self.seen)[0])
        if not np.isfinite(observed):
            return NAN
        if self.drawn is None:
            return float(chdtrc(degrees, observed))
        return _simulated_p(observed, gain(self.drawn))


def _own_records(r: LifeRecords, groups: Sequence[str]) -> list[LifeRecords]:
    """Records of each builder, as they stand."""
    numbers = np.searchsorted(np.array(groups), r.builder.astype(str))
    order = np.argsort(numbers, kind="stable")
    edges = np.searchsorted(numbers[order], np.arange(1, len(groups)))
    return [r.select(rows) for rows in np.split(order, edges)]


def _rows(tests: _Tests, pooled: PooledFit, z: float, pool: float) -> tuple[BuilderLife, ...]:
    """Each builder beside the pool, whose life at standardised log life ``z`` is ``pool``."""
    count = len(pooled.groups)
    alone = [tests.p(partial(ByGroup.gain, group=g), 1) for g in range(count)]
    adjusted = holm(alone)
    drawn = set(np.argsort(alone, kind="stable")[:MOST_CURVES].tolist())  # nan last
    rows = []
    for i, own in enumerate(_own_records(tests.model.records, pooled.groups)):
        ratio, low, high, raw = (
            float(np.exp(v[i])) for v in (pooled.effect, pooled.lower, pooled.upper, pooled.raw)
        )
        without = tests.model.life(z, tests.seen.without(i))
        curve = steps_of(own, pooled.confidence) if i in drawn else ()
        rows.append(
            BuilderLife(
                pooled.groups[i], whole(own.units), whole(own.failures), ratio, low, high, raw, pool * ratio,
                pool * ratio - pool, alone[i], adjusted[i], adjusted[i] < 0.05, without, curve,
            )
        )  # fmt: skip
    return tuple(rows)


def _terms(records: LifeRecords, stress: Sequence[str] | None) -> list[Term]:
    """Stress to adjust for: those given, or voltage and part where both vary within reason."""
    if stress is not None:
        return [parse_term(t) for t in stress]
    out = []
    v = records.covariates.get("charge_V")
    if v is not None and not np.isnan(v).any() and np.unique(v).size > 1:
        out.append(Term("charge_V", "power"))
    if len(set(records.part.tolist())) > 1 and all(records.part):
        # a part that one builder alone uses cannot be told from the builder
        users = {
            p: set(records.builder[records.part == p].tolist()) for p in set(records.part.tolist())
        }
        if all(len(u) > 1 for u in users.values()):
            out.append(Term("part", "categorical"))
    return out


@dataclass(frozen=True)
class _Model:
    """Null model: stress only; ``middle`` are the covariates of the stress at which lives are shown, ``at`` its levels."""

    fam: Family
    records: LifeRecords
    x: Array
    phi: Array
    sample: Sample
    middle: Array
    at: dict[str, Level]

    def life(self, z: float, phi: Array) -> float:
        """Shots of standardised log life ``z`` at the middle stress under parameters (p, 1)."""
        location = phi[1, 0] + float(self.middle @ phi[2:, 0])
        return float(np.exp((z - location) / phi[0, 0] + self.sample.centre))


def _null_model(
    records: LifeRecords, terms: Sequence[Term], family_name: str, use: Mapping[str, Level]
) -> _Model:
    fam = family(family_name)
    if not terms:
        refuse_unless(
            not use, "use", "no stress is adjusted for, so lives are of the records as they are"
        )
        life = fit_life(records, family_name)
        nothing = np.empty((len(records), 0))
        return _Model(fam, records, nothing, life.phi, life.sample, np.zeros(0), {})
    fit = fit_stress(records, terms, family_name)
    at = {**_middle_stress(fit.records, terms), **_asked_for(fit, use)}
    middle = np.array(fit.at(at), float)
    shown = {k: v if isinstance(v, str) else float(v) for k, v in at.items()}
    return _Model(fam, fit.records, fit.x, fit.phi, fit.sample, middle, shown)


def _asked_for(fit: StressFit, use: Mapping[str, Level]) -> dict[str, float | str | Array]:
    """Levels asked for, of stresses adjusted for. Raises as ``fixed_levels`` does."""
    return {c: level for c, level in fixed_levels(fit, "", use).items() if c in use}


def _middle_stress(records: LifeRecords, terms: Sequence[Term]) -> dict[str, float | str | Array]:
    """Of numbers the geometric mean of the records, of labels the commonest."""
    middle: dict[str, float | str | Array] = {}
    for t in terms:
        values = records.column(t.column)
        if t.form == "categorical":
            labels, counts = np.unique(values.astype(str), return_counts=True)
            middle[t.column] = str(labels[counts.argmax()])
        else:
            middle[t.column] = float(np.exp(np.mean(np.log(np.asarray(values, float)))))
    return middle


def _shape_gain(view: ByGroup) -> Array:
    """Twice the gain of a shape for each group over one shape, scales free; nan where a group has no fit."""
    total = np.zeros(view.fit.loglik.size)
    for piece in view.pieces:
        own = fit_batch(view.family, piece, max_iter=60)
        total += np.where(own.converged & ~own.runaway, own.loglik, np.nan)
    return 2 * (total - view.fit_apart().loglik)


def _simulated_p(observed: float, null: Array) -> float:
    null = null[np.isfinite(null)]
    return float((1 + (null >= observed - 1e-9).sum()) / (1 + null.size))


def holm(p: Sequence[float]) -> list[float]:
    """Holm's (1979) step-down adjusted p values."""
    order = np.argsort(p)
    out = np.empty(len(p))
    worst = 0.0
    for rank, i in enumerate(order):
        worst = max(worst, min(1.0, (len(p) - rank) * p[i]))
        out[i] = worst
    return [float(v) for v in out]


def _new_builder(model: _Model, pooled: PooledFit, q: Builders) -> NewBuilder:
    """Life for a builder not seen: the pool's bound, widened by the spread of builders."""
    z = float(normal_quantile(q.confidence))
    log_life = pooled.log_life(float(model.fam.quantile(np.asarray(q.fraction))), model.middle)
    if model.middle.size:
        cov = phi_covariance(model.fam, model.sample, model.phi)
        g = np.zeros(model.phi.shape[0])
        g[0], g[1] = -(log_life - pooled.centre) / model.phi[0, 0], -1 / model.phi[0, 0]
        g[2:] = -model.middle / model.phi[0, 0]
        se = float(np.sqrt(max(float(g @ cov @ g), 0.0)))
    else:
        fit = fit_life(model.records, model.fam.name)
        b = Bounder(model.records, fit, q.confidence, "likelihood").quantile(q.fraction)
        se = float(np.log(b.estimate / max(b.lower, 1e-300))) / z
    spread = pooled.tau_mean * np.sqrt(1 + 1 / len(pooled.groups))
    low = float(np.exp(log_life - z * np.hypot(se, spread)))
    return NewBuilder(float(np.exp(log_life)), low)


def _notes(
    same_life: float, same_shape: float, records: LifeRecords, used: LifeRecords, groups: Sequence[str], terms: Sequence[Term]
) -> tuple[Note, ...]:  # fmt: skip
    notes = []
    if same_life < 0.05:
        notes.append(
            Note(
                "builders_disagree",
                f"Builders' lives differ more than chance allows ({p_text(same_life)}). Look for other parts, voltages or "
                "ways of counting before pooling; the bound for a new builder allows for their spread.",
            )
        )
    if same_shape < 0.05:
        notes.append(
            Note(
                "shape_differs",
                f"The spread of life differs between builders ({p_text(same_shape)}); another failure mode may be at work.",
            )
        )
    if len(used) < len(records):
        lost = sorted(set(records.builder.tolist()) - set(groups))
        text = f"{records.units - used.units:g} units lack a stress column and are left out"
        notes.append(
            Note(
                "missing_stress",
                text + (f"; {', '.join(lost)} drop out altogether." if lost else "."),
            )
        )
    parts = set(records.part.tolist()) - {""}
    if len(parts) > 1 and not any(t.column == "part" for t in terms):
        notes.append(
            Note(
                "part_and_builder",
                "Some part is used by one builder only, so part and builder cannot be told apart; parts are not adjusted for. Choose one part to compare like with like.",
            )
        )
    if len(groups) < 5:
        notes.append(
            Note(
                "few_builders",
                f"Only {len(groups)} builders: how much builders spread is known very roughly.",
            )
        )
    return tuple(notes)
