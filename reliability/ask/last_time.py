"""What the last contributions changed: the facts as they stood before them, and the promise then and now."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from reliability.ask.asking import LookUp, key_of, restored
from reliability.ask.deeds import Deed
from reliability.ask.glance import Outline, read_outline
from reliability.ask.sources import Stored, basis_of, facts_key, joined_sides
from reliability.decisions.flight import Flight, FlightAnswer, FlightSlot
from reliability.decisions.module import Module, ModuleAnswer, SlotLife
from reliability.notes import CannotAnswer
from reliability.order import in_order
from reliability.pool import Basis, Pool
from reliability.records import LifeRecords
from reliability.store.store import Contribution, Reading
from reliability.words import counted, percent_text, shots_text, so_many_shots

COUNTS = ("accepted",)
SITTING = dt.timedelta(hours=1)
"""deeds closer than this are one sitting (a choice)"""
SEEN = 0.005
"""share by which a promise or a shape moves for it to be said (a choice)"""
Stand = frozenset[int]


@dataclass(frozen=True)
class LastTime:
    """The last change of what a question rests on, and what stood before it.

    Attributes
    ----------
    at : str
        When it ended, ISO 8601, UTC.
    came, gone : tuple of Contribution
        That count since, and that no longer do.
    before : frozenset of int
        Contributions that it rested on before.
    key : str
        What the answer of then was kept under.
    answer : ModuleAnswer or FlightAnswer, optional
        The answer of then, where the store still keeps it.
    why : str
        Why there was none, where that is kept.
    """

    at: str
    came: tuple[Contribution, ...]
    gone: tuple[Contribution, ...]
    before: Stand
    key: str
    answer: ModuleAnswer | FlightAnswer | None = None
    why: str = ""

    @property
    def text(self) -> str:
        """What came and went, in words."""
        parts = [f"{_named(self.came)} came"] if self.came else []
        parts += [f"{_named(self.gone)} no longer counts"] if self.gone else []
        return f"{' and '.join(parts)}, {self.at[:10]}"


def _named(found: Sequence[Contribution]) -> str:
    if len(found) > 1:
        return f"{counted(len(found), 'contribution')} ({', '.join(str(c.id) for c in found[:6])}{' …' if len(found) > 6 else ''})"
    return f"contribution {found[0].id} ({found[0].file} of {found[0].builders})"


def last_time(question: Module | Flight, source: Stored) -> LastTime | None:
    """The last change of the contributions that a question can rest on; None where there was nothing before it.

    Deeds less than an hour apart are one change; where that leaves nothing before, the last deed alone is.
    Reads the log and one kept answer; works nothing out. Raises StoreError.
    """
    if not source.box.exists:
        return None
    with read_outline(source.box) as (reading, known):
        found = _stands(reading.deeds())
        if not found or found[-1][1] != _accepted(known):
            return None  # the store is older than its log: how it stood cannot be told
        bearing = _bearing(known, question)
        change = _last_change(found, bearing)
        if change is None:
            return None
        at, before = change
        now = bearing(found[-1][1])
        by_id = {c.id: c for c in known.contributions}
        key = key_of(question, facts_key(_as_of(known, before), before))
        last = LastTime(
            at, tuple(by_id[k] for k in sorted(now - before)), tuple(by_id[k] for k in sorted(before - now)), before, key
        )  # fmt: skip
        return _with_kept(last, question, reading.kept_answer(key), _basis(known, before))


def pool_before(source: Stored, question: Module | Flight, last: LastTime) -> Pool:
    """The facts as they stood before. Raises StoreError, SheetError."""
    with read_outline(source.box) as (reading, known):
        life, files = _facts(reading, known, last.before)
        kinds = [k for k in question.needs if k != "life"]
        return in_order(Pool(life, **joined_sides(files, kinds), basis=_basis(known, last.before)))


def said(last: LastTime, now: ModuleAnswer | FlightAnswer) -> str:
    """The promise before and after, in a line; ``last`` with the answer of then, or why there was none."""
    after = promised(now)
    if last.answer is None:
        return f"Before {last.text}, there was no promise; now it is {so_many_shots(after)}."
    before = promised(last.answer)
    if abs(after - before) <= SEEN * before:
        return f"Since last time ({last.text}) the promise is {so_many_shots(after)} as before."
    change = abs(after / before - 1)
    why = why_shorter(last.answer, now) if after < before and not last.gone else ""
    return (
        f"Since last time ({last.text}) the promise went from {shots_text(before)} to {so_many_shots(after)}, "
        f"{percent_text(change)} {'more' if after > before else 'less'}.{why}"
    )


def why_shorter(before: ModuleAnswer | FlightAnswer, now: ModuleAnswer | FlightAnswer) -> str:
    """Why a promise is shorter though only good units came: they speak for a lower shape. Empty where that is not so.

    Good units that lasted just what is promised cannot shorten it (tests/test_slots.py); those that outlast failed ones can.
    """
    then, since = _slots(before), _slots(now)
    if then.keys() != since.keys():
        return ""
    pairs = [(then[k], since[k]) for k in then]
    if any(a.failed != b.failed or b.n < a.n for a, b in pairs):
        return ""
    fell = [(b.holds_down, a, b) for a, b in pairs if b.n > a.n and b.shape < a.shape * (1 - SEEN)]
    if not fell:
        return ""
    _, a, b = max(fell, key=lambda f: f[0])
    return (
        f" No unit more has failed. But the good ones outlasted those that failed, so lives of the {a.slot.replace('_', ' ')} are more unlike "
        f"than it seemed (shape {a.shape:.3g} before, {b.shape:.3g} now): more of them may end early, and that shortens the promise by "
        "more than the good shots lengthen it."
    )


def _slots(a: ModuleAnswer | FlightAnswer) -> dict[tuple[str, str], SlotLife | FlightSlot]:
    """The lanes of an answer, by slot and unit."""
    if isinstance(a, ModuleAnswer):
        return {(s.slot, ""): s for s in a.slots}
    return {(s.slot, s.unit): s for s in a.by_slot}


def promised(a: ModuleAnswer | FlightAnswer) -> float:
    """The shots that an answer promises."""
    return a.life.lower if isinstance(a, ModuleAnswer) else a.promise.shots


def _with_kept(
    last: LastTime, question: Module | Flight, kept: str | None, basis: Basis
) -> LastTime:
    if not kept:
        return last
    try:
        found = restored(question, LookUp(last.key, basis, kept))
    except CannotAnswer as e:
        return replace(last, why=str(e))
    return replace(last, answer=found) if isinstance(found, (ModuleAnswer, FlightAnswer)) else last


def _accepted(known: Outline) -> Stand:
    return frozenset(c.id for c in known.contributions if c.status in COUNTS)


def _stands(deeds: Sequence[Deed]) -> list[tuple[str, Stand]]:
    """What counted after each deed that changed it, with when; what a correction supersedes goes with it."""
    stand: Stand = frozenset()
    out: list[tuple[str, Stand]] = []
    came = 0
    for d in deeds:
        detail = json.loads(d.detail)
        gives = d.act in ("give", "correct") and detail.get("status") in COUNTS
        after = stand
        if d.act == "accept" or gives:
            after, came = stand | {d.contribution}, d.contribution
        elif d.act in ("supersede", "withdraw", "decline", "wait"):
            after = stand - {d.contribution}
        if after == stand:
            continue
        if d.act == "supersede" and out and detail.get("by") == came:
            out.pop()
        stand = after
        out.append((d.at, stand))
    return out


def _last_change(
    stands: Sequence[tuple[str, Stand]], bearing: Callable[[Stand], Stand]
) -> tuple[str, Stand] | None:
    """When the last sitting ended that changed what bears, and what bore before it."""
    empty: Stand = frozenset()
    now = bearing(stands[-1][1])
    k = len(stands) - 1
    while k > 0 and bearing(stands[k - 1][1]) == now:
        k -= 1
    at = stands[k][0]
    last = bearing(stands[k - 1][1]) if k else empty
    first = k
    while first > 0 and _time(stands[first][0]) - _time(stands[first - 1][0]) < SITTING:
        first -= 1
    before = bearing(stands[first - 1][1]) if first else empty
    before = before or last
    return (at, before) if before and before != now else None


def _time(at: str) -> dt.datetime:
    return dt.datetime.fromisoformat(at)


def _bearing(known: Outline, question: Module | Flight) -> Callable[[Stand], Stand]:
    def bearing(stand: Stand) -> Stand:
        then = replace(known, contributions=_as_of(known, stand))
        return then.bearing(question, COUNTS) if stand else stand

    return bearing


def _as_of(known: Outline, stand: Stand) -> tuple[Contribution, ...]:
    """The contributions with what counted then accepted, and nothing else."""
    return tuple(
        replace(c, status="accepted" if c.id in stand else "received") for c in known.contributions
    )


def _basis(known: Outline, stand: Stand) -> Basis:
    return basis_of(_as_of(known, stand), bearing=stand)


def _facts(
    reading: Reading, known: Outline, stand: Stand
) -> tuple[LifeRecords, list[tuple[str, bytes]]]:
    statuses = sorted({c.status for c in known.contributions if c.id in stand})
    others = [c.id for c in known.contributions if c.status in statuses and c.id not in stand]
    files = [(name, content) for k, name, content in reading.files(statuses) if k in stand]
    return reading.records(statuses, others), files
