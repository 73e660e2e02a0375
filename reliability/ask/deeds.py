"""Deciding on contributions, and the log of who did what."""

from __future__ import annotations

import functools
from dataclasses import dataclass

from reliability.ask.sources import AnySource, Stored
from reliability.notes import BadInput
from reliability.store import Contribution
from reliability.store.deeds import Deed as Deed
from reliability.store.deeds import first_broken

ACTS = {"accept": "accepted", "decline": "declined", "withdraw": "withdrawn"}


@dataclass(frozen=True)
class DeedLog:
    """Who gave, corrected, withdrew and decided what.

    Attributes
    ----------
    deeds : tuple of Deed
        Oldest first; each carries the hash of the one before.
    broken : int or None
        First entry that was changed or follows one taken out; None if the chain holds.
    """

    deeds: tuple[Deed, ...]
    broken: int | None

    @functools.cached_property
    def givers(self) -> dict[int, str]:
        """Who gave each contribution."""
        given = [d for d in reversed(self.deeds) if d.act in ("give", "correct")]
        return {d.contribution: d.who for d in given}

    @functools.cached_property
    def deciders(self) -> dict[int, str]:
        """Who decided on each contribution last."""
        acts = (*ACTS, "supersede")
        return {d.contribution: d.who for d in self.deeds if d.act in acts}

    @property
    def sentence(self) -> str:
        """Whether the log holds."""
        if not self.deeds:
            return "No deed is logged yet."
        if self.broken is not None:
            return f"The log is broken from entry {self.broken} on: it was changed from outside."
        return (
            f"{len(self.deeds)} deeds, an unbroken chain; the last hash is {self.deeds[-1].hash}."
        )


def deed_log(source: AnySource) -> DeedLog:
    """The log of a store, checked."""
    if not isinstance(source, Stored) or not source.box.exists:
        return DeedLog((), None)
    with source.box.reading() as reading:
        found = tuple(reading.deeds())
    return DeedLog(found, first_broken(found))


def giver(log: DeedLog, number: int) -> str:
    """Who gave a contribution, "" if that was before the log was kept."""
    return log.givers.get(number, "")


def decider(log: DeedLog, number: int) -> str:
    """Who decided on a contribution last, "" if nobody has."""
    return log.deciders.get(number, "")


def decide(
    source: AnySource, number: int, act: str, by: str = "", reason: str = ""
) -> Contribution:
    """Accept, decline or withdraw a contribution of any kind; nothing is deleted.

    Raises
    ------
    BadInput
        For files, or an act that is none.
    StoreError
    """
    if not isinstance(source, Stored):
        raise BadInput("only contributions of a store are accepted, declined or withdrawn")
    if act not in ACTS:
        raise BadInput(f"what can be done with a contribution: {', '.join(ACTS)}; not {act!r}")
    return source.box.decide(number, ACTS[act], reason, by)
