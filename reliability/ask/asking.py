"""One call: a source and a question give an answer, kept or worked out."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from reliability.ask.plain import from_text, to_text
from reliability.ask.published import answer_with_published
from reliability.ask.sources import (
    AnySource,
    Stored,
    basis_of,
    facts_key,
    method,
    pool_of_reading,
    read_pool,
    resting,
    source_of,
    statuses,
)
from reliability.decisions.question import Answer, OnRecords, Question
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Basis, Pool
from reliability.published_facts import version


def ask(
    question: Question,
    source: AnySource | Path | str | Sequence[Path | str] | None = None,
    *,
    fresh: bool = False,
) -> Answer:
    """The answer to a question, with what was asked and what it rests on.

    Parameters
    ----------
    question : Question
    source : Stored, Files, Pool, path or paths, optional
        Default: the user's own store. A path is a sheet or bundle.
    fresh : bool
        Work it out anew even where the store keeps the answer.

    Raises
    ------
    BadInput
        For settings that do not go with the data.
    CannotAnswer
        Where the data cannot answer; ``partial`` holds the part that they can, or None.
    SheetError, StoreError
        Where files or store cannot be read.

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Modes(slot=("main_capacitor",)), rl.demo())
    >>> a.modes[0].mode, a.asked["confidence"]
    ('short', 0.95)
    """
    if not isinstance(question, Question):
        raise BadInput(
            f"a question is built from its class, such as Life(at=(500,)), not {question!r}"
        )
    origin = source_of(source)
    if isinstance(origin, Stored) and origin.box.exists:
        return _ask_store(question, origin, fresh)
    received = bool(getattr(question, "received", False))
    return _finish(question, read_pool(origin, question.needs, received))


def _ask_store(question: Question, origin: Stored, fresh: bool) -> Answer:
    found = look_up(question, origin, fresh)
    if found.kept:
        answer = restored(question, found.kept, found.basis)
        if answer is not None:
            return answer
        found = look_up(question, origin, fresh=True)
    assert found.pool is not None
    outcome = outcome_of(question, found.pool)
    origin.box.keep_answer(found.key, outcome)
    answer = restored(question, outcome, found.basis)
    assert answer is not None
    return answer


@dataclass(frozen=True)
class LookUp:
    """What a store has for a question, read at one moment.

    Attributes
    ----------
    key : str
        What its answer is kept under.
    basis : Basis
    kept : str
        The outcome kept, "" if there is none.
    pool : Pool or None
        What it is to be worked out from; None where the outcome is kept.
    """

    key: str
    basis: Basis
    kept: str = ""
    pool: Pool | None = None


def look_up(question: Question, origin: Stored, fresh: bool = False) -> LookUp:
    """The kept outcome of a question, or the pool to work it out from. Raises StoreError, SheetError."""
    received = bool(getattr(question, "received", False))
    with origin.box.reading() as reading:
        contributions = reading.contributions()
        used = [c for c in contributions if c.status in statuses(received)]
        key = key_of(question, facts_key(used, question.needs))
        basis = basis_of(contributions, received)
        kept = None if fresh else reading.kept_answer(key)
        if kept:
            return LookUp(key, basis, kept)
        pool = pool_of_reading(reading, contributions, question.needs, received)
    return LookUp(key, basis, "", pool)


def outcome_of(question: Question, pool: Pool) -> str:
    """The answer, or why there is none, as the text that is kept. Raises BadInput."""
    try:
        return json.dumps({"answer": to_text(_finish(question, pool))})
    except CannotAnswer as e:
        partial = to_text(e.partial) if isinstance(e.partial, Answer) else None
        return json.dumps({"cannot": str(e), "partial": partial})


def key_of(question: Question, facts: str) -> str:
    """What an answer is kept under: the facts used, the question, the version of the methods."""
    published = version() if getattr(question, "with_published", False) else ""
    text = json.dumps([facts, question.asked(), method(), published], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def restored(question: Question, kept: str, basis: Basis) -> Answer | None:
    """The answer of a kept outcome; None if it cannot be read. Raises CannotAnswer where that was the outcome."""
    try:
        said: dict[str, Any] = json.loads(kept)
        text = said.get("answer") or said.get("partial")
        found = from_text(question.answer_type, text) if text else None
        why = said.get("cannot")
    except (ValueError, TypeError, AttributeError):
        return None
    whole = None if found is None else replace(found, basis=_as_then(basis, found.basis))
    if isinstance(why, str) and why:
        raise _told(CannotAnswer(why, whole), question, basis)
    return whole


def _as_then(now: Basis, then: Basis) -> Basis:
    """The present basis, marked with what the kept answer used."""
    kept = {c.id: c for c in then.contributions}
    marked = tuple(
        replace(c, used=c.id in kept and kept[c.id].used, kinds=kept.get(c.id, c).kinds)
        for c in now.contributions
    )
    return replace(now, contributions=marked, published=then.published)


def _told(e: CannotAnswer, question: Question, basis: Basis) -> CannotAnswer:
    """The refusal with what was asked, and what it rests on."""
    e.asked, e.basis = question.asked(), basis
    return e


def _finish(question: Question, pool: Pool) -> Answer:
    """Answer, with what was asked and what it rests on; grave notes first."""

    def complete(a: Answer) -> Answer:
        return replace(
            a, asked=question.asked(), basis=resting(pool.basis, question, pool),
            notes=ordered(pool.notes + a.notes),
        )  # fmt: skip

    try:
        if isinstance(question, OnRecords) and question.with_published:
            found, pool = answer_with_published(question, pool)
            return complete(found)
        return complete(question.answer(pool))
    except CannotAnswer as e:
        if isinstance(e.partial, Answer):
            e.partial = complete(e.partial)
        _told(e, question, pool.basis)
        raise


GRAVE = (
    "not_recorded", "published_facts",
    "contradiction", "not_carried", "early_failures", "poor_fit", "family_matters", "reversed_exponent", "none_allowed",
    "parts_mixed", "dependent_slots", "extrapolated", "above_rating", "stress_mixed", "builders_disagree", "unverified_contribution",
)  # fmt: skip


def ordered(notes: Sequence[Note]) -> tuple[Note, ...]:
    """Each note once, grave ones first."""
    return tuple(sorted(dict.fromkeys(notes), key=lambda n: n.code not in GRAVE))
