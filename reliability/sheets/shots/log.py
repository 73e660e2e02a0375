"""A shot log on disk: its columns, how DuckDB reads it, and a database that may read nothing else.

CSV or Parquet with ``module, shot`` (the counter on the module) and, as far as there are,
``main_V_before, main_V_after, ignition_V, time_s``; to tell the capacitance also ``main_V_start``
(voltage as charging began) and ``charge_J`` (energy put into the bank), or ``charge_mA`` (charging
current) and ``charge_V_s`` (slope of the voltage).
"""

from __future__ import annotations

import csv
import shutil
import tempfile
import threading
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
from numpy.typing import NDArray

from reliability.sheets.limits import LIMITS
from reliability.sheets.table import SheetError, SheetFault, refuse

REQUIRED = ("module", "shot")


OPTIONAL = (
    "main_V_before", "main_V_after", "ignition_V", "time_s", "main_V_start", "charge_J", "charge_mA", "charge_V_s",
)  # fmt: skip


Progress = Callable[[str, float], None]


Array = NDArray[Any]


@dataclass(frozen=True)
class LogFile:
    """A log on disk, its columns, how DuckDB reads it; columns known to have no empty cell."""

    path: Path
    columns: tuple[str, ...]
    source: str
    floating: bool
    full: frozenset[str] = frozenset()


def _header(path: Path) -> list[str]:
    if path.suffix.lower() == ".parquet":
        import pyarrow.parquet as pq

        try:
            return [str(n) for n in pq.read_schema(path).names]
        except Exception as e:
            raise refuse(path.name, f"not readable as Parquet ({type(e).__name__})") from None
    with path.open("rb") as f:
        line = f.readline(1 << 16)
    try:
        text = line.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise refuse(path.name, "not UTF-8 text; save the log as CSV UTF-8", 1) from None
    if "\0" in text:
        raise refuse(path.name, "holds NUL characters: this is not a CSV file")
    return [c.strip() for c in next(csv.reader([text.strip()], delimiter=_delimiter(text)), [])]


def _delimiter(line: str) -> str:
    return max(",;\t", key=line.count)


def quote(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def open_log(path: Path) -> LogFile:
    """Look at a log's header.

    Raises
    ------
    SheetError
        If it is no CSV or Parquet file, or a column is missing or stands twice.
    """
    if not path.is_file():
        raise refuse(str(path), "there is no such file")
    if path.suffix.lower() not in (".csv", ".parquet"):
        raise refuse(
            path.name, f"unknown kind of file {path.suffix!r}; a shot log is .csv or .parquet"
        )
    if path.stat().st_size == 0:
        raise refuse(path.name, "the file is empty; a header row and one row a shot are wanted")
    names = _header(path)
    if len(names) > LIMITS.columns:
        raise refuse(path.name, LIMITS.refusal("columns"), 1)
    faults = [
        SheetFault(path.name, 1, c, f"the column is missing; required: {', '.join(REQUIRED)}; optional: {', '.join(OPTIONAL)}")
        for c in REQUIRED
        if c not in names
    ]  # fmt: skip
    faults += [
        SheetFault(path.name, 1, c, "the column appears twice")
        for c, n in sorted(Counter(names).items())
        if n > 1
    ]
    if faults:
        raise SheetError(faults)
    known = tuple(c for c in (*REQUIRED, *OPTIONAL) if c in names)
    where = quote(str(path.resolve()))
    if path.suffix.lower() == ".parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        meta = pq.read_metadata(path)
        schema = meta.schema.to_arrow_schema()
        bad = [
            SheetFault(path.name, 1, c, f"holds {schema.field(c).type}, not numbers")
            for c in known
            if c != "module" and not (pa.types.is_integer(schema.field(c).type) or pa.types.is_floating(schema.field(c).type)
                                      or pa.types.is_decimal(schema.field(c).type))
        ]  # fmt: skip
        if bad:
            raise SheetError(bad)
        source = (
            f"(SELECT *, file_row_number AS place FROM read_parquet({where}, file_row_number=true))"
        )
        floating = not pa.types.is_integer(schema.field("shot").type)
        return LogFile(path, known, source, floating, _full(meta))
    with path.open("rb") as f:
        delimiter = _delimiter(f.readline(1 << 16).decode("utf-8-sig"))
    kinds = ", ".join(
        f"{quote(c)}: '{'DOUBLE' if c in known and c != 'module' else 'VARCHAR'}'" for c in names
    )
    source = (
        f"(SELECT *, row_number() OVER () - 1 AS place FROM read_csv({where}, header=true, auto_detect=false, "
        f"delim={quote(delimiter)}, quote='\"', escape='\"', nullstr='', columns={{{kinds}}}, "
        "store_rejects=true, rejects_limit=1000))"
    )
    return LogFile(path, known, source, True)


def _full(meta: Any) -> frozenset[str]:
    """Columns of a Parquet file that by its own statistics have no empty cell."""
    out = set(meta.schema.names)
    for g in range(meta.num_row_groups):
        for j in range(meta.num_columns):
            part = meta.row_group(g).column(j)
            if part.statistics is None or part.statistics.null_count != 0:
                out.discard(part.path_in_schema)
    return frozenset(out)


@contextmanager
def connect(
    paths: Sequence[Path], memory: str = "1GB"
) -> Iterator[tuple[duckdb.DuckDBPyConnection, Path]]:
    """A database in memory that may read these files only, and the folder of its own that it spills to."""
    folder = tempfile.mkdtemp(prefix="shotlife-")
    c = duckdb.connect(config={"memory_limit": memory, "temp_directory": folder})
    try:
        files = ", ".join(quote(str(p.resolve())) for p in paths)
        for statement in (
            f"SET allowed_paths=[{files}]", f"SET allowed_directories=[{quote(folder)}]",
            "SET enable_external_access=false", "SET enable_progress_bar=true", "SET enable_progress_bar_print=false",
            "SET lock_configuration=true",
        ):  # fmt: skip
            c.execute(statement)
        yield c, Path(folder)
    finally:
        c.close()
        shutil.rmtree(folder, ignore_errors=True)


def watched(
    c: duckdb.DuckDBPyConnection, statement: str, label: str, progress: Progress | None
) -> None:
    """Run a statement, telling how far it is; Ctrl-C stops it."""
    if progress is None:
        c.execute(statement)
        return
    failure: list[BaseException] = []

    def work() -> None:
        try:
            c.execute(statement)
        except BaseException as e:
            failure.append(e)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        while thread.is_alive():
            thread.join(0.2)
            progress(label, max(0.0, min(1.0, c.query_progress() / 100)))
    except KeyboardInterrupt:
        c.interrupt()
        thread.join()
        raise
    if failure:
        raise failure[0]
    progress(label, 1.0)
