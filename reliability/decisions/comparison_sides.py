"""The lives of two beside each other, each as the question of life answers it by itself, at one operating point."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from reliability.decisions.comparison_answer import CompareAnswer, Side
from reliability.decisions.found_out import of_each
from reliability.decisions.life import BY_THE_SLOT, Life
from reliability.decisions.life_answer import LifeAnswer
from reliability.decisions.question import Level
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords

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


def refuse_unknown_voltage(names: Sequence[str], own: Sequence[LifeRecords]) -> None:
    """Raise CannotAnswer where the tests of one say their voltage, and none of the other's does."""
    says = [bool(np.isfinite(r.covariates.get("charge_V", np.nan)).any()) for r in own]
    if len(set(says)) > 1:
        mute, other = names[says.index(False)], names[says.index(True)]
        raise CannotAnswer(
            f"No record of {mute} says its charge voltage, and those of {other} do: at which voltage both could be compared is not "
            f"known. Record charge_V with the units of {mute}."
        )


def lives_of(
    pool: Pool, life: Life, chosen: Mapping[str, Mapping[str, Any]], point: Mapping[str, Level]
) -> dict[str, LifeAnswer]:
    """The life of each of the two, by name.

    Parameters
    ----------
    pool : Pool
    life : Life
        The question asked of both.
    chosen : mapping
        Of each, what chooses its records.
    point : mapping
        The operating point.

    Raises
    ------
    CannotAnswer
        Where no promise can be given for one of them.
    """
    use = tuple(f"{k}={v:.10g}" if isinstance(v, float) else f"{k}={v}" for k, v in point.items())
    return {
        name: _life_of(pool, Life(**{**life.changed(), **own, "use": use}), name)
        for name, own in chosen.items()
    }


def _life_of(pool: Pool, own: Life, name: str) -> LifeAnswer:
    """The life of one; where the slot's own model answers, of that, which has Weibull lives only."""
    try:
        if own.family != "weibull" and np.isfinite(own.of_slot(pool).used.use_V):
            return _by_weibull(pool, own, name)
        return own.answer(pool)
    except BadInput as e:
        raise CannotAnswer(f"On {name}: {e}") from None
    except CannotAnswer as e:
        if isinstance(e.partial, LifeAnswer) and e.partial.quantiles:
            return e.partial
        raise CannotAnswer(f"On {name}: {e}") from None


def _by_weibull(pool: Pool, asked: Life, name: str) -> LifeAnswer:
    """The life by the slot's own model, which says so."""
    a = Life(**{**asked.changed(), **dict(BY_THE_SLOT)}).answer(pool)
    text = (
        f"What is promised of {name} is by the slot's own model, which takes Weibull lives, since not all of its tests ran at "
        f"the voltage shown; {asked.family} is the family of the ratio."
    )
    return replace(a, notes=(*a.notes, Note("family_of_ratio", text)))


def of_both(
    f: Footing, lives: Mapping[str, LifeAnswer], at: dict[str, Level], slot: str, of: tuple[str, ...] = ()
) -> CompareAnswer:  # fmt: skip
    """The two lives beside each other, without their ratio."""
    first, second = (
        Side(name, a.n, a.failed, a.quantiles[0].shots, a.quantiles[0].lower, a.empirical, a.curve)
        for name, a in lives.items()
    )
    moved = all("moved" in {n.code for n in a.notes} for a in lives.values())
    return CompareAnswer(
        f.by, f.family, f.fraction, f.confidence, NAN, NAN, NAN, NAN, first, second, at, moved, slot=slot, of=of,
        found=of_each({f"on {name}": a.found for name, a in lives.items()}), notes=_notes_of_both(lives),
    )  # fmt: skip


def _notes_of_both(lives: Mapping[str, LifeAnswer]) -> tuple[Note, ...]:
    """The notes of both lives, each with its name where the two differ; what helps one of them is not said here."""
    codes = ("would_help", "moved")
    own = {name: [n for n in a.notes if n.code not in codes] for name, a in lives.items()}
    one, other = own.values()
    shared = [n for n in one if n in other]
    apart = [
        Note(n.code, f"On {name}: {n.text}")
        for name, notes in own.items()
        for n in notes
        if n not in shared
    ]
    return (*shared, *apart)
