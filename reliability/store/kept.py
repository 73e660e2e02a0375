"""Decisions kept in the store: an answer with a name, a remark and who kept it. None is ever changed."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import duckdb

from reliability.store.deeds import NOBODY

LONGEST = 2000
"""characters of a remark"""


@dataclass(frozen=True)
class Kept:
    """One kept decision.

    Attributes
    ----------
    number : int
    at : str
        ISO 8601, UTC.
    who, name, remark : str
    answer : str
        JSON of the answer, with what was asked and what it rests on.
    """

    number: int
    at: str
    who: str
    name: str
    remark: str
    answer: str


def write_kept(c: duckdb.DuckDBPyConnection, name: str, remark: str, who: str, answer: str) -> Kept:
    """Put one at the end."""
    row = c.execute("SELECT coalesce(max(number), 0) + 1 FROM decision").fetchone()
    assert row is not None
    at = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    kept = Kept(int(row[0]), at, who.strip()[:300] or NOBODY, name, remark, answer)
    c.execute(
        "INSERT INTO decision VALUES (?, ?, ?, ?, ?, ?)",
        [kept.number, at, kept.who, name, remark, answer],
    )
    return kept


def kept_of(c: duckdb.DuckDBPyConnection) -> list[Kept]:
    """All of them, oldest first."""
    rows = c.execute(
        "SELECT number, made_at, who, name, remark, answer FROM decision ORDER BY number"
    ).fetchall()
    return [Kept(int(r[0]), *(str(v) for v in r[1:])) for r in rows]
