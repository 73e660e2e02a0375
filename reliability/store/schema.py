"""The store's tables, and the steps from each older version to the present one."""

from __future__ import annotations

import functools

import duckdb

from reliability.sheets.life import STRESSES

_TEXTS_V1 = (
    "builder", "module", "slot", "unit", "part", "mode", "fuel", "revision", "date", "note",
)  # fmt: skip
_HISTORY_TEXTS = ("lot", "event", "removed")
TEXT_COLUMNS = (*_TEXTS_V1, *_HISTORY_TEXTS)
NUMBER_COLUMNS = ("shots_from", "shots_good", "shots_failed", "count", *STRESSES)

_V1 = [
    "CREATE TABLE store_info (key VARCHAR PRIMARY KEY, value VARCHAR)",
    "CREATE SEQUENCE contribution_id",
    """CREATE TABLE contribution (
        id BIGINT PRIMARY KEY, sha256 VARCHAR NOT NULL, file VARCHAR NOT NULL,
        kind VARCHAR NOT NULL, builders VARCHAR NOT NULL, licence VARCHAR,
        status VARCHAR NOT NULL CHECK (status IN ('received','accepted','declined','superseded')),
        received_at TIMESTAMP NOT NULL, decided_at TIMESTAMP, reason VARCHAR,
        superseded_by BIGINT, rows BIGINT NOT NULL)""",
    "CREATE TABLE life_record (contribution BIGINT NOT NULL, row BIGINT NOT NULL, "
    + ", ".join(f'"{c}" VARCHAR' for c in _TEXTS_V1)
    + ", "
    + ", ".join(f'"{c}" DOUBLE' for c in NUMBER_COLUMNS)
    + ", extra VARCHAR)",
    "CREATE TABLE bundle_file (contribution BIGINT NOT NULL, name VARCHAR NOT NULL, content BLOB NOT NULL)",
    """CREATE TABLE statement_history (module VARCHAR NOT NULL, made_at TIMESTAMP NOT NULL,
        store_state VARCHAR NOT NULL, answer VARCHAR NOT NULL)""",
]

_KEPT_ANSWERS = [
    """CREATE TABLE kept_answer (key VARCHAR PRIMARY KEY, made_at TIMESTAMP NOT NULL,
        size BIGINT NOT NULL, answer VARCHAR NOT NULL)""",
]

_HISTORIES = [f'ALTER TABLE life_record ADD COLUMN "{c}" VARCHAR' for c in _HISTORY_TEXTS]

_DEEDS = [
    # a status more; a check cannot be altered, so the table is made anew
    """CREATE TABLE contribution_anew (
        id BIGINT PRIMARY KEY, sha256 VARCHAR NOT NULL, file VARCHAR NOT NULL,
        kind VARCHAR NOT NULL, builders VARCHAR NOT NULL, licence VARCHAR,
        status VARCHAR NOT NULL CHECK (status IN ('received','accepted','declined','superseded','withdrawn')),
        received_at TIMESTAMP NOT NULL, decided_at TIMESTAMP, reason VARCHAR,
        superseded_by BIGINT, rows BIGINT NOT NULL)""",
    "INSERT INTO contribution_anew SELECT id, sha256, file, kind, builders, licence, status, received_at, "
    "decided_at, reason, superseded_by, rows FROM contribution",
    "DROP TABLE contribution",
    "ALTER TABLE contribution_anew RENAME TO contribution",
    # what a contribution that still waits will supersede once it is accepted
    "CREATE TABLE correction (contribution BIGINT NOT NULL, supersedes BIGINT NOT NULL)",
    "INSERT INTO correction SELECT superseded_by, id FROM contribution WHERE superseded_by IS NOT NULL",
    "UPDATE contribution SET superseded_by = NULL WHERE status <> 'superseded'",
    """CREATE TABLE deed (number BIGINT PRIMARY KEY, made_at VARCHAR NOT NULL, who VARCHAR NOT NULL,
        act VARCHAR NOT NULL, contribution BIGINT NOT NULL, detail VARCHAR NOT NULL,
        previous VARCHAR NOT NULL, hash VARCHAR NOT NULL)""",
]

_CITATIONS = [
    "CREATE TABLE citation (contribution BIGINT PRIMARY KEY, about VARCHAR NOT NULL)",
]

_DECISIONS = [
    """CREATE TABLE decision (number BIGINT PRIMARY KEY, made_at VARCHAR NOT NULL, who VARCHAR NOT NULL,
        name VARCHAR NOT NULL, remark VARCHAR NOT NULL, answer VARCHAR NOT NULL)""",
    # what was kept of a module's flight answers before there were decisions
    "INSERT INTO decision SELECT row_number() OVER (ORDER BY made_at), strftime(made_at, '%Y-%m-%dT%H:%M:%S+00:00'), "
    "'not said', 'flight ' || module, '', answer FROM statement_history",
    "DROP TABLE statement_history",
]

MIGRATIONS: list[list[str]] = [_V1, _KEPT_ANSWERS, _HISTORIES, _DEEDS, _CITATIONS, _DECISIONS]
"""MIGRATIONS[k] takes a store from version k to k + 1"""

VERSION = len(MIGRATIONS)


def _columns(connection: duckdb.DuckDBPyConnection) -> set[tuple[str, str, str]]:
    """Table, column and type of all tables proper; a view is none."""
    rows = connection.execute(
        "SELECT c.table_name, c.column_name, c.data_type FROM information_schema.columns c "
        "JOIN information_schema.tables t USING (table_schema, table_name) "
        "WHERE table_schema = 'main' AND t.table_type = 'BASE TABLE'"
    ).fetchall()
    return {(str(a), str(b), str(c)) for a, b, c in rows}


@functools.cache
def _expected() -> frozenset[tuple[str, str, str]]:
    """The same of a store that was just made."""
    with duckdb.connect() as c:
        for step in MIGRATIONS:
            for statement in step:
                c.execute(statement)
        return frozenset(_columns(c))


def odd(connection: duckdb.DuckDBPyConnection) -> str:
    """What of a store of the present version is not as written by this program, "" if nothing.

    A view or macro in a table's or function's place would run whatever its maker wished.
    """
    for what, listed in (("views", "duckdb_views()"), ("macros", "duckdb_functions()")):
        row = connection.execute(f"SELECT count(*) FROM {listed} WHERE NOT internal").fetchone()
        if row and row[0]:
            return f"it holds {what}"
    lacking = sorted(_expected() - _columns(connection))
    if lacking:
        table, column, kind = lacking[0]
        return f"{table}.{column} of type {kind} is missing"
    return ""
