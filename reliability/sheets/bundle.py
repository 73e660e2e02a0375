"""Bundles: Data Packages (an open standard) with life.csv and, if present, wear.csv, misfires.csv,
ignition.csv and shots.parquet."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reliability.notes import BadInput
from reliability.plain import bounded
from reliability.records import LifeRecords
from reliability.sheets.life import LIFE_NUMBERS, REQUIRED, STRESSES, LifeSheet, read_life
from reliability.sheets.limits import LIMITS
from reliability.sheets.table import SheetError, SheetFault, read_table, refuse
from reliability.sheets.wear import ignition_from_table, misfires_from_table, wear_from_table
from reliability.sheets.write import columns_of, life_csv, write_whole

DESCRIPTOR = "datapackage.json"
SIDES = {
    "wear.csv": wear_from_table,
    "misfires.csv": misfires_from_table,
    "ignition.csv": ignition_from_table,
}
SHOT_LOG = "shots.parquet"
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
    """

    name: str
    licence: str
    builders: tuple[str, ...]
    life: LifeSheet
    other: dict[str, bytes]


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
                    out[parts[-1]] = content
                return out
        except SheetError:
            raise
        except Exception as e:  # damaged archives end in many kinds of error
            raise refuse(path.name, f"not readable as a zip archive ({type(e).__name__})") from None
    folder = path.parent if path.name == DESCRIPTOR else path
    names = [DESCRIPTOR, "life.csv", *SIDES, SHOT_LOG]
    return {n: (folder / n).read_bytes() for n in names if (folder / n).is_file()}


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


def read_bundle(path: Path, data: bytes | None = None) -> Bundle:
    """Read and check a bundle.

    Raises
    ------
    SheetError
        With every fault: of the descriptor, of hashes, of the sheets.
    """
    files = _files(path, data)
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
    faults = []
    for r in resources:
        file = str(r.get("path", "")) if isinstance(r, dict) else ""
        if file not in files:
            faults.append(
                SheetFault(
                    DESCRIPTOR, 0, "resources", f"names {file!r}, which is not in the bundle"
                )
            )
            continue
        want = str(r.get("hash", ""))
        if want.startswith("sha256:") and hashlib.sha256(files[file]).hexdigest() != want[7:]:
            faults.append(
                SheetFault(
                    file,
                    0,
                    "",
                    "its content is not that of the descriptor's hash: changed after packing",
                )
            )
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
    licences = package.get("licenses") or []
    licence = ""
    if isinstance(licences, list) and licences and isinstance(licences[0], dict):
        licence = _metadata("licenses", licences[0].get("name", ""))
    title = _metadata("name", package.get("name", path.stem))
    named = LifeSheet(title, life.sha256, life.records, life.notes)
    return Bundle(
        title, licence, tuple(sorted(set(life.records.builder.tolist()))), named,
        {n: files[n] for n in (*SIDES, SHOT_LOG) if n in files},
    )  # fmt: skip


def _schema(records: LifeRecords) -> dict[str, Any]:
    numbers = {*LIFE_NUMBERS, *STRESSES, *records.covariates}
    fields = []
    for name in columns_of(records):
        field: dict[str, Any] = {"name": name, "type": "number" if name in numbers else "string"}
        if name in REQUIRED:
            field["constraints"] = {"required": True}
        fields.append(field)
    return {"fields": fields, "missingValues": [""]}


def write_bundle(
    records: LifeRecords,
    path: Path,
    name: str,
    licence: str,
    attribution: list[str] | None = None,
    other: dict[str, bytes] | None = None,
) -> None:
    """Write a bundle as a zip or a folder.

    Parameters
    ----------
    records : LifeRecords
    path : Path
        Ends in .zip, or is a folder to make.
    name : str
        Of the package: lower case letters, digits, ``-``, ``_`` and ``.``.
    licence : str
        Such as CC0-1.0 or CC-BY-4.0.
    attribution : list of str, optional
        Whom to name; default the builders.

    Raises
    ------
    BadInput
    """
    if not name or not all(
        c.isascii() and (c.islower() or c.isdigit() or c in "-_.") for c in name
    ):
        raise BadInput(
            f"a bundle's name has lower case letters, digits, '-', '_' and '.', not {name!r}"
        )
    files = {"life.csv": life_csv(records).encode(), **(other or {})}
    resources = []
    for file, content in files.items():
        resource: dict[str, Any] = {
            "name": Path(file).stem, "path": file, "profile": "tabular-data-resource", "format": "csv",
            "mediatype": "text/csv", "encoding": "utf-8", "bytes": len(content),
            "hash": "sha256:" + hashlib.sha256(content).hexdigest(),
        }  # fmt: skip
        if file == "life.csv":
            resource["schema"] = _schema(records)
        else:
            head = content.decode("utf-8-sig").split("\n", 1)[0].strip().split(",")
            resource["schema"] = {"fields": [{"name": h, "type": "any"} for h in head]}
        resources.append(resource)
    who = attribution if attribution is not None else sorted(set(records.builder.tolist()))
    package = {
        "profile": "tabular-data-package", "name": name, "licenses": [{"name": licence}],
        "contributors": [{"title": w, "role": "contributor"} for w in who], "resources": resources,
    }  # fmt: skip
    files = {DESCRIPTOR: (json.dumps(package, indent=1) + "\n").encode(), **files}
    if path.suffix.lower() == ".zip":
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as z:
            for file, content in files.items():
                # a fixed date, so that the same data give the same bytes
                info = zipfile.ZipInfo(file, (2000, 1, 1, 0, 0, 0))
                z.writestr(info, content, zipfile.ZIP_DEFLATED)
        write_whole(path, buffer.getvalue())
        return
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise BadInput(f"cannot write {path}: {e.strerror}") from None
    for file, content in files.items():
        write_whole(path / file, content)
