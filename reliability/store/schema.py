"""The store's tables, and the steps from each older version to the present one."""

from __future__ import annotations

import functools

import duckdb

from reliability.sheets.life import STRESSES

TEXT_COLUMNS = (
    "builder", "module", "slot", "unit", "part", "mode", "fuel", "revision", "date", "note",
)  # fmt: skip
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
    + ", ".join(f'"{c}" VARCHAR' for c in TEXT_COLUMNS)
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

MIGRATIONS: list[list[str]] = [_V1, _KEPT_ANSWERS]
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
