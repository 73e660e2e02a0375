"""The lives of two beside each other, each as the question of life answers it by itself, at one operating point."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from reliability.decisions.comparison_answer import Side
from reliability.decisions.found_out import FoundOut
from reliability.decisions.life import BY_THE_SLOT, Life
from reliability.decisions.life_answer import LifeAnswer
from reliability.decisions.question import Level
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords


def said_as(point: Mapping[str, Level]) -> tuple[str, ...]:
    """An operating point as settings say it."""
    return tuple(f"{k}={v:.10g}" if isinstance(v, float) else f"{k}={v}" for k, v in point.items())


def refuse_unknown_voltage(names: Sequence[str], own: Sequence[LifeRecords]) -> None:
    """Raise CannotAnswer where the tests of one say their voltage, and none of the other's does."""
    says = [bool(np.isfinite(r.covariates.get("charge_V", np.nan)).any()) for r in own]
    if len(set(says)) > 1:
        mute, other = names[says.index(False)], names[says.index(True)]
        raise CannotAnswer(
            f"No record of {mute} says its charge voltage, and those of {other} do: at which voltage both could be compared is not "
            f"known. Record charge_V with the units of {mute}."
        )


def life_of(pool: Pool, life: Life, name: str, settings: Mapping[str, Any]) -> LifeAnswer:
    """The life of one of the two; where the slot's own model answers, of that, which has Weibull lives only.

    Parameters
    ----------
    pool : Pool
    life : Life
        The question asked of both.
    name : str
    settings : mapping
        What chooses this one's records, and the operating point.

    Raises
    ------
    CannotAnswer
        Where no promise can be given for it.
    """
    own = Life(**{**life.changed(), **settings})
    plain = Life(**{**own.changed(), **dict(BY_THE_SLOT)})
    try:
        moved = np.isfinite(own.of_slot(pool).used.use_V)
        return _by_weibull(plain.answer(pool), name, own) if moved else own.answer(pool)
    except BadInput as e:
        raise CannotAnswer(f"On {name}: {e}") from None
    except CannotAnswer as e:
        if isinstance(e.partial, LifeAnswer) and e.partial.quantiles:
            return e.partial
        raise CannotAnswer(f"On {name}: {e}") from None


def _by_weibull(a: LifeAnswer, name: str, asked: Life) -> LifeAnswer:
    """The life by the slot's own model, which says so where another family was asked for."""
    if asked.family == "weibull":
        return a
    text = (
        f"What is promised of {name} is by the slot's own model, which takes Weibull lives, since not all of its tests ran at "
        f"the voltage shown; {asked.family} is the family of the ratio."
    )
    return replace(a, notes=(*a.notes, Note("family_of_ratio", text)))


def side_of(name: str, a: LifeAnswer) -> Side:
    """One of the two, from its life."""
    q = a.quantiles[0]
    return Side(name, a.n, a.failed, q.shots, q.lower, a.empirical, a.curve)


def all_moved(lives: Sequence[LifeAnswer]) -> bool:
    """Whether the data of each stand at the shots that they stand for at the operating point."""
    return all("moved" in {n.code for n in a.notes} for a in lives)


def notes_of_both(names: Sequence[str], lives: Sequence[LifeAnswer]) -> tuple[Note, ...]:
    """The notes of both lives, each with its name where the two differ; what helps one of them is not said here."""
    codes = ("would_help", "moved")
    own = [[n for n in a.notes if n.code not in codes] for a in lives]
    shared = [n for n in own[0] if n in own[1]]
    apart = [
        Note(n.code, f"On {name}: {n.text}")
        for name, notes in zip(names, own, strict=True)
        for n in notes
        if n not in shared
    ]
    return (*shared, *apart)


def found_of_both(names: Sequence[str], lives: Sequence[LifeAnswer]) -> tuple[FoundOut, ...]:
    """What would lengthen either promise without the bench, each with its name, most shots gained first."""
    each = [
        replace(found, what=f"on {name}: {found.what}")
        for name, a in zip(names, lives, strict=True)
        for found in a.found
    ]
    return tuple(sorted(each, key=lambda found: -found.gain))
