"""Which of two to choose: parts, fuels, revisions, lots or builders, on the same footing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from pydantic import model_validator

from reliability.decisions.compare_helps import Separation, group_of, separation_note
from reliability.decisions.parts import Step, moved_units, steps_of
from reliability.decisions.question import (
    Answer,
    Count,
    Family,
    Level,
    OnRecords,
    confidence_setting,
    levels,
    refuse_unless,
    setting,
)
from reliability.decisions.stress_terms import fixed_levels, varied_terms
from reliability.life.compare import Comparison
from reliability.life.stress import StressFit, Term, fit_stress
from reliability.life.stress_bounds import Stress
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.slots.exposure import Asked, slot_data
from reliability.words import percent_text, shots_text, whole

NAN = float("nan")
By = Literal["part", "builder", "lot", "fuel", "revision", "module"]


@dataclass(frozen=True)
class Side:
    """One of the two.

    Attributes
    ----------
    name : str
    n, failed : number
    shots, lower : float
        Life that 1 - fraction reach at the common stress, and its lower bound.
    empirical : tuple of Step
        Its survival without a family: where the voltage is all that is adjusted for, each unit at the shots
        that its own stand for at the common voltage; else as tested.
    """

    name: str
    n: Count
    failed: Count
    shots: float
    lower: float
    empirical: tuple[Step, ...]


@dataclass(frozen=True)
class LifeRatio:
    """Life of the one that lives longer as estimated over that of the other, with one-sided bounds."""

    longer: str
    other: str
    estimate: float
    lower: float
    upper: float

    @property
    def name(self) -> str:
        """Of what, in words."""
        return f"{self.longer} over {self.other}"


@dataclass(frozen=True)
class CompareAnswer(Answer):
    """Two on the same footing.

    Attributes
    ----------
    by, family : str
    fraction, confidence : float
    ratio, lower, upper : float
        Life of the first over that of the second, with one-sided bounds.
    sure : float
        Confidence, simulated, that the one that lives longer as estimated does so: 1 less the chance of a
        difference as large if there were none.
    first, second : Side
    at : dict
        Stresses at which both are shown; empty where none is adjusted for.
    moved : bool
        Whether the curves without a family are of the common voltage.
    more : Separation or None
        Failures still wanted, where the two are not shown to differ.

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Compare(slot=("main_capacitor",), first="film-a", second="ceramic-b"), rl.demo())
    >>> a.lower < a.ratio < a.upper
    True
    """

    by: str
    family: str
    fraction: float
    confidence: float
    ratio: float
    lower: float
    upper: float
    sure: float
    first: Side
    second: Side
    at: dict[str, Level]
    moved: bool = False
    more: Separation | None = None

    @property
    def ordered(self) -> LifeRatio:
        """The ratio as it is said and drawn: of the longer life over the other."""
        a, b = self.first.name, self.second.name
        if self.ratio < 1.0:
            return LifeRatio(b, a, 1 / self.ratio, 1 / self.upper, 1 / self.lower)
        return LifeRatio(a, b, self.ratio, self.lower, self.upper)

    @property
    def shown(self) -> bool:
        """Whether the two are shown to differ at the confidence."""
        return self.lower > 1.0 or self.upper < 1.0

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        r = self.ordered
        place = f" at {self.at['charge_V']:,.0f} V" if "charge_V" in self.at else ""
        share = percent_text(1 - self.fraction)
        promised = max(self.first, self.second, key=lambda s: s.lower)
        promise = (
            f"{share} of {self.first.name} last at least {shots_text(self.first.lower)} shots{place}, of {self.second.name} "
            f"{shots_text(self.second.lower)}: the longer promise is {promised.name}'s."
        )
        if self.shown:
            return (
                f"{r.longer} lives {r.estimate:.2f} times as long as {r.other}, at least {r.lower:.2f} at "
                f"{percent_text(self.confidence)} confidence. {promise}"
            )
        return (
            f"{r.longer} and {r.other} are not shown to differ, nor to be alike: {r.longer} lives {r.estimate:.2f} times as "
            f"long as estimated, from {r.lower:.2f} to {r.upper:.2f} is possible, and that it is the better one is "
            f"{percent_text(self.sure)} sure. {promise}"
        )


class Compare(OnRecords):
    """Which of two to choose: two parts, fuels, revisions, lots or builders on the same footing.

    The ratio of their lives at a common shape, with the voltage allowed for where it was varied.

    Examples
    --------
    >>> Compare(by="builder", first="kite", second="nova").changed()
    {'by': 'builder', 'first': 'kite', 'second': 'nova'}
    """

    name = "compare"
    text = "Which of two parts, fuels, revisions, lots or builders to choose."
    answer_type = CompareAnswer

    by: By = setting("part", "What the two differ in.")
    first: str = setting(
        "",
        "The one. Default: of the two with most units (of equal ones the first by name) the larger.",
    )
    second: str = setting("", "The other.")
    confidence: float = confidence_setting()
    fraction: float = setting(0.1, "Share failed of the lives shown.", gt=0, lt=1)
    family: Family = setting("weibull", "Family of the life model.")
    use: tuple[str, ...] = setting(
        (), "Voltage or temperature at which both are shown (default: the median tested).",
        hint="COLUMN=LEVEL", most=20,
    )  # fmt: skip
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Compare:
        levels(self.use)
        if (self.first == "") != (self.second == ""):
            raise BadInput(
                f"{'first' if self.second else 'second'} is missing: name both or neither"
            )
        if self.first and self.first == self.second:
            raise BadInput(f"second is another than first, not {self.second[:40]!r} again")
        return self

    def answer(self, pool: Pool) -> CompareAnswer:
        """The two compared.

        Raises
        ------
        BadInput
            Where records of one of them are missing.
        CannotAnswer
            Where the records cannot tell them apart from the voltage, or have no fit.
        """
        return _compare(self.chosen(pool), self)


def _compare(records: LifeRecords, q: Compare) -> CompareAnswer:
    if len(set(records.slot.tolist())) > 1:
        raise BadInput("slot is missing: two are compared in one slot; there are: "
                       + ", ".join(sorted(set(records.slot.tolist()))))  # fmt: skip
    try:
        labels = records.column(q.by).astype(str)
    except KeyError:
        raise BadInput(f"by is a column of the records; none gives {q.by}") from None
    names = _two(records, labels, q)
    both = records.select(np.isin(labels, names))
    if not both.failures:
        raise CannotAnswer(
            f"No unit of {names[0]} or {names[1]} has failed, so nothing tells them apart; tests until some fail would."
        )
    adjust = varied_terms(both, ("charge_V", "temp_C"))
    refuse_unless(bool(adjust) or not q.use, "use", "no stress was varied, so none is adjusted for")
    fit = fit_stress(both, [*adjust, Term(q.by, "categorical")], q.family)
    found = Comparison(fit, q.by, names, q.confidence, q.seed)
    # levels of the other stresses; the label itself is what is compared
    fixed = fixed_levels(fit, q.by, levels(q.use))
    sides = []
    exponent = _exponent(fit, adjust)
    for name in names:
        own = both.select(both.column(q.by).astype(str) == name)
        life, lower = found.life(name, q.fraction, fixed)
        sides.append(
            Side(
                name, whole(own.units), whole(own.failures), life, lower,
                steps_of(_at_common(own, fixed, exponent), q.confidence),
            )
        )  # fmt: skip
    ratio = found.ratio()
    answer = CompareAnswer(
        q.by, q.family, q.fraction, q.confidence, ratio.estimate, ratio.lower, ratio.upper, found.sure(), sides[0],
        sides[1], dict(fixed), bool(np.isfinite(exponent)), notes=(*fit.notes, *_notes(both, q.by)),
    )  # fmt: skip
    return _helped(
        answer, {name: both.select(both.column(q.by).astype(str) == name) for name in names}
    )


def _helped(a: CompareAnswer, records: Mapping[str, LifeRecords]) -> CompareAnswer:
    """With the test that would tell the two apart."""
    r = a.ordered
    longer, other = group_of(r.longer, records[r.longer]), group_of(r.other, records[r.other])
    more, notes = separation_note(longer, other, r.estimate, r.lower)
    return replace(a, more=more, notes=a.notes + notes)


def _exponent(fit: StressFit, adjust: Sequence[Term]) -> float:
    """n in life ~ V^-n where the voltage alone is adjusted for; else nan."""
    if [t.name for t in adjust] != ["charge_V:power"]:
        return NAN
    at = next(j for j, c in enumerate(fit.design) if c.term.column == "charge_V")
    return float(fit.coefficients[at])


def _at_common(own: LifeRecords, fixed: Stress, exponent: float) -> LifeRecords:
    """Units at the shots that theirs stand for at the common voltage; as tested where the exponent is nan."""
    if not np.isfinite(exponent):
        return own
    return moved_units(slot_data(str(own.slot[0]), own, Asked(float(fixed["charge_V"]))), exponent)


def _two(records: LifeRecords, labels: np.ndarray, q: Compare) -> tuple[str, str]:
    """The two labels; raise BadInput where there are not both."""
    units = {str(v): records.select(labels == v).units for v in np.unique(labels) if str(v)}
    known = ", ".join(units) or "none"
    if q.first:
        for name, given in (("first", q.first), ("second", q.second)):
            if given not in units:
                raise BadInput(f"{name} is one of {known}, not {given[:40]!r}")
        return q.first, q.second
    if len(units) < 2:
        raise BadInput(f"by {q.by} there are not two to compare; there is: {known}")
    first, second = sorted(units, key=lambda v: (-units[v], v))[:2]
    return first, second


def _notes(records: LifeRecords, by: str) -> list[Note]:
    """What else differs between the two."""
    text = (
        "The two are taken to scatter alike (one shape). What else differs between them, such as builder, lot or "
        "inspection, is in the ratio too."
    )
    notes = [Note("common_shape", text)]
    for column in ("part", "builder"):
        if column != by and len(set(records.column(column).tolist()) - {""}) > 1:
            text = f"Records of several {column}s stand on the two sides; the ratio holds for their mixture."
            notes.append(Note(f"{column}s_mixed", text))
    return notes
