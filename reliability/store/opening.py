"""Opening a store's file: checked and brought to the present version, let go of again for other processes.

Threads of a process share one open database. It is closed as soon as nobody uses it, or, where a service
asks for that (``linger``), a moment later: opening takes longer than most of what is done in between. Even
a busy service lets go of the file twice a second, for long enough that another process gets its turn.

The file itself is never opened here beside the database: its locks belong to the process and would be lost
with the first handle that is closed.
"""

from __future__ import annotations

import contextlib
import os
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb

from reliability.store.schema import MIGRATIONS, VERSION, odd

LONGEST = 0.5
"""seconds that a file is held while others may wait for it"""
PAUSE = 0.06
"""seconds that it is let go of then"""
RETRY = 0.04
"""longest pause between two tries to open a file that another process holds"""
_CONFIG: dict[str, Any] = {"enable_external_access": "false", "lock_configuration": "true"}
_SOUND: set[tuple[str, int, int]] = set()
"""files found to be stores as we write them, by name, device and number"""


class StoreError(Exception):
    """The store cannot do what was asked; the message is for people."""


class Unsound(StoreError):
    """The file is no store as this program writes it, or damaged."""


def in_use(path: Path, wait: float) -> StoreError:
    """What is said where another program does not let go of a store."""
    return StoreError(
        f"another program has held the store {path} for more than "
        f"{wait:g} s; try again, or stop the other program"
    )


# --- private files -----------------------------------------------------------------------------

_MASK = threading.Lock()
_masked = 0
_before = 0


@contextlib.contextmanager
def private() -> Iterator[None]:
    """What is written meanwhile, the write-ahead file too, can be read by its owner only.

    The mask is the process's: the first of several threads sets it, the last one sets it back.
    """
    global _masked, _before
    with _MASK:
        if not _masked:
            _before = os.umask(0o077)
        _masked += 1
    try:
        yield
    finally:
        with _MASK:
            _masked -= 1
            if not _masked:
                os.umask(_before)


# --- one open database a file ------------------------------------------------------------------


class _Shared:
    """The open database of one file, if it is open, and who uses it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.turn = threading.Condition()
        self.root: duckdb.DuckDBPyConnection | None = None
        self.opening = False
        self.alone = False
        self.users = 0
        self.since = self.last = self.shut = 0.0
        self.file: tuple[int, int] | None = None
        self.timer: threading.Timer | None = None
        self.own = threading.local()

    def enter(self, wait: float, alone: bool) -> duckdb.DuckDBPyConnection:
        """A connection of its own to the shared database. Raises StoreError."""
        inside = getattr(self.own, "depth", 0)
        with self.turn:
            while not inside and self._must_wait(alone):
                self.turn.wait(0.05)
            if self.root is not None and not self.users and self._stale():
                self._close()
            if self.root is None:
                self._begin(wait)
            assert self.root is not None
            connection = self.root.cursor()
            self.users += 1
            self.alone = alone
            self.own.depth = inside + 1
            return connection

    def leave(self, connection: duckdb.DuckDBPyConnection, broken: bool, alone: bool) -> None:
        """Give a connection back."""
        with contextlib.suppress(duckdb.Error):
            connection.close()
        with self.turn:
            self.users -= 1
            self.own.depth -= 1
            self.alone = False
            self.last = time.monotonic()
            if not self.users and (broken or alone or not _linger or self._long()):
                self._close()
            elif not self.users and self.timer is None:
                self._later(_linger)
            self.turn.notify_all()

    def _must_wait(self, alone: bool) -> bool:
        """Whether somebody else is first: who opens, who is alone, other processes."""
        if self.opening or self.alone:
            return True
        if self.users:
            return alone or self._long()
        if self.root is not None and self._long():
            self._close()
        return time.monotonic() < self.shut + PAUSE

    def _long(self) -> bool:
        return time.monotonic() - self.since > LONGEST

    def _stale(self) -> bool:
        """Whether another file has taken the place of the one that is open."""
        return _number(self.path) != self.file

    def _begin(self, wait: float) -> None:
        """Open the file; others wait without holding up those who look at another file."""
        self.opening = True
        self.turn.release()
        root = None
        try:
            root = _connect(self.path, wait)
            migrate(self.path, root)
        except BaseException:
            if root is not None:
                root.close()
            raise
        finally:
            self.turn.acquire()
            self.opening = False
            self.turn.notify_all()
        self.root, self.since, self.file = root, time.monotonic(), _number(self.path)

    def _close(self) -> None:
        if self.root is not None:
            with contextlib.suppress(duckdb.Error):
                self.root.close()
            if self._long():
                self.shut = time.monotonic()
        self.root = None

    def _later(self, seconds: float) -> None:
        self.timer = threading.Timer(seconds, self._idle)
        self.timer.daemon = True
        self.timer.start()

    def _idle(self) -> None:
        """Close what nobody has used for a while."""
        with self.turn, private():
            self.timer = None
            if self.users or self.root is None:
                return
            left = self.last + _linger - time.monotonic()
            if left > 0.001:
                self._later(left)
            else:
                self._close()
                self.turn.notify_all()


_SHARED: dict[Path, _Shared] = {}
_SHARED_TURN = threading.Lock()
_WRITER = threading.RLock()
_linger = 0.0


def linger(seconds: float) -> None:
    """Have files stay open for so long after their last use; for services, which ask many times a second."""
    global _linger
    _linger = seconds


@contextlib.contextmanager
def opened(
    path: Path, wait: float, write: bool = False, alone: bool = False
) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to a store's file. Writers take turns; ``alone`` is with nobody else in the process.

    Raises
    ------
    StoreError
        If another program holds the file for longer than ``wait`` seconds, or it is no sound store.
    """
    with _SHARED_TURN:
        shared = _SHARED.setdefault(path.absolute(), _Shared(path))
    with private(), _WRITER if write else contextlib.nullcontext():
        connection = shared.enter(wait, alone)
        broken = False
        try:
            yield connection
        except (duckdb.FatalException, duckdb.InternalException, duckdb.IOException):
            broken = True
            raise
        finally:
            shared.leave(connection, broken, alone)


def _number(path: Path) -> tuple[int, int] | None:
    try:
        info = path.stat()
    except OSError:
        return None
    return info.st_dev, info.st_ino


def read_only(path: Path) -> bool:
    """Whether there is a file that cannot be written."""
    return path.exists() and not os.access(path, os.W_OK)


def _locked(error: Exception) -> bool:
    text = str(error).lower()
    return "lock" in text or "being used by another process" in text


def _connect(path: Path, wait: float) -> duckdb.DuckDBPyConnection:
    deadline = time.monotonic() + wait
    pause = 0.005
    while True:
        number = _number(path)
        try:
            found = duckdb.connect(str(path), read_only=read_only(path), config=_CONFIG)
            if number in (None, _number(path)):
                return found
            found.close()  # another store has been put in its place meanwhile
        except duckdb.Error as e:
            if not _locked(e):
                raise Unsound(
                    f"{path} cannot be opened as a store: {str(e).splitlines()[0]}"
                ) from None
            if time.monotonic() > deadline:
                raise in_use(path, wait) from None
        time.sleep(pause * (0.5 + random.random()))
        pause = min(2 * pause, RETRY)


# --- what is opened ----------------------------------------------------------------------------


def migrate(path: Path, connection: duckdb.DuckDBPyConnection) -> None:
    """Bring a store to the present version; refuse what is none. Raises StoreError."""
    found = connection.execute(
        "SELECT table_name FROM information_schema.tables WHERE table_schema = 'main'"
    ).fetchall()
    names = {r[0] for r in found}
    version = 0
    if "store_info" in names:
        rows = connection.execute(
            "SELECT value FROM store_info WHERE key = 'schema_version'"
        ).fetchall()
        said = str(rows[0][0]) if rows else "missing"
        if not (said.isascii() and said.isdigit() and int(said[:9]) >= 1 and len(said) < 10):
            raise Unsound(
                f"the store {path} gives no sound schema version ({said[:20]}); restore a backup"
            )
        version = int(said)
    elif names:
        raise Unsound(f"{path} is a database, but not a store of this program")
    if version > VERSION:
        raise Unsound(
            f"the store {path} was written by a newer version of shotlife (schema "
            f"{version}, this one knows {VERSION}); update shotlife"
        )
    if version < VERSION:
        _step_up(path, connection, version)
    _refuse_odd(path, connection)


def _step_up(path: Path, connection: duckdb.DuckDBPyConnection, version: int) -> None:
    """Take the store from an older version to the present one, whole or not at all."""
    if read_only(path):
        raise StoreError(
            f"the store {path} is of an older version (schema {version}) and lies in a place "
            "that cannot be written; copy it to one that can"
        )
    try:
        connection.execute("BEGIN")
        for step in MIGRATIONS[version:]:
            for statement in step:
                connection.execute(statement)
        connection.execute(
            "INSERT OR REPLACE INTO store_info VALUES ('schema_version', ?)", [str(VERSION)]
        )
        connection.execute("COMMIT")
    except (duckdb.BinderException, duckdb.CatalogException, duckdb.ConstraintException) as e:
        raise Unsound(
            f"the tables in {path} are not those of a store of schema {version} "
            f"({str(e).splitlines()[0]}); restore a backup"
        ) from None


def _refuse_odd(path: Path, connection: duckdb.DuckDBPyConnection) -> None:
    """Refuse a store that holds other than our tables; looked at once for each file."""
    number = _number(path)
    if number is None:
        return
    mark = (str(path), *number)
    if mark in _SOUND:
        return
    wrong = odd(connection)
    if wrong:
        raise Unsound(f"{path} is no store as this program writes it ({wrong}); restore a backup")
    _SOUND.add(mark)
