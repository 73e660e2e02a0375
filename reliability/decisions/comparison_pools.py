"""Two pools to rest on, such as one builder's records against all: the promise on each, and whether their units differ."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from reliability.decisions.comparison_answer import EVERYTHING, CompareAnswer
from reliability.decisions.comparison_labels import Fitted, shared_notes
from reliability.decisions.comparison_sides import (
    Footing,
    lives_of,
    of_both,
    refuse_unknown_voltage,
)
from reliability.decisions.life import Life
from reliability.decisions.life_at import carried_by, point_of
from reliability.decisions.question import Level
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.words import capital

COLUMN = "pool"


def two_pools(records: LifeRecords, first: str, second: str) -> tuple[str, str]:
    """The pools said, or the builder with most units against all records. Raises BadInput."""
    if first:
        return first, second
    builders = {
        b: records.select(records.builder == b).units for b in set(records.builder.tolist())
    }
    if len(builders) < 2:
        raise BadInput(
            f"There are not two pools to compare: all units are of one builder, {', '.join(builders)}."
        )
    return min(builders, key=lambda b: (-builders[b], b)), EVERYTHING


def builders_of(pool: str, known: set[str], name: str) -> frozenset[str]:
    """The builders whose records a pool is: ``all``, one, or several joined by +. Raises BadInput."""
    if pool == EVERYTHING:
        return frozenset(known)
    if pool in known:
        return frozenset((pool,))
    found = frozenset(part.strip() for part in pool.split("+"))
    unknown = sorted(found - known)
    if unknown:
        raise BadInput(
            f"{name} is {EVERYTHING}, or one or more (joined by +) of {', '.join(sorted(known))}, not {unknown[0][:40]!r}"
        )
    return found


def compare_pools(
    pool: Pool, records: LifeRecords, life: Life, said: Mapping[str, Level], f: Footing
) -> CompareAnswer:
    """The promise of the slot's life on each of two pools, and the ratio of lives of what they do not share.

    Parameters
    ----------
    pool : Pool
    records : LifeRecords
        Of the slot, from all builders that count.
    life : Life
        The question asked of each pool.
    said : mapping
        What is said of the operating point; the rest is the commonest in the smaller of the two.

    Raises
    ------
    BadInput
    CannotAnswer
        Where one of them carries no promise; where their units cannot be compared, with both promises.
    """
    known = set(records.builder.tolist())
    own = [builders_of(name, known, which) for name, which in zip(f.names, ("first", "second"), strict=True)]  # fmt: skip
    if own[0] == own[1]:
        raise BadInput("second is another pool than first, not the same builders again")
    of = [records.select(np.isin(records.builder.astype(str), sorted(b))) for b in own]
    refuse_unknown_voltage(f.names, of)
    smaller = min(of, key=lambda r: r.units)
    point = point_of(smaller, dict(said), False, True)
    chosen = {name: {"builder": tuple(sorted(b))} for name, b in zip(f.names, own, strict=True)}
    lives = lives_of(pool, life, chosen, point)
    apart = _apart(f.names, own)
    answer = of_both(f, lives, lives[f.names[0]].at, str(records.slot[0]), tuple(apart))
    return _with_ratio(answer, records, apart, point, f)


def _apart(names: tuple[str, str], own: list[frozenset[str]]) -> dict[str, frozenset[str]]:
    """Whose units are compared, by name: those of one pool that the other has not, where one holds the other the rest of it."""
    a, b = own
    if a < b:
        return {names[0]: a, "the rest": b - a}
    if b < a:
        return {"the rest": a - b, names[1]: b}
    if a & b:
        return {f"the rest of {names[0]}": a - b, f"the rest of {names[1]}": b - a}
    return {names[0]: a, names[1]: b}


def _with_ratio(
    a: CompareAnswer, records: LifeRecords, apart: Mapping[str, frozenset[str]], point: Mapping[str, Level], f: Footing
) -> CompareAnswer:  # fmt: skip
    """With the ratio of lives of the units that the two pools do not share."""
    used = carried_by(records, point).records if point else records
    names = a.of
    of = {b: name for name, builders in apart.items() for b in builders}
    labels = np.array([of.get(str(b), "") for b in used.builder], dtype=object)
    told = replace(used, labels={**used.labels, COLUMN: labels})
    try:
        for name in names:
            if not (labels == name).any():
                raise CannotAnswer(f"none of {name} has a record that bears on this point.")
        fitted = Fitted(told, replace(f, by=COLUMN, names=(names[0], names[1])))
    except CannotAnswer as e:
        raise CannotAnswer(
            f"Whether units of {names[0]} and of {names[1]} differ cannot be told: {e}", a
        ) from None
    shared = [n for n in shared_notes(fitted.both, COLUMN) if n.code != "builders_mixed"]
    a = fitted.told(replace(a, notes=(*a.notes, *fitted.fit.notes, *shared)))
    return replace(a, notes=(*a.notes, *_advice(a, names)))


def _advice(a: CompareAnswer, names: tuple[str, ...]) -> tuple[Note, ...]:
    """Which of the two to rest on."""
    pair = f"{names[0]} and {names[1]}"
    pair = capital(pair) if pair.startswith("the rest") else pair
    if a.shown:
        text = (
            f"{pair} are shown to differ: a promise for units of the one rests on its own records; on both it holds "
            "for their mixture."
        )
    else:
        text = (
            f"{pair} are not shown to differ, which does not show that they are alike: the promise on several builders "
            "allows for how far they may differ, as far as their records show or hide."
        )
    return (Note("which_pool", text),)
