"""One call: a source and a question give an answer, kept or worked out."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from reliability.ask.glance import Outline, read_outline, remembered
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
from reliability.store.store import Reading


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
        answer = restored(question, found)
        if answer is not None:
            return answer
        found = look_up(question, origin, fresh=True)
    assert found.pool is not None
    outcome = outcome_of(question, found.pool)
    keep(origin, found.key, outcome)
    answer = restored(question, replace(found, kept=outcome))
    assert answer is not None
    return answer


@dataclass(frozen=True)
class Older:
    """The newest answer to a question whose facts have grown since.

    Attributes
    ----------
    answer : Answer
        With the basis it had then.
    made_at : str
        ISO 8601, UTC.
    since : int
        Contributions that count now and did not then.
    """

    answer: Answer
    made_at: str
    since: int


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
    older : Older or None
        An answer from before the last contributions, where all that it rests on still stands.
    """

    key: str
    basis: Basis
    kept: str = ""
    pool: Pool | None = None
    older: Older | None = None

    @property
    def without_pool(self) -> LookUp:
        """The same for who waits: the pool goes to the worker."""
        return LookUp(self.key, self.basis)


def look_up(question: Question, origin: Stored, fresh: bool = False) -> LookUp:
    """The kept outcome of a question, or the pool to work it out from. Raises StoreError, SheetError."""
    received = bool(getattr(question, "received", False))
    quick = None if fresh else glimpse(question, origin)
    if quick is not None and quick.kept:
        return quick
    with read_outline(origin.box) as (reading, known):
        key, basis = _key_and_basis(question, known, received)
        kept = None if fresh else reading.kept_answer(key)
        if kept:
            _RECENT.put(key, kept)
            return LookUp(key, basis, kept)
        mark = mark_of(question)
        if (last := reading.last_answer(mark + ".")) is not None:
            _LAST.put(mark, last)
        older = _older(question, mark, basis)
        pool = _pool_of(question, origin, (reading, known), basis)
    return LookUp(key, basis, "", pool, older)


def _pool_of(
    question: Question, origin: Stored, now: tuple[Reading, Outline], basis: Basis
) -> Pool:
    """What a question is worked out from: the pool of one before, where it was of the same facts."""
    reading, known = now
    received = bool(getattr(question, "received", False))
    standing = tuple((c.id, c.status) for c in known.contributions)
    key = str(origin.box.path), question.needs, received, basis, standing
    found: Pool | None = _POOLS.get(key)
    if found is None:
        bearing = known.bearing(question, statuses(received))
        found = pool_of_reading(reading, known.contributions, question.needs, received, bearing)
        _POOLS.put(key, found)
    return found


def glimpse(question: Question, origin: Stored) -> LookUp | None:
    """The same from memory alone: without a pool, ``kept`` and ``older`` as far as this process knows.

    None where the store has changed since it was read last. Opens nothing.
    """
    known = remembered(origin.box)
    if known is None:
        return None
    key, basis = _key_and_basis(question, known, bool(getattr(question, "received", False)))
    kept = _RECENT.get(key) or ""
    older = None if kept else _older(question, mark_of(question), basis)
    return LookUp(key, basis, kept, None, older)


def _key_and_basis(question: Question, known: Outline, received: bool) -> tuple[str, Basis]:
    bearing = known.bearing(question, statuses(received))
    key = key_of(question, facts_key(known.contributions, bearing))
    return key, basis_of(known.contributions, received, bearing=bearing)


def _older(question: Question, mark: str, now: Basis) -> Older | None:
    """The last answer, unless something that it rests on was taken back since: then it may be wrong."""
    last = _LAST.get(mark)
    if last is None:
        return None
    found = _last_read(question, mark, last[0])
    if found is None:
        return None
    then = found.basis.contributions
    stand = {(c.id, c.sha256) for c in now.contributions}
    if not {(c.id, c.sha256) for c in then if c.used} <= stand:
        return None
    there = {c.id for c in then}
    return Older(found, last[1], sum(c.used and c.id not in there for c in now.contributions))


def _last_read(question: Question, mark: str, outcome: str) -> Answer | None:
    name = f"{mark} {hash(outcome)}"
    found: Answer | None = _READ.get(name)
    if found is not None:
        return found
    try:
        text = json.loads(outcome).get("answer")
        found = from_text(question.answer_type, text) if text else None
    except (ValueError, TypeError, AttributeError):
        return None
    if found is not None:
        _READ.put(name, found)
    return found


def keep(origin: Stored, key: str, outcome: str) -> None:
    """Keep an outcome in the store, and in this process. Raises StoreError."""
    _RECENT.put(key, outcome)
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None).isoformat(timespec="seconds") + "Z"
    _LAST.put(key.partition(".")[0], (outcome, now))
    origin.box.keep_answer(key, outcome)


class _Recent:
    """Outcomes that were asked for lately, by key; and answers read from them."""

    def __init__(self, most: int = 200) -> None:
        self._most = most
        self._turn = threading.Lock()
        self._kept: OrderedDict[object, Any] = OrderedDict()

    def get(self, key: object) -> Any:
        with self._turn:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def put(self, key: object, value: Any) -> None:
        with self._turn:
            self._kept[key] = value
            self._kept.move_to_end(key)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)


_RECENT = _Recent()
"""outcomes by key"""
_LAST = _Recent()
"""the newest outcome of a question and when it was made, by the question's mark"""
_READ = _Recent()
"""answers as read from outcomes"""
_POOLS = _Recent(2)
"""pools read last, by the facts in them"""


def outcome_of(question: Question, pool: Pool) -> str:
    """The answer, or why there is none, as the text that is kept. Raises BadInput."""
    try:
        return json.dumps({"answer": to_text(_finish(question, pool))})
    except CannotAnswer as e:
        partial = to_text(e.partial) if isinstance(e.partial, Answer) else None
        return json.dumps({"cannot": str(e), "partial": partial})


def key_of(question: Question, facts: str) -> str:
    """What an answer is kept under: the question, the version of the methods, and the facts it may rest on."""
    return f"{mark_of(question)}.{facts}"


def mark_of(question: Question) -> str:
    """A question and the version of the methods, whatever the facts."""
    published = version() if getattr(question, "with_published", False) else ""
    text = json.dumps([question.asked(), method(), published], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def restored(question: Question, found: LookUp) -> Answer | None:
    """The answer of a kept outcome; None if it cannot be read. Raises CannotAnswer where that was the outcome."""
    mark = f"{found.key} {found.basis.store}"
    answer: Answer | None = _READ.get(mark)
    if answer is None:
        answer = _read_back(question, found.kept, found.basis)
        if answer is not None:
            _READ.put(mark, answer)
    return answer


def _read_back(question: Question, kept: str, basis: Basis) -> Answer | None:
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
            a, asked=question.asked(), basis=resting(pool.basis, question, pool, a.borrowed),
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
    "doubtful", "mode_of_good", "not_recorded", "published_facts",
    "contradiction", "not_carried", "early_failures", "poor_fit", "family_matters", "reversed_exponent", "none_allowed",
    "parts_mixed", "dependent_slots", "extrapolated", "above_rating", "stress_mixed", "builders_disagree", "unverified_contribution",
    "no_voltage", "began_past_limit",
)  # fmt: skip


def ordered(notes: Sequence[Note]) -> tuple[Note, ...]:
    """Each note once, grave ones first."""
    return tuple(sorted(dict.fromkeys(notes), key=lambda n: n.code not in GRAVE))
