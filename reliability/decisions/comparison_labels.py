"""Two labels of the records compared: parts, builders, lots, fuels, revisions, modules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from reliability.decisions.compare_helps import group_of, separation_note
from reliability.decisions.comparison_answer import CompareAnswer
from reliability.decisions.comparison_sides import (
    Footing,
    lives_of,
    of_both,
    refuse_unknown_voltage,
)
from reliability.decisions.life import Life
from reliability.decisions.life_at import point_of
from reliability.decisions.operating import refuse_idle, said_levels
from reliability.decisions.question import Level
from reliability.decisions.stress_terms import varied_terms
from reliability.life.compare import Comparison
from reliability.life.stress import ChangedTogether, Term, fit_stress
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.words import capital, range_text, stress_text


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
        Where nothing of one of them has failed, or the records cannot tell the two apart from the voltage.
    """

    def __init__(self, records: LifeRecords, f: Footing) -> None:
        labels = records.column(f.by).astype(str)
        self.both = records.select(np.isin(labels, f.names))
        self.own = {name: records.select(labels == name) for name in f.names}
        idle = [name for name in f.names if not self.own[name].failures]
        if idle:
            raise CannotAnswer(
                f"No unit of {' or '.join(idle)} has failed, so nothing tells how many times as long one of the two lives; "
                "tests until some fail would."
            )
        self.adjust = varied_terms(self.both, ("charge_V", "temp_C"))
        try:
            self.fit = fit_stress(self.both, [*self.adjust, Term(f.by, "categorical")], f.family)
        except ChangedTogether:
            raise CannotAnswer(_changed_together(self.own, self.adjust, f.by)) from None
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


def _changed_together(own: Mapping[str, LifeRecords], adjust: list[Term], by: str) -> str:
    """Why the two cannot be told from the stresses they were tested at, and which test would."""
    stresses = " and ".join(stress_text(t.column) for t in adjust)
    ran = ", ".join(
        f"{name} at {_levels_in_words(t.column, r)}" for name, r in own.items() for t in adjust
    )
    return (
        f"{capital(stresses)} and {by} changed together ({ran}), so what differs by the one cannot be told from what differs by "
        f"the other. Test both at the same {stresses} until some fail."
    )


def _levels_in_words(column: str, records: LifeRecords) -> str:
    levels = records.covariates[column]
    levels = levels[np.isfinite(levels)]
    if not levels.size:
        return "a level not recorded"
    return range_text(column, float(levels.min()), float(levels.max()))


def compare_labels(
    pool: Pool, records: LifeRecords, life: Life, said: Mapping[str, Level], f: Footing
) -> CompareAnswer:
    """The two compared: each one's life as the question of life has it at one operating point, and the ratio.

    Parameters
    ----------
    pool : Pool
    records : LifeRecords
        Of the slot.
    life : Life
        The question asked of each label.
    said : mapping
        What is said of the operating point; the rest is the commonest of the one with fewer units. Its part is one that
        both have, where there is one.

    Raises
    ------
    BadInput
    CannotAnswer
        Where no promise can be given for one of the two; where their units cannot be compared, with both promises.
    """
    point = _point_of_both(records, said, f)
    lives = lives_of(pool, life, {name: _chosen(life, f.by, name) for name in f.names}, point)
    at = {k: v for k, v in point.items() if all(k in a.at for a in lives.values())}
    used = records.select(records.part == point["part"]) if "part" in point else records
    answer = of_both(f, lives, at, str(records.slot[0]))
    try:
        m = Fitted(used, f)
    except CannotAnswer as e:
        raise CannotAnswer(str(e), answer) from None
    notes = (*m.fit.notes, *shared_notes(m.both, f.by))
    told = m.told(replace(answer, notes=answer.notes + notes))
    return replace(told, notes=told.notes + _divided_notes(told))


def _divided_notes(a: CompareAnswer) -> tuple[Note, ...]:
    """Why the ratio is in favour of one, and the promise of the other."""
    if not a.divided:
        return ()
    text = (
        f"{a.ordered.longer} lives longer as estimated, and {a.longer_promise} has the longer promise: the ratio takes both to "
        "scatter alike, each promise is about the first to fail and rests on the scatter and the number of its own units."
    )
    return (Note("ratio_and_promise", text),)


def _point_of_both(records: LifeRecords, said: Mapping[str, Level], f: Footing) -> dict[str, Level]:
    """The operating point at which both are shown; without a part where parts are compared, or none is common."""
    if f.by == "part" and "part" in said:
        raise BadInput("use says no part where by is part: first and second do")
    refuse_idle(said, [c for c in said if said_levels(c, records)], records)
    labels = records.column(f.by).astype(str)
    own = [records.select(labels == name) for name in f.names]
    common = set.intersection(*(set(r.part.tolist()) - {""} for r in own))
    alike = {str(said["part"])} if "part" in said else common
    if f.by != "part" and alike:
        own = [r.select(np.isin(r.part.astype(str), sorted(alike))) for r in own]
    refuse_unknown_voltage(f.names, own)
    point = point_of(min(own, key=lambda r: r.units), said, False, True)
    if f.by == "part" or not alike:
        point.pop("part", None)
    return point


def _chosen(life: Life, by: str, name: str) -> dict[str, tuple[str, ...]]:
    """The settings that choose the records of one label."""
    if by in ("part", "builder"):
        return {by: (name,)}
    return {"where": (*life.where, f"{by}={name}")}


def shared_notes(records: LifeRecords, by: str) -> list[Note]:
    """What else differs between the two."""
    others = [
        c for c in ("builder", "lot", "part") if c != by and not (by == "pool" and c == "builder")
    ]
    text = (
        f"The two are taken to scatter alike (one shape). What else differs between them, such as {others[0]}, {others[1]} or "
        "inspection, is in the ratio too."
    )
    notes = [Note("common_shape", text)]
    for column in ("part", "builder"):
        if column != by and len(set(records.column(column).tolist()) - {""}) > 1:
            text = f"Records of several {column}s stand on the two sides; the ratio holds for their mixture."
            notes.append(Note(f"{column}s_mixed", text))
    return notes
