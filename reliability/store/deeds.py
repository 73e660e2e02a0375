"""The log of deeds: who gave, corrected, withdrew and decided what, each entry with the hash of the one before.

Nothing rewrites it. Whoever changes or takes out an entry breaks the chain from there on; the last
hash, noted elsewhere, shows whether entries were cut off at the end.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import duckdb

ACTS = ("give", "correct", "supersede", "accept", "decline", "withdraw", "wait")
NOBODY = "not said"
_FIRST = "0" * 64


@dataclass(frozen=True)
class Deed:
    """One entry.

    Attributes
    ----------
    number : int
    at : str
        ISO 8601, UTC.
    who : str
        Person, token or account, as the shell knows them.
    act : str
        ``give``, ``correct``, ``supersede``, ``accept``, ``decline``,
        ``withdraw`` or ``wait`` (set back to waiting).
    contribution : int
    detail : str
        JSON: hash of the file, status, reason, contributions that it corrects.
    before, hash : str
        SHA-256 of the entry before, and of this one with it.
    """

    number: int
    at: str
    who: str
    act: str
    contribution: int
    detail: str
    before: str
    hash: str

    def computed(self) -> str:
        """The hash that this entry must carry."""
        parts = [
            self.number,
            self.at,
            self.who,
            self.act,
            self.contribution,
            self.detail,
            self.before,
        ]
        return hashlib.sha256(json.dumps(parts, ensure_ascii=True).encode()).hexdigest()


def write_deed(
    c: duckdb.DuckDBPyConnection, who: str, act: str, contribution: int, detail: Mapping[str, Any]
) -> None:
    """Put one entry at the end, within the transaction of the deed itself."""
    row = c.execute("SELECT number, hash FROM deed ORDER BY number DESC LIMIT 1").fetchone()
    number, before = (int(row[0]) + 1, str(row[1])) if row else (1, _FIRST)
    at = dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")
    text = json.dumps(
        {k: v for k, v in detail.items() if v not in ("", None, [])}, ensure_ascii=False
    )
    deed = Deed(number, at, who.strip()[:300] or NOBODY, act, contribution, text, before, "")
    c.execute(
        "INSERT INTO deed VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [number, at, deed.who, act, contribution, text, before, deed.computed()],
    )


def deeds_of(c: duckdb.DuckDBPyConnection) -> list[Deed]:
    """All entries, oldest first."""
    rows = c.execute(
        "SELECT number, made_at, who, act, contribution, detail, previous, hash FROM deed ORDER BY number"
    ).fetchall()
    return [Deed(*r) for r in rows]


def first_broken(deeds: Sequence[Deed]) -> int | None:
    """Number of the first entry that was changed, or that follows one taken out; None if the chain holds."""
    before = _FIRST
    for i, d in enumerate(deeds):
        if d.number != i + 1 or d.before != before or d.hash != d.computed():
            return i + 1
        before = d.hash
    return None
