"""Two labels of the records compared: parts, builders, lots, fuels, revisions, modules; one stress model for both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reliability.decisions.compare_helps import group_of, separation_note
from reliability.decisions.comparison_answer import CompareAnswer, Side
from reliability.decisions.parts import moved_units, steps_of
from reliability.decisions.question import Level, refuse_unless
from reliability.decisions.stress_terms import fixed_levels, varied_terms
from reliability.life.compare import Comparison
from reliability.life.stress import StressFit, Term, fit_stress
from reliability.life.stress_bounds import Stress
from reliability.notes import CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.slots.exposure import Asked, slot_data
from reliability.words import whole

NAN = float("nan")


@dataclass(frozen=True)
class Footing:
    """What two are compared on: the column and its two labels, share failed, confidence, family, seed."""

    by: str
    names: tuple[str, str]
    fraction: float
    confidence: float
    family: str
    seed: int


class Fitted:
    """One stress model of both: the ratio of their lives, and the test that would tell them apart.

    Parameters
    ----------
    records : LifeRecords
        Of one slot.
    f : Footing

    Raises
    ------
    CannotAnswer
        Where nothing has failed, or the records cannot tell the two apart from the voltage.
    """

    def __init__(self, records: LifeRecords, f: Footing) -> None:
        labels = records.column(f.by).astype(str)
        self.both = records.select(np.isin(labels, f.names))
        self.own = {name: records.select(labels == name) for name in f.names}
        if not self.both.failures:
            raise CannotAnswer(
                f"No unit of {f.names[0]} or {f.names[1]} has failed, so nothing tells them apart; tests until some fail would."
            )
        self.adjust = varied_terms(self.both, ("charge_V", "temp_C"))
        self.fit = fit_stress(self.both, [*self.adjust, Term(f.by, "categorical")], f.family)
        self.found = Comparison(self.fit, f.by, f.names, f.confidence, f.seed)

    def told(self, a: CompareAnswer) -> CompareAnswer:
        """The answer with the ratio, and with the test that would tell the two apart."""
        ratio = self.found.ratio()
        a = replace(
            a, ratio=ratio.estimate, lower=ratio.lower, upper=ratio.upper, sure=self.found.sure()
        )
        r = a.ordered
        longer, other = (group_of(name, self.own[name]) for name in (r.longer, r.other))
        more, notes = separation_note(longer, other, r.estimate, r.lower)
        return replace(a, more=more, notes=a.notes + notes)


def compare_labels(records: LifeRecords, f: Footing, use: Mapping[str, Level]) -> CompareAnswer:
    """The two compared, both shown at the stresses of ``use`` (else the median tested). Raises CannotAnswer."""
    m = Fitted(records, f)
    refuse_unless(bool(m.adjust) or not use, "use", "no stress was varied, so none is adjusted for")
    # levels of the other stresses; the label itself is what is compared
    fixed = fixed_levels(m.fit, f.by, use)
    exponent = _exponent(m.fit, m.adjust)
    sides = []
    for name, own in m.own.items():
        life, lower = m.found.life(name, f.fraction, fixed)
        steps = steps_of(_at_common(own, fixed, exponent), f.confidence)
        sides.append(Side(name, whole(own.units), whole(own.failures), life, lower, steps))
    answer = CompareAnswer(
        f.by, f.family, f.fraction, f.confidence, NAN, NAN, NAN, NAN, sides[0], sides[1], dict(fixed),
        bool(np.isfinite(exponent)), slot=str(m.both.slot[0]), notes=(*m.fit.notes, *shared_notes(m.both, f.by), for_choosing()),
    )  # fmt: skip
    return m.told(answer)


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


def for_choosing() -> Note:
    """The bounds beside the ratio lean on both groups and one shape: longer than what the slot's model promises."""
    text = (
        "These bounds are for choosing: they do not allow for early failures, or for builders and lots that differ. What "
        "may be promised, 'life' and 'module' tell: mostly less."
    )
    return Note("for_choosing", text)


def shared_notes(records: LifeRecords, by: str) -> list[Note]:
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
