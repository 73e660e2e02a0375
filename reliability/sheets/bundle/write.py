"""Writing a bundle: a Data Package, version 2, with citation papers; same data, same bytes."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from reliability.dictionary import Column, column_of
from reliability.notes import BadInput
from reliability.records import LifeRecords
from reliability.sheets.bundle.about import About, Contributor, date_of, identifier
from reliability.sheets.bundle.citation import (
    CITATION,
    CRATE,
    ZENODO,
    citation_cff,
    crate_json,
    zenodo_json,
)
from reliability.sheets.bundle.read import DESCRIPTOR, SHOT_LOG, SIDES
from reliability.sheets.write import columns_of, life_csv, write_whole
from reliability.words import counted

PROFILE = "https://datapackage.org/profiles/2.0"
_WHAT = {
    "life.csv": "Life records: what is known of each unit, in shots",
    "wear.csv": "Wear readings of units against shots",
    "misfires.csv": "Misfires and watches of igniters",
    "ignition.csv": "Misfires by group of commanded shots and ignition voltage",
    SHOT_LOG: "Telemetry of single shots",
    DESCRIPTOR: "Data Package descriptor with schemas, licence and hashes",
    CITATION: "How to cite these data",
    ZENODO: "Deposit metadata",
}


def field_of(column: Column) -> dict[str, Any]:
    """A column as a field of a Table Schema, version 2 (``unit`` is an extra property of ours)."""
    out: dict[str, Any] = {
        "name": column.name,
        "type": "number" if column.kind == "number" else "string",
        "description": column.meaning,
    }
    if column.unit:
        out["unit"] = column.unit
    limits: dict[str, Any] = {}
    if column.required:
        limits["required"] = True
    for key, value in (
        ("minimum", column.least), ("maximum", column.most), ("exclusiveMinimum", column.above),
    ):  # fmt: skip
        if value is not None:
            limits[key] = int(value) if float(value).is_integer() else value
    if column.allowed:
        limits["enum"] = list(column.allowed)
    if limits:
        out["constraints"] = limits
    return out


def schema_of(file: str, names: list[str], numbers: set[str]) -> dict[str, Any]:
    """The Table Schema of a sheet: known columns as defined, the builder's own by what they hold."""
    fields = []
    for name in names:
        known = column_of(file, name)
        if known is not None:
            fields.append(field_of(known))
            continue
        kind = "number" if name in numbers else "any" if file != "life.csv" else "string"
        fields.append({"name": name, "type": kind, "description": "The builder's own column."})
    return {
        "$schema": f"{PROFILE}/tableschema.json", "fields": fields, "missingValues": [""],
    }  # fmt: skip


def _resource(file: str, content: bytes, records: LifeRecords) -> dict[str, Any]:
    out: dict[str, Any] = {
        "name": Path(file).stem, "path": file, "title": _WHAT.get(file, file), "bytes": len(content),
        "hash": "sha256:" + hashlib.sha256(content).hexdigest(),
    }  # fmt: skip
    if not file.endswith(".csv"):
        return {**out, "format": "parquet", "mediatype": "application/vnd.apache.parquet"}
    out |= {"type": "table", "format": "csv", "mediatype": "text/csv", "encoding": "utf-8"}
    if file == "life.csv":
        out["schema"] = schema_of(file, list(columns_of(records)), set(records.covariates))
        return out
    head = next(csv.reader(io.StringIO(content.decode("utf-8-sig"))), [])
    out["schema"] = schema_of(file, head, set())
    return out


def filled(about: About, records: LifeRecords, files: Mapping[str, bytes]) -> About:
    """What the bundle says of itself with nothing left open: title, people, date, id."""
    builders = sorted(set(records.builder.tolist()))
    dates = [str(d) for d in records.labels.get("date", [])]
    hashes = [hashlib.sha256(c).hexdigest() for c in files.values()]
    title = about.title or f"Shot lives of {', '.join(builders)}"
    description = about.description or (
        f"{counted(len(records), 'life record')} ({counted(records.failures, 'failure')}) of thruster parts, in shots, given by "
        f"{', '.join(builders)}."
    )
    return replace(
        about, title=title, description=description, created=date_of(about, dates),
        id=identifier(about, hashes),
        contributors=about.contributors or tuple(Contributor(b) for b in builders),
    )  # fmt: skip


def descriptor(about: About, resources: list[dict[str, Any]]) -> dict[str, Any]:
    """The package's descriptor from a filled-in ``About``."""
    terms = about.terms
    out: dict[str, Any] = {
        "$schema": f"{PROFILE}/datapackage.json", "name": about.name, "id": about.id, "title": about.title,
        "description": about.description, "version": about.version, "created": about.created,
        "licenses": [{"name": terms.package, "path": terms.url, "title": terms.title}],
        "contributors": [
            {"title": c.title, "roles": list(c.roles), **({"path": c.url} if c.orcid else {})}
            for c in about.contributors
        ],
        "keywords": list(about.keywords),
    }  # fmt: skip
    if about.sources:
        out["sources"] = [
            {k: v for k, v in (("title", s.title), ("path", s.path), ("version", s.version)) if v}
            for s in about.sources
        ]
    out["resources"] = resources
    return out


def bundle_files(
    records: LifeRecords, about: About, other: Mapping[str, bytes] | None = None
) -> dict[str, bytes]:
    """The files of a bundle by path; same data and ``About``, same bytes.

    Parameters
    ----------
    records : LifeRecords
    about : About
    other : mapping of file name to bytes, optional
        wear.csv, misfires.csv, ignition.csv, shots.parquet.

    Raises
    ------
    BadInput
        For files that a bundle does not have.
    """
    strange = sorted(set(other or {}) - {*SIDES, SHOT_LOG})
    if strange:
        raise BadInput(
            f"a bundle has no {', '.join(strange)}; allowed: {', '.join((*SIDES, SHOT_LOG))}"
        )
    data = {"life.csv": life_csv(records).encode(), **dict(sorted((other or {}).items()))}
    about = filled(about, records, data)
    resources = [_resource(f, c, records) for f, c in data.items()]
    package = json.dumps(descriptor(about, resources), indent=1, ensure_ascii=False) + "\n"
    files = {
        DESCRIPTOR: package.encode(), **data,
        CITATION: citation_cff(about).encode(), ZENODO: zenodo_json(about).encode(),
    }  # fmt: skip
    kinds = {".csv": "text/csv", ".json": "application/json", ".cff": "application/yaml"}
    parts = {
        f: (kinds.get(Path(f).suffix, "application/vnd.apache.parquet"), len(c), _WHAT.get(f, f))
        for f, c in files.items()
    }
    files[CRATE] = crate_json(about, parts).encode()
    return files


def zipped(files: Mapping[str, bytes]) -> bytes:
    """Files as a zip archive whose bytes depend on names and content only."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as z:
        for file, content in files.items():
            info = zipfile.ZipInfo(file, (2000, 1, 1, 0, 0, 0))
            info.create_system = 3  # whatever machine packs it
            z.writestr(info, content, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()


def write_bundle(
    records: LifeRecords, path: Path, about: About, other: Mapping[str, bytes] | None = None
) -> None:
    """Write a bundle as a zip (path ends in .zip) or into a folder to make.

    Raises
    ------
    BadInput
        If it cannot be written, or ``other`` holds files that a bundle does not have.
    """
    files = bundle_files(records, about, other)
    if path.suffix.lower() == ".zip":
        write_whole(path, zipped(files))
        return
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise BadInput(f"cannot write {path}: {e.strerror}") from None
    for file, content in files.items():
        write_whole(path / file, content)


def download_files(
    records: LifeRecords, about: About, other: Mapping[str, bytes] | None = None
) -> dict[str, bytes]:
    """What a site offers to take away: the bundle as a zip, and the life records as CSV and Parquet."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    buffer = io.BytesIO()
    pq.write_table(pa.table(columns_of(records)), buffer)
    return {
        f"{about.name}.zip": zipped(bundle_files(records, about, other)),
        "life.csv": life_csv(records).encode(),
        "life.parquet": buffer.getvalue(),
    }
