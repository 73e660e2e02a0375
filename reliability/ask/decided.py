"""Decisions kept: an answer under a name, who kept it and why, and what has changed since."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from reliability.ask.asking import ask
from reliability.ask.plain import plain
from reliability.ask.questions import question_class
from reliability.ask.sources import AnySource, Stored, basis_of, method
from reliability.decisions.question import Answer, Question
from reliability.notes import BadInput, CannotAnswer
from reliability.store.kept import LONGEST, Kept

LONGEST_NAME = 100


@dataclass(frozen=True)
class Decision:
    """A kept decision.

    Attributes
    ----------
    number : int
    at, who, name, remark : str
        When (ISO 8601, UTC), by whom, under which name, and why.
    sentence : str
        What was answered then.
    asked : dict
        The question with all its settings.
    state, method : str
        Of the store, and of the methods, then.
    rests_on : tuple of (int, str)
        Contributions that it rests on, by number and hash.
    answer : dict
        The whole answer as it was.
    """

    number: int
    at: str
    who: str
    name: str
    remark: str
    sentence: str
    asked: dict[str, Any]
    state: str
    method: str
    rests_on: tuple[tuple[int, str], ...]
    answer: dict[str, Any]

    @property
    def question(self) -> Question:
        """What was asked, to be asked again. Raises BadInput where this version no longer knows it."""
        settings = {k: v for k, v in self.asked.items() if k != "question" and v is not None}
        return question_class(str(self.asked["question"]))(**settings)


@dataclass(frozen=True)
class Since:
    """What has changed since a decision was kept.

    Attributes
    ----------
    come, gone : tuple of int
        Contributions accepted since, and those that no longer count.
    other_method : bool
        Whether the methods are another version.
    sentence : str
        What the same question is answered now; "" where that was not asked.
    """

    come: tuple[int, ...]
    gone: tuple[int, ...]
    other_method: bool
    sentence: str = ""

    @property
    def unchanged(self) -> bool:
        """Whether it rests on the same facts and methods."""
        return not (self.come or self.gone or self.other_method)

    @property
    def text(self) -> str:
        """The same in words."""
        if self.unchanged:
            return "same facts, same methods"
        parts = []
        for numbers, words in ((self.come, "come"), (self.gone, "no longer counts")):
            if numbers:
                listed = ", ".join(map(str, numbers[:8])) + (" …" if len(numbers) > 8 else "")
                parts.append(f"contribution{'s' * (len(numbers) > 1)} {listed} {words}")
        if self.other_method:
            parts.append("another version of the methods")
        return "; ".join(parts)


def keep_decision(
    source: AnySource, answer: Answer, name: str, remark: str = "", by: str = ""
) -> Decision:
    """Keep an answer of a store in it.

    Raises
    ------
    BadInput
        For an answer from files, or a name or remark that is missing or too long.
    StoreError
    """
    if not isinstance(source, Stored):
        raise BadInput("a decision is kept in the store it rests on; this answer is from files")
    if not name.strip() or len(name) > LONGEST_NAME:
        raise BadInput(f"a decision is kept under a name of 1 to {LONGEST_NAME} characters")
    if len(remark) > LONGEST:
        raise BadInput(f"a remark has at most {LONGEST:,} characters")
    text = json.dumps(plain(answer), allow_nan=False)
    return _read(source.box.keep_decision(name.strip(), remark.strip(), by, text))


def decisions(source: AnySource) -> tuple[Decision, ...]:
    """The kept decisions of a store, oldest first. Raises StoreError."""
    if not isinstance(source, Stored) or not source.box.exists:
        return ()
    with source.box.reading() as reading:
        return tuple(_read(k) for k in reading.kept_decisions())


def decision(source: AnySource, number: int) -> Decision:
    """One of them. Raises BadInput where there is none of that number."""
    found = decisions(source)
    for d in found:
        if d.number == number:
            return d
    known = ", ".join(str(d.number) for d in found) or "none"
    raise BadInput(f"there is no kept decision {number}; there are: {known}")


def since(source: Stored, kept: Decision, again: bool = False) -> Since:
    """What has changed; ``again`` asks the same question anew. Raises BadInput, StoreError."""
    with source.box.reading() as reading:
        now = basis_of(reading.contributions(), bool(kept.asked.get("received")))
    standing = {(c.id, c.sha256) for c in now.contributions if c.id is not None}
    before = set(kept.rests_on)
    come = tuple(sorted(n for n, _ in standing - before))
    gone = tuple(sorted(n for n, _ in before - standing))
    sentence = ""
    if again:
        try:
            sentence = ask(kept.question, source).sentence
        except CannotAnswer as e:
            sentence = str(e)
    return Since(come, gone, kept.method != method(), sentence)


def _read(kept: Kept) -> Decision:
    answer: dict[str, Any] = json.loads(kept.answer)
    basis: Mapping[str, Any] = answer.get("basis") or {}
    rests = tuple((int(c["id"]), str(c["sha256"])) for c in basis.get("contributions", ()))
    return Decision(
        kept.number, kept.at, kept.who, kept.name, kept.remark, str(answer.get("sentence", "")), dict(answer.get("asked") or {}),
        str(basis.get("store", "")), str(basis.get("method", "")), rests, answer,
    )  # fmt: skip
