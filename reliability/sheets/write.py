"""Writing life sheets: the same columns that are read, so that nothing is lost on the way."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import numpy as np

from reliability.notes import BadInput
from reliability.records import LifeRecords

TEXTS = ("builder", "module", "slot", "unit", "part", "mode", "lot", "event", "removed")
FORMULA_START = ("=", "+", "-", "@", "\t", "\r")


def columns_of(records: LifeRecords) -> dict[str, list[Any]]:
    """The life sheet's columns as Python values, None where empty; columns without content left out."""
    n = len(records)
    out: dict[str, list[Any]] = {}
    required = ("builder", "module", "slot")
    for name in TEXTS:
        values = getattr(records, name)
        if name in required or (values != "").any():
            out[name] = [v or None for v in values]
    begun = records.shots_from
    if (begun > 0).any():
        out["shots_from"] = [float(v) if v > 0 else None for v in begun]
    out["shots_good"] = [float(v) for v in records.shots_good]
    out["shots_failed"] = [float(v) if np.isfinite(v) else None for v in records.shots_failed]
    if (records.count != 1).any():
        out["count"] = [float(v) for v in records.count]
    for name, values in records.covariates.items():
        if not np.isnan(values).all():
            out[name] = [float(v) if v == v else None for v in values]
    for name, words in records.labels.items():
        if (words != "").any():
            out[name] = [v or None for v in words]
    assert all(len(v) == n for v in out.values())
    return out


def cell_text(value: Any) -> str:
    """A cell of a CSV: "" for None, whole numbers without decimals, formulas made harmless."""
    if value is None:
        return ""
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    text = str(value)
    # a spreadsheet would run a text that begins like a formula
    return "'" + text if text.startswith(FORMULA_START) else text


def life_csv(records: LifeRecords) -> str:
    """The records as the text of a CSV life sheet."""
    data = columns_of(records)
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(data)
    writer.writerows([cell_text(v) for v in row] for row in zip(*data.values(), strict=True))
    return buffer.getvalue()


def write_life(records: LifeRecords, path: Path) -> None:
    """Write a life sheet; the file appears whole or not at all.

    Raises
    ------
    BadInput
        If the ending is not .csv or .parquet, or the folder cannot be written.
    """
    suffix = path.suffix.lower()
    if suffix not in (".csv", ".parquet"):
        raise BadInput(f"{path.name}: allowed endings are .csv and .parquet")
    if suffix == ".csv":
        write_whole(path, life_csv(records).encode())
        return
    import pyarrow as pa
    import pyarrow.parquet as pq

    buffer = io.BytesIO()
    pq.write_table(pa.table(columns_of(records)), buffer)
    write_whole(path, buffer.getvalue())


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it appears whole or not at all. Raises BadInput."""
    draft = path.with_name(path.name + ".part")
    try:
        draft.write_bytes(data)
        draft.replace(path)
    except OSError as e:
        raise BadInput(f"cannot write {path}: {e.strerror}") from None


def rows_csv(rows: list[dict[str, Any]]) -> str:
    """Rows of plain cells as CSV text."""
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows({k: cell_text(v) if v != "" else "" for k, v in row.items()} for row in rows)
    return buffer.getvalue()


def write_rows(rows: list[dict[str, Any]], path: Path) -> None:
    """Write rows of plain cells as CSV, whole or not at all. Raises BadInput."""
    write_whole(path, rows_csv(rows).encode())


def frame_csv(frame: Any) -> str:
    """A table as CSV; texts that a spreadsheet would run as formulas are made harmless."""
    rows = frame.astype(object).where(frame.notna(), "").to_dict("records")
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([cell_text(str(c)) for c in frame.columns])
    writer.writerows([cell_text(v) if v != "" else "" for v in r.values()] for r in rows)
    return buffer.getvalue()
