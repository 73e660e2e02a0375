"""Copies of a store that can be relied on: made under the lock, hashed, read back before they count."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
import shutil
import tempfile
import time
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reliability.store.opening import StoreError, Unsound, in_use
from reliability.store.store import Store

MANIFEST = "backup.json"
NAME = "store.duckdb"
LOGS = "shotlogs"
ROLES = ("access.json", "sign_in.toml")
"""who may do what, and the kept sign-in: only on request"""
LARGEST_MANIFEST = 16 << 20
_LOG = re.compile(LOGS + r"/[A-Za-z0-9_-][A-Za-z0-9._-]{0,120}\.parquet", re.ASCII)


@dataclass(frozen=True)
class Backup:
    """What a backup holds.

    Attributes
    ----------
    state : str
        The store's state (see ``Store.state``).
    contributions, records : int
    logs : int
        Shot logs kept beside the store.
    bytes : int
        Of the backup file.
    roles : tuple of str
        Files of roles and sign-in in it.
    """

    state: str
    contributions: int
    records: int
    logs: int
    bytes: int
    roles: tuple[str, ...] = ()


def _sha256(path: Path) -> str:
    h = hashlib.sha256()
    with path.open("rb") as f:
        while block := f.read(1 << 20):
            h.update(block)
    return h.hexdigest()


def _counts(path: Path) -> tuple[str, int, int]:
    """State, contributions and records of a store, by reading all of it."""
    box = Store(path)
    every = ("accepted", "received", "declined", "superseded", "withdrawn")
    box.bundle_files(every)
    return box.state(), len(box.contributions()), len(box.records(every))


def _refuse_target(box: Store, target: Path) -> None:
    if target.exists() or target.is_symlink():
        raise StoreError(f"{target} is there already; a backup is not written over another file")
    if target.resolve().is_relative_to(box.log_folder.resolve()):
        raise StoreError(f"{target} is among the shot logs; a backup goes elsewhere")
    if target.suffix.lower() != ".zip":
        raise StoreError(f"{target.name}: a backup ends in .zip")


def make_backup(box: Store, target: Path, roles: bool = False) -> Backup:
    """Write a store, and the shot logs beside it, to one zip file; read it back before it counts.

    ``roles`` includes who may do what (access.json) and the sign-in file: secrets.

    Raises
    ------
    StoreError
        If there is no store, the target exists, or the copy differs.
    """
    _refuse_target(box, target)
    draft = target.with_name(f".{target.name}.{secrets.token_hex(6)}.part")
    try:
        with tempfile.TemporaryDirectory(prefix="shotlife-") as folder:
            copy = Path(folder) / NAME
            box.copy_to(copy)
            state, contributions, records = _counts(copy)
            logs = sorted(box.log_folder.glob("*.parquet")) if box.log_folder.is_dir() else []
            for log in logs:
                if log.is_symlink():
                    raise StoreError(
                        f"{log} is a link, which a backup does not follow; put the log itself there"
                    )
            own = [box.path.parent / n for n in ROLES] if roles else []
            files = {
                NAME: copy, **{f"{LOGS}/{p.name}": p for p in logs}, **{p.name: p for p in own if p.exists()},
            }  # fmt: skip
            manifest = {
                "state": state, "contributions": contributions, "records": records,
                "sha256": {k: _sha256(p) for k, p in files.items()},
            }  # fmt: skip
            with os.fdopen(os.open(draft, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
                with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
                    z.writestr(MANIFEST, json.dumps(manifest, indent=1) + "\n")
                    for name, path in files.items():
                        z.write(path, name)
                out.flush()
                os.fsync(out.fileno())
            found = read_backup(draft)
        _put_new(draft, target)
    except OSError as e:
        raise StoreError(f"the backup cannot be written to {target}: {e.strerror or e}") from None
    finally:
        with contextlib.suppress(OSError):  # where nothing can be written there is none
            draft.unlink(missing_ok=True)
    return found


def _put_new(draft: Path, target: Path) -> None:
    """Give a finished file its name, over none that has it meanwhile."""
    try:
        os.link(draft, target)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        draft.replace(target)
    _sync(target.parent)


def _manifest(z: zipfile.ZipFile, name: str) -> dict[str, Any]:
    try:
        assert z.getinfo(MANIFEST).file_size <= LARGEST_MANIFEST
        found = json.loads(z.read(MANIFEST))
        hashes = found["sha256"]
        assert NAME in hashes and sorted(z.namelist()) == sorted({MANIFEST, *hashes})
        for k in hashes:
            assert k in (NAME, *ROLES) or _LOG.fullmatch(k)
    except (KeyError, ValueError, TypeError, AssertionError, RecursionError):
        raise StoreError(f"{name} is no backup of a store, or something was put into it") from None
    return dict(found)


def _unpack(path: Path, folder: Path) -> dict[str, Any]:
    """Unpack and check every hash. Raises StoreError."""
    if path.exists() and not path.is_file():  # a pipe would be waited for without end
        raise StoreError(f"{path} is no file")
    try:
        with zipfile.ZipFile(path) as z:
            manifest = _manifest(z, path.name)
            size = sum(i.file_size for i in z.infolist())
            if size > shutil.disk_usage(folder).free:
                raise StoreError(
                    f"{path.name} unpacks to {size:,} bytes, more than is free in {folder.parent}"
                )
            for name, want in manifest["sha256"].items():
                place = folder / name
                place.parent.mkdir(parents=True, exist_ok=True)
                with z.open(name) as source, place.open("wb") as out:
                    shutil.copyfileobj(source, out, 1 << 20)
                if _sha256(place) != want:
                    raise StoreError(f"{path.name}: {name} in it is damaged")
    except _UNREADABLE as e:
        why = (isinstance(e, OSError) and e.strerror) or "it is no zip file, or a damaged one"
        raise StoreError(f"{path} cannot be read as a backup: {why}") from None
    return manifest


_UNREADABLE = (
    OSError,
    zipfile.BadZipFile,
    EOFError,
    NotImplementedError,
    RuntimeError,
    ValueError,
    zlib.error,
)
"""what damaged and encrypted archives raise"""


def read_backup(path: Path) -> Backup:
    """Check a backup: hashes, then the store in it read in full. Raises StoreError."""
    with tempfile.TemporaryDirectory(prefix="shotlife-") as folder:
        manifest = _unpack(path, Path(folder))
        state, contributions, records = _counts(Path(folder) / NAME)
    said = (manifest.get("state"), manifest.get("contributions"), manifest.get("records"))
    if said != (state, contributions, records):
        raise StoreError(f"{path.name}: the store in it is not the one that was saved")
    names = manifest["sha256"]
    return Backup(
        state, contributions, records, sum(n.startswith(f"{LOGS}/") for n in names), path.stat().st_size,
        tuple(n for n in ROLES if n in names),
    )  # fmt: skip


def restore(path: Path, box: Store, replace: bool = False, roles: bool = False) -> Backup:
    """Put a backup in the store's place; with ``replace`` a store that is there is set aside first.

    ``roles`` puts roles and sign-in file in their places too, those that are there set aside.

    Raises
    ------
    StoreError
        If the backup is damaged, or a store is there and ``replace`` is not given.
    """
    if box.path.is_symlink():  # the store is where the link leads to
        box = Store(box.path.resolve(), box.wait)
    if box.exists and not replace:
        raise StoreError(f"there is a store at {box.path}; --replace sets it aside (as .before)")
    found = read_backup(path)
    if roles and not found.roles:
        raise StoreError(f"{path.name} holds no roles; nothing was restored")
    try:
        box.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with _alone(box) as folder:
            _unpack(path, folder)
            _add_logs(folder / LOGS, box.log_folder)
            new = folder / NAME
            new.chmod(0o600)
            _sync(new)
            _switch(new, box)
            for name in found.roles if roles else ():
                _put_roles(folder / name, box.path.parent / name)
    except OSError as e:
        raise StoreError(f"cannot restore to {box.path}: {e.strerror or e}") from None
    return found


@contextlib.contextmanager
def _alone(box: Store) -> Iterator[Path]:
    """A folder beside the store for one restore at a time; what a killed one left there is removed."""
    import fcntl

    folder = box.path.with_name(f".{box.path.name}.restoring")
    if folder.is_symlink():
        raise StoreError(f"{folder} is a link: what it leads to is not touched; remove the link")
    folder.mkdir(exist_ok=True, mode=0o700)
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        for left in folder.iterdir():
            shutil.rmtree(left) if left.is_dir() else left.unlink()
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    except BlockingIOError:
        raise StoreError(f"{box.path} is being restored by another program") from None
    finally:
        os.close(handle)


def _put_roles(new: Path, place: Path) -> None:
    new.chmod(0o600)
    _sync(new)
    if place.exists():
        shutil.copy2(place, _free_name(place))
    new.replace(place)
    _sync(place.parent)


def _sync(path: Path) -> None:
    """Have a file, or the names in a folder, on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _free_name(path: Path) -> Path:
    place, n = path.with_name(path.name + ".before"), 1
    while place.exists():
        n += 1
        place = path.with_name(f"{path.name}.before{n}")
    return place


def _add_logs(source: Path, target: Path) -> None:
    """Put logs beside those that are there; one of the same name and other content is not written over."""
    logs = sorted(source.glob("*.parquet"))
    for log in logs:
        there = target / log.name
        if there.exists() and _sha256(there) != _sha256(log):
            raise StoreError(
                f"{there} differs from the shot log of that name in the backup; nothing was "
                "restored: move it away first"
            )
    for log in logs:
        target.mkdir(exist_ok=True, mode=0o700)
        if not (target / log.name).exists():
            log.chmod(0o600)
            _sync(log)
            log.replace(target / log.name)


def _switch(new: Path, box: Store) -> None:
    """Put a new store in the old one's place, which is kept as ``.before``.

    Between the copy and the rename nobody can open the old one: what was told to be stored is in the copy.
    """
    if not box.exists:
        _clear_ahead(box.path)
        _put_new(new, box.path)
        return
    # too damaged to be opened: kept as it is, byte for byte
    with contextlib.suppress(Unsound):
        box.settle()  # so that whoever is killed before the rename leaves no write-ahead file aside
    with _held(box) as handle:
        _keep_before(box.path, handle)
        # one rename: before it the old store stands whole in its place, after it the new one
        new.replace(box.path)
        _sync(box.path.parent)


@contextlib.contextmanager
def _held(box: Store) -> Iterator[int]:
    """A handle of the store's file, locked as the database locks it: no other process has it open.

    The file must not be opened a second time meanwhile: the lock goes with the first handle that is closed.
    """
    import fcntl

    handle = os.open(box.path, os.O_RDWR)
    deadline = time.monotonic() + box.wait
    try:
        while True:
            try:
                fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except (BlockingIOError, PermissionError):
                if time.monotonic() > deadline:
                    raise in_use(box.path, box.wait) from None
            time.sleep(0.005)
        yield handle
    finally:
        os.close(handle)


def _keep_before(path: Path, handle: int) -> None:
    """A copy of a store that is held, as ``.before``, with its write-ahead file if one was left over."""
    place = _free_name(path)
    draft = place.with_name(place.name + ".part")
    with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as out:
        at = 0
        while block := os.pread(handle, 1 << 20, at):
            at += out.write(block)
    _sync(draft)
    ahead = path.with_name(path.name + ".wal")
    with contextlib.suppress(FileNotFoundError):
        ahead.replace(place.with_name(place.name + ".wal"))
    draft.replace(place)


def _clear_ahead(path: Path) -> None:
    """Set a write-ahead file left over without its store aside: it would be replayed into the restored one."""
    ahead = path.with_name(path.name + ".wal")
    if ahead.exists():
        ahead.replace(_free_name(ahead))
