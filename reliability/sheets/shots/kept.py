"""Cells kept on disk, so that a stopped run, or new pieces of a log, go on from what is done."""

from __future__ import annotations

import hashlib
import os
import zipfile
from pathlib import Path
from typing import IO

import numpy as np

from reliability.sheets.shots.cells import Cells


def fingerprint(path: Path) -> str:
    """Short hash of a log by name, size, time of change and its two ends: for resuming, not for proof."""
    info = path.stat()
    h = hashlib.sha256(f"1|{path.name}|{info.st_size}|{info.st_mtime_ns}".encode())
    with path.open("rb") as f:
        h.update(f.read(1 << 16))
        f.seek(max(0, info.st_size - (1 << 16)))
        h.update(f.read())
    return h.hexdigest()[:24]


def keep_cells(cells: Cells, path: Path) -> None:
    """Write cells to a file, whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    draft = path.with_suffix(".part.npz")
    draft.unlink(missing_ok=True)
    # as private as the store that it lies beside
    with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
        _write(cells, out)
    draft.replace(path)


def _write(cells: Cells, out: IO[bytes]) -> None:
    np.savez(
        out, allow_pickle=False, columns=np.array(cells.columns, str), names=np.array(cells.names, str), order=np.array(cells.order),
        hit_cell=cells.hit_cell, hit_shot=cells.hit_shot, **{f"d_{k}": v for k, v in cells.data.items()},
        **{f"i_{k}": v for k, v in cells.ignition.items()},
    )  # fmt: skip


def kept_cells(path: Path, index: int) -> Cells | None:
    """Cells kept before, as the file of that number; None if there are none or they are damaged."""
    try:
        with np.load(path, allow_pickle=False) as z:
            data = {k[2:]: z[k] for k in z.files if k.startswith("d_")}
            ignition = {k[2:]: z[k] for k in z.files if k.startswith("i_")}
            for d in (data, ignition):
                if "file" in d:
                    d["file"] = np.full(d["file"].size, index, np.int64)
            return Cells(
                tuple(z["columns"].tolist()), tuple(z["names"].tolist()), str(z["order"]), data, z["hit_cell"], z["hit_shot"], ignition,
            )  # fmt: skip
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None
