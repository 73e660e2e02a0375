"""Answers with published facts among the records, and how far these move the bound."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from reliability.decisions.question import Answer, OnRecords
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.order import in_order
from reliability.pool import Pool
from reliability.published_facts import BUILDER, Fact, facts, note_on_published, published_records
from reliability.records import join
from reliability.words import shots_text


def joined(question: OnRecords, pool: Pool) -> tuple[Pool, tuple[Fact, ...]]:
    """The pool with the published lives that pass the question's filters, and the facts they are from.

    Raises
    ------
    BadInput
        If none passes them: then the setting would have no effect.
    CannotAnswer
        If this installation has no published facts.
    """
    records, _ = published_records()
    own = [] if pool.life is None else [pool.life]
    whole = in_order(replace(pool, life=join([*own, records])))
    left = question.chosen(whole)
    ids = {f for f in left.column("fact") if f}
    if not ids:
        slots = ", ".join(sorted(set(records.slot.tolist())))
        raise BadInput(
            f"with_published has no effect here: no published life passes these filters; there are some of {slots}, "
            f"builder {BUILDER}"
        )
    used = tuple(f for f in facts() if f.id in ids)
    basis = replace(pool.basis, published=tuple(f.citation for f in used))
    return replace(whole, basis=basis), used


def answer_with_published(question: OnRecords, pool: Pool) -> tuple[Answer, Pool]:
    """The answer with published facts, with a note on what they change; and the pool it rests on.

    Where they change nothing, none being of the part and conditions asked for, that is the pool without them.

    Raises
    ------
    BadInput, CannotAnswer
        As the question itself does.
    """
    whole, used = joined(question, pool)
    found, rests_on = question.answer(whole), whole
    try:
        without = question.answer(pool)
        told = moved(without, found)
        if unmoved(without, found):
            found, rests_on = without, pool
    except CannotAnswer as e:
        told = f"Without them there is no answer: {e}"
    about = note_on_published(used)
    note = Note(about.code, f"{told} {about.text}")
    return replace(found, notes=(note, *found.notes)), rests_on


def moved(without: Answer, found: Answer) -> str:
    """How far the bound goes from the answer without published facts to that with them, in words."""
    before, after = bound_of(without), bound_of(found)
    if before is None or after is None or not np.isfinite([before, after]).all() or not before:
        return f"Without published facts: {without.sentence}"
    if before == after:
        return (
            f"Published facts do not move the bound here ({shots_text(after)} with and without them): none is of the "
            "part and conditions that it is for."
        )
    return (
        f"Published facts move the bound from {shots_text(before)} to {shots_text(after)} "
        f"(a factor of {after / before:.3g}). Without them: {without.sentence}"
    )


def unmoved(without: Answer, found: Answer) -> bool:
    """Whether published facts leave the bound where it was."""
    before = bound_of(without)
    return before is not None and before == bound_of(found)


def bound_of(answer: Any) -> float | None:
    """The bound that an answer's sentence promises, in shots or the level it allows; None if it has none."""
    for path in (("quantiles", 0, "lower"), ("promise", "shots"), ("allowed", "level"), ("life", "lower")):  # fmt: skip
        value: Any = answer
        try:
            for step in path:
                value = value[step] if isinstance(step, int) else getattr(value, step)
        except (AttributeError, IndexError):
            continue
        return float(value)
    return None
