"""Logs sent again: which contributions a log takes the place of, by whichever door either came.

One log of a builder stands for each module. A log that holds at least what an earlier one did supersedes
it, with its misfires and readings; one that holds less, or another piece, is refused in words, since
counts of pieces cannot be put together once they are reduced.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from reliability.ask.sources import Stored
from reliability.notes import BadInput
from reliability.records import LifeRecords
from reliability.sheets.life import LifeSheet
from reliability.sheets.shots.sheets import FROM_LOG
from reliability.sheets.side import SideSheet
from reliability.store import Contribution
from reliability.store.store import Reading

STANDING = ("accepted", "received")
_NAME = re.compile(r"(?P<log>(?:log|shots)-.+)-(?P<kind>life|wear|misfires|ignition)\.csv")

Spans = dict[tuple[str, str], tuple[float, float]]
"""first and last count by module and slot"""


@dataclass(frozen=True)
class _Earlier:
    """What an earlier log gave: its contributions, and the counts that it covered."""

    ids: tuple[int, ...]
    spans: Spans


def resent(
    to: Stored, sheets: Sequence[LifeSheet | SideSheet], named: Sequence[int] = ()
) -> tuple[int, ...]:
    """Contributions of earlier logs that a log's sheets take the place of.

    Parameters
    ----------
    to : Stored
    sheets : sequence
        Those of one log.
    named : sequence of int
        Contributions that are said to be superseded already.

    Raises
    ------
    BadInput
        If an earlier log holds shots of the same module that this one does not.
    """
    life = next((s for s in sheets if isinstance(s, LifeSheet)), None)
    if life is None or not to.box.exists:
        return ()
    mine = _spans(life.records)
    out: list[int] = []
    with to.box.reading() as reading:
        for old in _earlier(reading, life, set(named)):
            if {m for m, _ in mine}.isdisjoint(m for m, _ in old.spans):
                continue
            if lacking := _lacking(mine, old.spans):
                raise BadInput(
                    f"{life.file}: {lacking} in contribution {old.ids[0]}, an earlier log. {_ALLOWED}"
                )
            out += old.ids
    return tuple(out)


def whole_logs(to: Stored, named: Sequence[int]) -> tuple[int, ...]:
    """These contributions, and of each that a log gave the log's other sheets that stand: they go together."""
    if not named or not to.box.exists:
        return tuple(named)
    with to.box.reading() as reading:
        every = reading.contributions()
    logs = [(c, m["log"]) for c in every if (m := _NAME.fullmatch(c.file))]
    out = dict.fromkeys(named)
    for c, log in logs:
        if c.kind != "life":
            continue
        family = (c.id, *_given_with(c, log, logs))
        if not out.keys().isdisjoint(family):
            out |= dict.fromkeys(k.id for k, _ in logs if k.id in family and k.status in STANDING)
    return tuple(out)


_ALLOWED = (
    "Give the whole log again, its pieces together and oldest first (shotlife shots PIECE PIECE --add); or say which "
    "contribution this takes the place of (supersedes), or of all of this builder's (replace)."
)


def _lacking(mine: Spans, theirs: Spans) -> str:
    """What an earlier log holds that this one does not, in words; "" if nothing."""
    for (module, slot), (start, end) in theirs.items():
        if (module, slot) not in mine:
            return f"{slot} of {module} is not in this log, but"
        begun, last = mine[module, slot]
        if begun > start or last < end:
            return f"shots of {module} ({slot}) are {begun:g} to {last:g} in this log, but {start:g} to {end:g}"
    return ""


def _spans(r: LifeRecords) -> Spans:
    out: Spans = {}
    for m, s, start, end in zip(r.module, r.slot, r.shots_from, r.shots_good, strict=True):
        low, high = out.get((m, s), (start, end))
        out[m, s] = (min(low, start), max(high, end))
    return out


def _earlier(reading: Reading, life: LifeSheet, named: set[int]) -> list[_Earlier]:
    """Standing logs of the same builder that are not the very same."""
    own = [
        c for c in reading.contributions() if c.status in STANDING and c.builders in life.builders
    ]
    logs = [(c, m["log"]) for c in own if (m := _NAME.fullmatch(c.file))]
    every = [c.id for c in reading.contributions()]
    out = []
    for c, log in logs:
        if c.kind != "life" or c.id in named or c.sha256 == life.sha256:
            continue
        r = reading.records(STANDING, [k for k in every if k != c.id])
        notes = r.labels.get("note")
        if notes is None or not (notes == FROM_LOG).all():
            continue
        out.append(_Earlier((c.id, *_given_with(c, log, logs)), _spans(r)))
    return out


def _given_with(
    life: Contribution, log: str, logs: Sequence[tuple[Contribution, str]]
) -> list[int]:
    """Side sheets of the same log: those given after its life sheet and before the next one's."""
    later = [c.id for c, name in logs if name == log and c.kind == "life" and c.id > life.id]
    until = min(later, default=None)
    return [
        c.id for c, name in logs
        if name == log and c.kind != "life" and c.id > life.id and (until is None or c.id < until)
    ]  # fmt: skip
