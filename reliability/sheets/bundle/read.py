"""Reading a bundle: Data Packages of version 2, and of version 1 from earlier days."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reliability.citations import Citation
from reliability.licences import licence_of
from reliability.safe_text import bounded
from reliability.sheets.life import LifeSheet, read_life
from reliability.sheets.limits import LIMITS
from reliability.sheets.table import SheetError, SheetFault, read_table, refuse
from reliability.sheets.wear import ignition_from_table, misfires_from_table, wear_from_table

DESCRIPTOR = "datapackage.json"
SIDES = {
    "wear.csv": wear_from_table,
    "misfires.csv": misfires_from_table,
    "ignition.csv": ignition_from_table,
}
SHOT_LOG = "shots.parquet"
SHEETS = ("life.csv", *SIDES, SHOT_LOG)
"""files of a bundle that are counted"""
HASHES = ("md5", "sha1", "sha256", "sha512")
"""a Data Package names the way in front of a colon; md5 where it names none"""
MAX_UNPACKED = LIMITS.unpacked_bytes
MAX_METADATA = 300
MAX_DESCRIPTOR = 1 << 20
MAX_FILES = 50


@dataclass(frozen=True)
class Bundle:
    """A checked bundle.

    Attributes
    ----------
    name, licence : str
    builders : tuple of str
    life : LifeSheet
    other : dict of file name to bytes
        wear.csv, misfires.csv, ignition.csv and shots.parquet as they came.
    citation : Citation
        Title, people, licence and identifier as its descriptor gives them.
    """

    name: str
    licence: str
    builders: tuple[str, ...]
    life: LifeSheet
    other: dict[str, bytes]
    citation: Citation


def is_bundle(path: Path) -> bool:
    """Whether a path is a bundle: a zip, a folder with a descriptor, or the descriptor."""
    return path.suffix.lower() == ".zip" or path.name == DESCRIPTOR or (path / DESCRIPTOR).is_file()


def _files(path: Path, data: bytes | None) -> dict[str, bytes]:
    """The bundle's files by name, nothing written to disk."""
    if path.suffix.lower() == ".zip":
        try:
            with zipfile.ZipFile(io.BytesIO(data) if data is not None else path) as z:
                infos = [i for i in z.infolist() if not i.is_dir()]
                if len(infos) > MAX_FILES:
                    raise refuse(path.name, f"more than {MAX_FILES} files in the archive")
                if sum(i.file_size for i in infos) > MAX_UNPACKED:
                    raise refuse(path.name, f"unpacks to more than {MAX_UNPACKED >> 20} MiB")
                out = {}
                left = MAX_UNPACKED
                for i in infos:
                    parts = Path(i.filename).parts
                    if i.filename.startswith(("/", "\\")) or ".." in parts or ":" in i.filename:
                        raise refuse(path.name, f"holds a file outside itself: {i.filename!r}")
                    # what a header says of the size need not be true: read with a limit
                    with z.open(i) as f:
                        content = f.read(left + 1)
                    left -= len(content)
                    if left < 0:
                        raise refuse(path.name, f"unpacks to more than {MAX_UNPACKED >> 20} MiB")
                    if parts[-1] in out:
                        raise refuse(path.name, f"holds two files named {parts[-1]!r}")
                    out[parts[-1]] = content
                return out
        except SheetError:
            raise
        except Exception as e:  # damaged archives end in many kinds of error
            raise refuse(path.name, f"not readable as a zip archive ({type(e).__name__})") from None
    folder = path.parent if path.name == DESCRIPTOR else path
    names = [n for n in (DESCRIPTOR, *SHEETS) if (folder / n).is_file()]
    if linked := [n for n in names if (folder / n).is_symlink()]:
        raise refuse(path.name, f"holds a file outside itself: {linked[0]!r} is a link")
    return {n: (folder / n).read_bytes() for n in names}


def _metadata(field: str, value: object) -> str:
    """One line of the descriptor's text without control characters; longer than a line is refused."""
    if not isinstance(value, str):
        return ""
    if len(value) > MAX_METADATA:
        raise refuse(
            DESCRIPTOR,
            f"{field} has {len(value):,} characters; at most {MAX_METADATA} are allowed",
            column=field,
        )
    return bounded(value, MAX_METADATA)


def _package(path: Path, files: dict[str, bytes]) -> dict[str, Any]:
    """The descriptor, if it is one. Raises SheetError."""
    if DESCRIPTOR not in files:
        raise refuse(path.name, f"no {DESCRIPTOR} in it; a bundle is a Data Package")
    if len(files[DESCRIPTOR]) > MAX_DESCRIPTOR:
        raise refuse(DESCRIPTOR, f"larger than {MAX_DESCRIPTOR >> 20} MiB")
    try:
        package = json.loads(files[DESCRIPTOR])
        resources = package["resources"]
        assert isinstance(resources, list) and resources
    except (ValueError, KeyError, TypeError, AssertionError, RecursionError):
        raise refuse(
            DESCRIPTOR,
            "not a Data Package descriptor: a JSON object with a list of resources is wanted",
        ) from None
    return dict(package)


def _changed(package: dict[str, Any], files: dict[str, bytes]) -> list[SheetFault]:
    """Resources that are not there, or not what the descriptor's hash says; sheets that it does not name."""
    faults = []
    paths = []
    for r in package["resources"]:
        file = str(r.get("path", "")) if isinstance(r, dict) else ""
        paths.append(file)
        if file not in files:
            text = f"names {file[:MAX_METADATA]!r}, which is not in the bundle"
            faults.append(SheetFault(DESCRIPTOR, 0, "resources", text))
        elif fault := _hash_fault(str(r.get("hash") or ""), files[file]):
            faults.append(SheetFault(file, 0, "", fault))
    for file in SHEETS:
        if file in files and file not in paths:
            text = "is in the bundle, but its descriptor does not name it: added after packing"
            faults.append(SheetFault(file, 0, "", text))
    return faults


def _hash_fault(hashed: str, content: bytes) -> str:
    """What is wrong with a file under the descriptor's hash of it; "" for nothing, or for none given."""
    if not hashed:
        return ""
    way, _, digest = hashed.rpartition(":")
    way = way or "md5"
    if way not in HASHES:
        return f"its hash is of a kind that cannot be checked here; allowed: {', '.join(HASHES)}"
    if hashlib.new(way, content, usedforsecurity=False).hexdigest() != digest.lower():
        return "its content is not that of the descriptor's hash: changed after packing"
    return ""


def _licence(package: dict[str, Any]) -> str:
    """Identifier of the first licence, in its usual spelling where it is a known one."""
    listed = package.get("licenses")
    first = listed[0] if isinstance(listed, list) and listed else {}
    name = _metadata("licenses", first.get("name", "")) if isinstance(first, dict) else ""
    known = licence_of(name)
    return known.id if known else name


def _citation(package: dict[str, Any], life: LifeSheet, licence: str) -> Citation:
    """Version 2 gives title, id, version and date; of a version 1 there are name and people only."""
    people = package.get("contributors")
    titles = [
        _metadata("contributors", c.get("title"))
        for c in (people if isinstance(people, list) else [])
        if isinstance(c, dict)
    ]

    def told(field: str) -> str:
        return _metadata(field, package.get(field))

    return Citation(
        told("title") or told("name") or life.file, tuple(filter(None, titles)), licence,
        told("id") or f"sha256:{life.sha256}", told("version"), told("created"),
    )  # fmt: skip


def read_bundle(path: Path, data: bytes | None = None) -> Bundle:
    """Read and check a bundle.

    Raises
    ------
    SheetError
        With every fault: of the descriptor, of hashes, of the sheets.
    """
    files = _files(path, data)
    package = _package(path, files)
    faults = _changed(package, files)
    if "life.csv" not in files:
        faults.append(SheetFault(path.name, 0, "", "no life.csv in it"))
    life = None
    try:
        if "life.csv" in files:
            life = read_life(Path("life.csv"), files["life.csv"])
    except SheetError as e:
        faults += e.faults
    for name, check in SIDES.items():
        try:
            if name in files:
                check(read_table(Path(name), files[name]))
        except SheetError as e:
            faults += e.faults
    if faults or life is None:
        raise SheetError(faults)
    licence = _licence(package)
    label = _metadata("name", package.get("name", path.stem))
    cited = _citation(package, life, licence)
    return Bundle(
        label, licence, tuple(sorted(set(life.records.builder.tolist()))),
        LifeSheet(label, life.sha256, life.records, life.notes, cited),
        {n: files[n] for n in (*SIDES, SHOT_LOG) if n in files},
        cited,
    )  # fmt: skip
