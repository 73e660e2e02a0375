"""A slot's bound if its units fail as their siblings do: a second figure, never the promise.

Siblings are the groups (builder and part) of the same slot that are not asked of. Their shapes make the bound
shorter or longer, nothing else of theirs does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reliability.decisions.question import Count
from reliability.notes import Note
from reliability.records import LifeRecords
from reliability.slots.promise import ModuleModel
from reliability.slots.siblings import LEAST_FAILURES, LEAST_GROUPS, siblings_of
from reliability.words import counted, percent_text, so_many_shots, whole

FEW = 20
"""failures above which a slot's own shape is told well enough (a choice)"""
SEVERAL_CAUSES = "failures of several causes, or not known of which"


@dataclass(frozen=True)
class AsSiblings:
    """What a slot's bound would be if its units failed in one way, as their siblings do.

    Attributes
    ----------
    groups : int
        Other groups of the slot, by builder and part, that tell a shape.
    failed : number
        In them.
    builders : tuple of str
        Whose they are.
    shape : tuple of 3 floats
        5 %, 50 % and 95 % points of the shape, as they tell it; a share of it is for an odd part.
    shots : float
        The bound.
    text : str
        The same in words.
    """

    groups: int
    failed: Count
    builders: tuple[str, ...]
    shape: tuple[float, float, float]
    shots: float
    text: str


@dataclass(frozen=True)
class Wish:
    """The bound asked of a slot: survival and confidence."""

    survival: float
    confidence: float


@dataclass(frozen=True)
class Looked:
    """A slot looked at for siblings: the figure, or in words why there is none."""

    slot: str
    found: AsSiblings | None
    why: str = ""


def look_at(model: ModuleModel, i: int, own: LifeRecords, pool: LifeRecords, wish: Wish) -> Looked | None:  # fmt: skip
    """A slot of a model beside its siblings; None where its own failures are enough.

    Parameters
    ----------
    model : ModuleModel
    i : int
        The slot.
    own : LifeRecords
        What its model rests on.
    pool : LifeRecords
        All records at hand, of any slot.
    wish : Wish
    """
    slot = model.slots[i]
    if slot.failures > FEW:
        return None
    kin = siblings_of(own, pool.select(pool.slot == own.slot[0]))
    if not kin.shapes.size:
        return Looked(slot.name, None, f"{kin.groups} other group{'' if kin.groups == 1 else 's'}")
    alone = model.with_shapes(i, kin.shapes)
    if alone is None:
        return Looked(slot.name, None, SEVERAL_CAUSES)
    if slot.name in model.early_seen():
        return Looked(slot.name, None, "early failures stand apart")
    shots = alone.promise(wish.survival, wish.confidence)
    low, middle, high = (kin.quantile(p) for p in (0.05, 0.5, 0.95))
    text = (
        f"If these units fail in one way, as their siblings do ({kin.groups} other groups, {counted(kin.failures, 'failure')}; shape "
        f"{low:.2g} to {high:.2g}): {percent_text(wish.survival)} last at least {so_many_shots(shots)}. Not so for an odd part."
    )
    return Looked(
        slot.name, AsSiblings(kin.groups, whole(kin.failures), kin.builders, (low, middle, high), shots, text)
    )  # fmt: skip


def sibling_notes(looked: Sequence[Looked | None]) -> tuple[Note, ...]:
    """For which slots there is no figure by siblings, and why."""
    why: dict[str, list[str]] = {}
    for s in looked:
        if s is not None and s.found is None:
            why.setdefault(s.why, []).append(s.slot)
    if not why:
        return ()
    told = "; ".join(f"{', '.join(slots)} ({reason})" for reason, slots in why.items())
    text = (
        f"No figure by siblings for {told}: it takes {LEAST_GROUPS} other groups of the slot, by builder and part, with {LEAST_FAILURES} "
        "failures or more each, and failures of one cause."
    )
    return (Note("no_siblings", text),)


def borrowed_from(found: Sequence[AsSiblings | None]) -> tuple[str, ...]:
    """Builders whose records these figures rest on."""
    return tuple(sorted({b for f in found if f is not None for b in f.builders}))
