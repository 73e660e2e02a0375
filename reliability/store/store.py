"""Opening the DuckDB store, adding contributions, reading records back.

A connection is opened for each operation and closed after it, so that several processes can take
turns; while another holds the file we wait, but not for ever. Every write is one transaction.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb
import numpy as np

from reliability.citations import Citation
from reliability.records import LifeRecords
from reliability.sheets.life import LifeSheet
from reliability.sheets.side import SideSheet
from reliability.sheets.table import SheetError
from reliability.store.columns import records_from_arrow, records_to_arrow
from reliability.store.deeds import Deed, deeds_of, write_deed
from reliability.store.facts import Stored, check_against, repeated, stored_contradictions
from reliability.store.kept import Kept, kept_of, write_kept
from reliability.store.opening import StoreError, Unsound, opened, read_only

MOST_KEPT = 2000
MOST_KEPT_BYTES = 64 << 20
"""answers kept in a store, and their size together"""


_DECIDED = {
    "accepted": "accept", "declined": "decline", "withdrawn": "withdraw", "received": "wait",
}  # fmt: skip
"""status after a decision: the deed"""


@dataclass(frozen=True)
class Contribution:
    """What one file brought.

    Attributes
    ----------
    id : int
    sha256, file, kind, builders, licence : str
        ``kind`` is ``life``, ``wear``, ``misfires`` or ``ignition``; ``builders`` a comma-separated list.
    status : str
        ``received``, ``accepted``, ``declined``, ``withdrawn`` or ``superseded``.
    received_at : str
        ISO 8601, UTC.
    reason : str
        Of the decision, "" if none was given.
    superseded_by : int or None
    rows : int
    citation : Citation
        As its bundle gives it; its title is "" for a plain sheet.
    """

    id: int
    sha256: str
    file: str
    kind: str
    builders: str
    licence: str
    status: str
    received_at: str
    reason: str
    superseded_by: int | None
    rows: int
    citation: Citation = field(default_factory=lambda: Citation(""))


@dataclass(frozen=True)
class Added:
    """Outcome of adding a file.

    Attributes
    ----------
    contribution : Contribution
        The new one, or the one that has these bytes or facts already.
    new : bool
        False if nothing was stored.
    repeated : int
        Rows whose facts are stored already, left out so that they do not count twice.
    """

    contribution: Contribution
    new: bool
    repeated: int = 0


def default_path() -> Path:
    """Where the store lives unless a command says otherwise: $SHOTLIFE_STORE, else the user's data folder."""
    given = os.environ.get("SHOTLIFE_STORE")
    return Path(given) if given else usual_path()


def usual_path() -> Path:
    """The store in the user's data folder, which every command takes in any shell."""
    from platformdirs import user_data_path

    return user_data_path("shotlife", appauthor=False) / "store.duckdb"


class Store:
    """A DuckDB store of contributions.

    Parameters
    ----------
    path : Path or str
    wait : float
        Seconds to wait for another process to let go of the file.
    """

    def __init__(self, path: Path | str, wait: float = 10.0) -> None:
        self.path = Path(path)
        self.wait = wait

    @property
    def exists(self) -> bool:
        """Whether there is a store yet."""
        return self.path.exists()

    @contextlib.contextmanager
    def _open(self, write: bool, alone: bool = False) -> Iterator[duckdb.DuckDBPyConnection]:
        if write:
            self._prepare()
        elif not self.exists:
            raise StoreError(
                f"there is no store at {self.path} yet; add a life sheet with "
                "'shotlife add FILE', or try 'shotlife demo'"
            )
        if self.exists and not self.path.is_file():  # a pipe would be waited for without end
            raise StoreError(f"{self.path} is no file, so no store can be there")
        try:
            with opened(self.path, self.wait, write, alone) as connection:
                if write and read_only(self.path):
                    raise StoreError(
                        f"the store {self.path} lies in a place that cannot be written; nothing was changed"
                    )
                yield connection
        except (duckdb.BinderException, duckdb.ParserException, duckdb.CatalogException):
            raise  # a fault of ours, not of the file
        except duckdb.Error as e:
            hint = "; restore a backup" if "orrupt" in str(e) else ""
            raise Unsound(
                f"the store {self.path} could not be used: {str(e).splitlines()[0]}{hint}"
            ) from None

    def _prepare(self) -> None:
        """The folder of a store that is to be written."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError as e:
            raise StoreError(f"cannot make the folder of {self.path}: {e.strerror}") from None

    # --- writing ---------------------------------------------------------------------------

    def add(
        self,
        sheet: LifeSheet,
        *,
        status: str = "accepted",
        licence: str = "",
        supersedes: Sequence[int] = (),
        other: dict[str, bytes] | None = None,
        by: str = "",
    ) -> Added:
        """Store a checked life sheet as one contribution.

        The same bytes again change nothing and give the contribution that has them; so do the same
        facts under other bytes (see ``facts``). ``other`` are further files of a bundle, kept as they
        came. ``supersedes`` are contributions that it corrects: at once if it is accepted, else when it
        will be. ``by`` is who gives it, for the log of deeds.

        Raises
        ------
        StoreError
            If the contribution to supersede does not exist or already is superseded.
        SheetError
            If records contradict stored ones; nothing is stored then.
        """
        with self._open(write=True) as c:
            c.execute("BEGIN")
            builders = sheet.builders
            new_id, same = self._enter(
                c, sheet.sha256, sheet.file, "life", builders, licence, status, len(sheet.records)
            )
            if same is not None:
                return same
            old = self._stored(c, builders, supersedes)
            again = repeated(sheet.file, sheet.records, old)
            if again.all() and again.size and not other and not supersedes:
                first = _contribution_of(sheet.records, old)
                c.execute("ROLLBACK")
                return Added(self._contribution(c, first), False, int(again.sum()))
            rows = np.flatnonzero(~again)
            kept = sheet.records if rows.size == again.size else sheet.records.select(rows)
            check_against(sheet.file, kept, rows, old)
            if again.any():
                c.execute("UPDATE contribution SET rows = ? WHERE id = ?", [int(rows.size), new_id])
            frame = records_to_arrow(kept, rows + 2)
            c.register("incoming", frame)
            names = ", ".join(f'"{n}"' for n in frame.column_names)
            c.execute(
                f"INSERT INTO life_record (contribution, {names}) SELECT ?, {names} FROM incoming",
                [new_id],
            )
            if sheet.citation is not None:
                about = json.dumps(sheet.citation.as_dict())
                c.execute("INSERT INTO citation VALUES (?, ?)", [new_id, about])
            for name, content in (other or {}).items():
                if name.endswith(".parquet"):
                    # logs are large: beside the store, under the hash of their content
                    self._keep_log(content)
                    continue
                c.execute("INSERT INTO bundle_file VALUES (?, ?, ?)", [new_id, name, content])
            self._given(c, new_id, supersedes, by)
            c.execute("COMMIT")
            c.unregister("incoming")
            return Added(self._contribution(c, new_id), True, int(again.sum()))

    def _stored(
        self, c: duckdb.DuckDBPyConnection, builders: Sequence[str], without: Sequence[int] = ()
    ) -> Stored:
        """Life records that stand (accepted or waiting) of some builders, less some contributions."""
        table = c.sql(
            "SELECT r.*, f.file FROM life_record r JOIN contribution f ON f.id = r.contribution "
            "WHERE f.status IN ('accepted', 'received') AND list_contains(?, r.builder) "
            "AND NOT list_contains(?, r.contribution) ORDER BY r.contribution, r.row",
            params=[list(builders), [*without, -1]],
        ).to_arrow_table()
        number = table.column("contribution").to_pylist()
        return Stored(
            records_from_arrow(table),
            np.array(number, np.int64),
            np.array(table.column("row").to_pylist(), np.int64),
            dict(zip(number, table.column("file").to_pylist(), strict=True)),
        )

    def stored(self, builders: Sequence[str], without: Sequence[int] = ()) -> Stored:
        """Life records of some builders that stand (accepted or waiting), with where each came from;
        those of some contributions left out."""
        with self._open(write=False) as c:
            return self._stored(c, builders, without)

    def contradictions(self) -> list[str]:
        """Contradictions among the stored life records, one sentence each, naming both rows.

        New records that contradict are refused; a store from before that may hold some. Mend them by
        adding a corrected file that supersedes the contribution, or decline one of the two.
        """
        with self._open(write=False) as c:
            names = c.execute("SELECT DISTINCT builder FROM life_record").fetchall()
            return stored_contradictions(self._stored(c, [str(n[0]) for n in names]))

    def add_side(
        self,
        sheet: SideSheet,
        *,
        status: str = "accepted",
        licence: str = "",
        supersedes: Sequence[int] = (),
        by: str = "",
    ) -> Added:
        """Store a checked wear, misfire or ignition sheet as one contribution; the same bytes once."""
        with self._open(write=True) as c:
            c.execute("BEGIN")
            new_id, same = self._enter(
                c, sheet.sha256, sheet.file, sheet.kind, sheet.builders, licence, status, sheet.rows
            )
            if same is not None:
                return same
            c.execute(
                "INSERT INTO bundle_file VALUES (?, ?, ?)", [new_id, sheet.name, sheet.content]
            )
            self._given(c, new_id, supersedes, by)
            c.execute("COMMIT")
            return Added(self._contribution(c, new_id), True)

    @property
    def log_folder(self) -> Path:
        """Where shot logs of bundles, and sums made of logs, are kept."""
        return self.path.parent / "shotlogs"

    def _keep_log(self, content: bytes) -> None:
        place = self.log_folder / f"{hashlib.sha256(content).hexdigest()[:24]}.parquet"
        if place.exists():
            return
        try:
            place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            draft = place.with_suffix(".part")
            draft.write_bytes(content)
            draft.replace(place)
        except OSError as e:
            raise StoreError(
                f"the bundle's shot log cannot be kept in {place.parent}: {e.strerror}"
            ) from None

    def _enter(
        self,
        c: duckdb.DuckDBPyConnection,
        sha256: str,
        file: str,
        kind: str,
        builders: Sequence[str],
        licence: str,
        status: str,
        rows: int,
    ) -> tuple[int, Added | None]:
        """Number of a new contribution; or, rolled back, the one that has these bytes already."""
        same = c.execute(
            "SELECT id FROM contribution WHERE sha256 = ? AND kind = ?", [sha256, kind]
        ).fetchone()
        if same:
            c.execute("ROLLBACK")
            return 0, Added(self._contribution(c, same[0]), False)
        row = c.execute("SELECT nextval('contribution_id')").fetchone()
        assert row is not None
        now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
        c.execute(
            "INSERT INTO contribution VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, '', NULL, ?)",
            [
                row[0], sha256, file, kind, ", ".join(builders), licence, status, now,
                now if status == "accepted" else None, rows,
            ],
        )  # fmt: skip
        return int(row[0]), None

    def _given(
        self,
        c: duckdb.DuckDBPyConnection,
        new: int,
        supersedes: Sequence[int],
        by: str,
    ) -> None:
        """What a new contribution does to those it corrects, and its entry in the log of deeds."""
        old = list(supersedes)
        one = self._contribution(c, new)
        for number in old:
            self._standing(c, number)
            c.execute("INSERT INTO correction VALUES (?, ?)", [new, number])
        detail = {"sha256": one.sha256, "file": one.file, "status": one.status, "corrects": old}
        write_deed(c, by, "correct" if old else "give", new, detail)
        if one.status == "accepted":
            self._supersede(c, new, by)

    def _standing(self, c: duckdb.DuckDBPyConnection, old: int) -> None:
        row = c.execute("SELECT status FROM contribution WHERE id = ?", [old]).fetchone()
        if row is None:
            c.execute("ROLLBACK")
            raise StoreError(f"there is no contribution {old} to supersede")
        if row[0] == "superseded":
            c.execute("ROLLBACK")
            raise StoreError(f"contribution {old} is superseded already")

    def _supersede(self, c: duckdb.DuckDBPyConnection, new: int, by: str) -> None:
        """An accepted contribution takes the place of those it corrects, as far as they still stand."""
        rows = c.execute(
            "SELECT k.supersedes FROM correction k JOIN contribution o ON o.id = k.supersedes "
            "WHERE k.contribution = ? AND o.status <> 'superseded' ORDER BY 1",
            [new],
        ).fetchall()
        for (old,) in rows:
            c.execute(
                "UPDATE contribution SET status = 'superseded', superseded_by = ? WHERE id = ?",
                [new, old],
            )
            write_deed(c, by, "supersede", old, {"by": new})

    def _still_superseded(self, c: duckdb.DuckDBPyConnection, one: Contribution) -> bool:
        """Whether what took its place stands; if that was withdrawn or declined, it may come back."""
        if one.superseded_by is None:
            return True
        return self._contribution(c, one.superseded_by).status not in ("withdrawn", "declined")

    def decide(
        self, contribution: int, status: str, reason: str = "", by: str = ""
    ) -> Contribution:
        """Accept, decline or withdraw a contribution, or let it wait again; ``by`` is who decides.

        Raises
        ------
        StoreError
            For an unknown contribution, or one that is superseded.
        """
        if status not in _DECIDED:
            raise StoreError(
                f"a contribution can be accepted, declined or withdrawn, not {status!r}"
            )
        with self._open(write=True) as c:
            now = self._contribution(c, contribution)
            if now.status == "superseded" and self._still_superseded(c, now):
                raise StoreError(f"contribution {contribution} is superseded; nothing to decide")
            left = now.status in ("declined", "withdrawn")
            if left and status in ("accepted", "received") and now.kind == "life":
                self._check_return(c, now)
            c.execute("BEGIN")
            c.execute(
                "UPDATE contribution SET status = ?, reason = ?, decided_at = ? WHERE id = ?",
                [status, reason, dt.datetime.now(dt.UTC).replace(tzinfo=None), contribution],
            )
            write_deed(c, by, _DECIDED[status], contribution, {"reason": reason, "was": now.status})
            if status == "accepted":
                self._supersede(c, contribution, by)
            c.execute("COMMIT")
            return self._contribution(c, contribution)

    def _check_return(self, c: duckdb.DuckDBPyConnection, own: Contribution) -> None:
        """Refuse to take back declined records that others repeat or contradict by now."""
        table = c.sql(
            "SELECT * FROM life_record WHERE contribution = ? ORDER BY row", params=[own.id]
        ).to_arrow_table()
        records = records_from_arrow(table)
        rows = np.array(table.column("row").to_pylist(), np.intp) - 2
        old = self._stored(c, sorted(set(records.builder.tolist())), (own.id,))
        try:
            again = repeated(own.file, records, old)
            check_against(own.file, records.select(~again), rows[~again], old)
        except SheetError as e:
            raise StoreError(f"contribution {own.id} cannot be taken back: {e}") from None
        if again.any():
            raise StoreError(
                f"contribution {own.id} cannot be taken back: {int(again.sum())} of its records are stored "
                f"again since, in contribution {_contribution_of(records, old)}"
            )

    # --- reading ---------------------------------------------------------------------------

    def _contribution(self, c: duckdb.DuckDBPyConnection, number: int) -> Contribution:
        rows = c.execute(f"{_CONTRIBUTION} WHERE id = ?", [number]).fetchall()
        if not rows:
            raise StoreError(f"there is no contribution {number}")
        return _as_contribution(rows[0])

    def contributions(self) -> list[Contribution]:
        """All contributions, oldest first."""
        with self.reading() as r:
            return r.contributions()

    @contextlib.contextmanager
    def reading(self) -> Iterator[Reading]:
        """Everything at one moment: all that is read inside is of one transaction."""
        with self._open(write=False) as c:
            c.execute("BEGIN TRANSACTION")
            try:
                yield Reading(c)
            finally:
                c.execute("ROLLBACK")

    def records(self, statuses: Sequence[str] = ("accepted",)) -> LifeRecords:
        """Life records of contributions with one of these statuses, in the order they came."""
        with self.reading() as r:
            return r.records(statuses)

    def bundle_files(self, statuses: Sequence[str] = ("accepted",)) -> list[tuple[int, str, bytes]]:
        """Other files that came in bundles (wear.csv, misfires.csv), as they came."""
        with self.reading() as r:
            return r.files(statuses)

    # --- kept answers ----------------------------------------------------------------------

    def stamp(self) -> tuple[int, ...] | None:
        """Of the file as it is: another after every change of the store, the same while there is none.

        A change makes the write-ahead file longer, or is in the file itself, whose time then changes;
        its time goes in steps of some milliseconds, opening it twice takes longer. None where there is
        no file.
        """
        try:
            info = self.path.stat()
        except OSError:
            return None
        try:
            ahead = self.path.with_name(self.path.name + ".wal").stat()
            beside = (ahead.st_size, ahead.st_mtime_ns)
        except OSError:
            beside = (0, 0)
        return (info.st_dev, info.st_ino, info.st_size, info.st_mtime_ns, *beside)

    def keep_answer(self, key: str, answer: str) -> None:
        """Keep an answer (text) under its key; the oldest go when there are too many.

        A store that cannot be written keeps nothing: answers are then worked out each time.
        """
        if not os.access(self.path, os.W_OK):
            return
        now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
        with self._open(write=True) as c:
            c.execute("BEGIN")
            c.execute(
                "INSERT OR REPLACE INTO kept_answer VALUES (?, ?, ?, ?)",
                [key, now, len(answer), answer],
            )
            c.execute(
                "DELETE FROM kept_answer WHERE key IN (SELECT key FROM (SELECT key, "
                "row_number() OVER newest AS place, sum(size) OVER newest AS total "
                "FROM kept_answer WINDOW newest AS (ORDER BY made_at DESC, key)) "
                "WHERE place > ? OR total > ?)",
                [MOST_KEPT, MOST_KEPT_BYTES],
            )
            c.execute("COMMIT")

    def keep_decision(self, name: str, remark: str, who: str, answer: str) -> Kept:
        """Keep an answer (JSON text) under a name for good."""
        with self._open(write=True) as c:
            c.execute("BEGIN")
            kept = write_kept(c, name, remark, who, answer)
            c.execute("COMMIT")
        return kept

    def settle(self) -> None:
        """Have all that is stored in the file itself, nothing in its write-ahead file. Raises StoreError."""
        with self._open(write=False, alone=True) as c:
            self._settle(c)

    def _settle(self, c: duckdb.DuckDBPyConnection) -> None:
        if os.access(self.path, os.W_OK):
            c.execute("CHECKPOINT")

    def copy_to(self, target: Path) -> None:
        """Copy the whole store to a file, while nobody can change it. Raises StoreError."""
        with self._open(write=False, alone=True) as c:
            self._settle(c)
            try:
                shutil.copyfile(self.path, target)
            except OSError as e:
                raise StoreError(f"the store cannot be copied to {target}: {e.strerror}") from None

    def state(self) -> str:
        """A short hash of what estimates rest on: it changes with every accepted change."""
        with self.reading() as r:
            return state_of(r.contributions())


class Reading:
    """A store at one moment; see ``Store.reading``."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._c = connection

    def contributions(self) -> list[Contribution]:
        """All contributions, oldest first."""
        rows = self._c.execute(f"{_CONTRIBUTION} ORDER BY id").fetchall()
        return [_as_contribution(r) for r in rows]

    def records(
        self,
        statuses: Sequence[str] = ("accepted",),
        without: Sequence[int] = (),
        builders: Sequence[str] | None = None,
    ) -> LifeRecords:
        """Life records of contributions with one of these statuses, in the order they came.

        ``without`` are contributions to leave out; ``builders`` those whose records are wanted, all if None.
        """
        marks = ", ".join("?" for _ in statuses)
        where, params = [f"c.status IN ({marks})"], list[Any](statuses)
        where += [f"c.id <> {int(n)}" for n in without]
        if builders is not None:
            where.append("r.builder IN (SELECT unnest(?))")
            params.append(list(builders))
        table = self._c.sql(
            "SELECT r.* FROM life_record r JOIN contribution c ON c.id = r.contribution "
            f"WHERE {' AND '.join(where)} ORDER BY r.contribution, r.row",
            params=params,
        ).to_arrow_table()
        return records_from_arrow(table)

    def deeds(self) -> list[Deed]:
        """The log of deeds, oldest first."""
        return deeds_of(self._c)

    def files(self, statuses: Sequence[str] = ("accepted",)) -> list[tuple[int, str, bytes]]:
        """Sheets of other kinds (wear.csv, misfires.csv), with their contribution, as they came."""
        marks = ", ".join("?" for _ in statuses)
        rows = self._c.execute(
            "SELECT f.contribution, f.name, f.content FROM bundle_file f JOIN contribution c "
            f"ON c.id = f.contribution WHERE c.status IN ({marks}) ORDER BY 1, 2",
            list(statuses),
        ).fetchall()
        return [(int(r[0]), str(r[1]), bytes(r[2])) for r in rows]

    def kept_decisions(self) -> list[Kept]:
        """Decisions kept for good, oldest first."""
        return kept_of(self._c)

    def life_held(self) -> list[tuple[int, str, str, bool]]:
        """Contribution, slot and builder of the life records, each once, and whether any names an event."""
        rows = self._c.execute(
            "SELECT contribution, slot, builder, bool_or(coalesce(event, '') <> '') FROM life_record "
            "GROUP BY 1, 2, 3 ORDER BY 1, 2, 3"
        ).fetchall()
        return [(int(c), str(slot), str(builder), bool(tied)) for c, slot, builder, tied in rows]

    def files_held(self) -> list[tuple[int, str]]:
        """Contribution and name of every sheet of another kind."""
        rows = self._c.execute(
            "SELECT contribution, name FROM bundle_file ORDER BY 1, 2"
        ).fetchall()
        return [(int(c), str(name)) for c, name in rows]

    def kept_answer(self, key: str) -> str | None:
        """The answer kept under a key, None if there is none."""
        # all rows: one left open would stand in the way of the next reading
        rows = self._c.execute("SELECT answer FROM kept_answer WHERE key = ?", [key]).fetchall()
        return str(rows[0][0]) if rows else None

    def last_answer(self, start: str) -> tuple[str, str] | None:
        """The newest answer kept under a key that begins so, and when it was made (ISO 8601, UTC)."""
        rows = self._c.execute(
            "SELECT answer, made_at FROM kept_answer WHERE starts_with(key, ?) ORDER BY made_at DESC LIMIT 1",
            [start],
        ).fetchall()
        return (str(rows[0][0]), rows[0][1].isoformat(timespec="seconds") + "Z") if rows else None


def state_of(contributions: Sequence[Contribution], statuses: Sequence[str] = ("accepted",)) -> str:
    """A short hash of the contributions that count; what waits, or was declined, is not in it."""
    used = [(c.id, c.sha256) for c in contributions if c.status in statuses]
    return hashlib.sha256(json.dumps(used).encode()).hexdigest()[:12]


def _contribution_of(records: LifeRecords, old: Stored) -> int:
    """The contribution that holds the first of these records already."""
    key = zip(
        old.records.builder, old.records.module, old.records.slot, old.records.unit, strict=True
    )
    place = {k: i for i, k in reversed(list(enumerate(key)))}
    for k in zip(records.builder, records.module, records.slot, records.unit, strict=True):
        if k[3] and k in place:
            return int(old.contribution[place[k]])
    raise StoreError("none of these records is stored")


_CONTRIBUTION = (
    "SELECT id, sha256, file, kind, builders, licence, status, received_at, reason, "
    "superseded_by, rows, about FROM contribution LEFT JOIN citation ON citation.contribution = id"
)


def _as_contribution(row: tuple[Any, ...]) -> Contribution:
    values = list(row)
    values[7] = values[7].isoformat(timespec="seconds") + "Z"
    values[5] = values[5] or ""
    values[8] = values[8] or ""
    values[11] = Citation.from_dict(json.loads(values[11])) if values[11] else Citation("")
    return Contribution(*values)
