"""The store's tables, and the steps from each older version to the present one."""

from __future__ import annotations

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

_CITATIONS = [
    "CREATE TABLE citation (contribution BIGINT PRIMARY KEY, about VARCHAR NOT NULL)",
]

MIGRATIONS: list[list[str]] = [_V1, _KEPT_ANSWERS, _CITATIONS]
"""MIGRATIONS[k] takes a store from version k to k + 1"""

VERSION = len(MIGRATIONS)
