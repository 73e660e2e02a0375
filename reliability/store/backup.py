"""Copies of a store that can be relied on: made under the lock, hashed, read back before they count."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reliability.store.store import Store, StoreError

MANIFEST = "backup.json"
NAME = "store.duckdb"


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
    """

    state: str
    contributions: int
    records: int
    logs: int
    bytes: int


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


def make_backup(box: Store, target: Path) -> Backup:
    """Write a store, and the shot logs beside it, to one zip file; read it back before it counts.

    Raises
    ------
    StoreError
        If there is no store, the target exists, or the copy differs.
    """
    if target.exists():
        raise StoreError(f"{target} is there already; a backup is not written over another")
    if target.resolve().parent == box.log_folder.resolve():
        raise StoreError(f"{target} is among the shot logs; a backup goes elsewhere")
    if target.suffix.lower() != ".zip":
        raise StoreError(f"{target.name}: a backup ends in .zip")
    draft = target.with_name(target.name + ".part")
    try:
        with tempfile.TemporaryDirectory(prefix="shotlife-") as folder:
            copy = Path(folder) / NAME
            box.copy_to(copy)
            state, contributions, records = _counts(copy)
            logs = sorted(box.log_folder.glob("*.parquet")) if box.log_folder.is_dir() else []
            files = {NAME: copy, **{f"{box.log_folder.name}/{p.name}": p for p in logs}}
            manifest = {
                "state": state, "contributions": contributions, "records": records,
                "sha256": {k: _sha256(p) for k, p in files.items()},
            }  # fmt: skip
            with zipfile.ZipFile(draft, "w", zipfile.ZIP_DEFLATED) as z:
                z.writestr(MANIFEST, json.dumps(manifest, indent=1) + "\n")
                for name, path in files.items():
                    z.write(path, name)
            found = read_backup(draft)
        draft.replace(target)
    except OSError as e:
        raise StoreError(f"the backup cannot be written to {target}: {e.strerror or e}") from None
    finally:
        draft.unlink(missing_ok=True)
    return found


def _manifest(z: zipfile.ZipFile, name: str) -> dict[str, Any]:
    try:
        found = json.loads(z.read(MANIFEST))
        hashes = found["sha256"]
        assert NAME in hashes and set(z.namelist()) == {MANIFEST, *hashes}
        for k in hashes:
            parts = Path(k).parts
            assert ".." not in parts and not Path(k).is_absolute() and len(parts) <= 2
    except (KeyError, ValueError, TypeError, AssertionError):
        raise StoreError(f"{name} is no backup of a store, or something was put into it") from None
    return dict(found)


def _unpack(path: Path, folder: Path) -> dict[str, Any]:
    """Unpack and check every hash. Raises StoreError."""
    try:
        with zipfile.ZipFile(path) as z:
            manifest = _manifest(z, path.name)
            for name, want in manifest["sha256"].items():
                place = folder / name
                place.parent.mkdir(parents=True, exist_ok=True)
                with z.open(name) as source, place.open("wb") as out:
                    shutil.copyfileobj(source, out, 1 << 20)
                if _sha256(place) != want:
                    raise StoreError(f"{path.name}: {name} in it is damaged")
    except (OSError, zipfile.BadZipFile, EOFError, NotImplementedError) as e:
        raise StoreError(f"{path} cannot be read as a backup ({type(e).__name__})") from None
    return manifest


def read_backup(path: Path) -> Backup:
    """Check a backup: hashes, then the store in it read in full. Raises StoreError."""
    with tempfile.TemporaryDirectory(prefix="shotlife-") as folder:
        manifest = _unpack(path, Path(folder))
        state, contributions, records = _counts(Path(folder) / NAME)
    said = (manifest.get("state"), manifest.get("contributions"), manifest.get("records"))
    if said != (state, contributions, records):
        raise StoreError(f"{path.name}: the store in it is not the one that was saved")
    return Backup(state, contributions, records, len(manifest["sha256"]) - 1, path.stat().st_size)


def restore(path: Path, box: Store, replace: bool = False) -> Backup:
    """Put a backup in the store's place; with ``replace`` a store that is there is set aside first.

    Raises
    ------
    StoreError
        If the backup is damaged, or a store is there and ``replace`` is not given.
    """
    if box.exists and not replace:
        raise StoreError(f"there is a store at {box.path}; --replace sets it aside (as .before)")
    found = read_backup(path)
    try:
        box.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with tempfile.TemporaryDirectory(prefix="shotlife-", dir=box.path.parent) as folder:
            _unpack(path, Path(folder))
            _add_logs(Path(folder) / box.log_folder.name, box.log_folder)
            new = Path(folder) / NAME
            new.chmod(0o600)
            _sync(new)
            if box.exists:
                _keep_before(box)
            _clear_ahead(box.path)
            # one rename: before it the old store stands whole in its place, after it the new one
            new.replace(box.path)
            _sync(box.path.parent)
    except OSError as e:
        raise StoreError(f"cannot restore to {box.path}: {e.strerror or e}") from None
    return found


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


def _keep_before(box: Store) -> None:
    """A copy of the store that is there, as ``.before``; the store itself stays in its place."""
    place = _free_name(box.path)
    draft = place.with_name(place.name + ".part")
    try:
        box.copy_to(
            draft
        )  # all committed changes are in the file then, none in the write-ahead file
    except StoreError as e:
        if "another program" in str(e):
            raise  # in use: nothing is put in its place
        # too damaged to be opened: kept as it is, byte for byte
        shutil.copyfile(box.path, draft)
    draft.chmod(0o600)
    _sync(draft)
    draft.replace(place)


def _clear_ahead(path: Path) -> None:
    """Set a left-over write-ahead file aside: it would be replayed into the restored store."""
    ahead = path.with_name(path.name + ".wal")
    if ahead.exists():
        ahead.replace(_free_name(ahead))
