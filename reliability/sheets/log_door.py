"""Shot logs and serial logs at the door: recognised, questions put, reduced to the sheets they give."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from reliability.notes import BadInput, Note
from reliability.safe_text import bounded
from reliability.sheets.bench.desk import Question
from reliability.sheets.bench.headers import header_score
from reliability.sheets.bench.mapping import OPEN, BenchMapping
from reliability.sheets.bench.proposal import shown
from reliability.sheets.reading import SHOWN, FileReading, Opened, Terms, TheirColumn
from reliability.sheets.shots.log import OPTIONAL, REQUIRED
from reliability.sheets.shots.module_log import Reduced
from reliability.sheets.shots.reduce import reduce_logs
from reliability.sheets.shots.serial import (
    SerialLog,
    SerialSettings,
    flagged_rows,
    is_serial_log,
    read_serial,
)
from reliability.sheets.shots.sheets import log_sheets
from reliability.sheets.side import read_sheet
from reliability.sheets.table import refuse

MEMORY = "400MB"
"""of the database that reduces a log, within the process's own limit"""
WATCHED = ("main_capacitor", "igniter")
NOT_KNOWN = "unknown"


def which_log(path: Path, data: bytes, pattern: str = "") -> str:
    """``shots`` for a table of one row a shot, ``serial`` for a controller's lines, "" for anything else.

    With a ``pattern`` that a person gave, lines without a table's header are a controller's.
    """
    suffix = path.suffix.lower()
    if data[:4] == b"PAR1":
        return "shots" if _columns_of_log(_parquet_columns(data)) else ""
    if (
        suffix in (".xlsx", ".xlsm", ".xls", ".ods", ".ods", ".zip", ".parquet")
        or data[:2] == b"PK"
    ):
        return ""
    text = data[:100_000].decode("utf-8-sig", "replace")
    lines = [s for s in text.splitlines()[:40] if s.strip()]
    if not lines:
        return ""
    marks = max(",;\t", key=lines[0].count)
    if suffix == ".csv" and _columns_of_log([c.strip().strip('"') for c in lines[0].split(marks)]):
        return "shots"
    if any(header_score(re.split(r"[,;\t|]", s)) >= 3 for s in lines if len(s) < 5000):
        return ""
    return "serial" if pattern or is_serial_log(text) else ""


def _columns_of_log(names: list[str]) -> bool:
    return set(REQUIRED) <= set(names) and bool(set(OPTIONAL) & set(names))


def _parquet_columns(data: bytes) -> list[str]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return [str(n) for n in pq.read_schema(pa.BufferReader(data)).names]
    except Exception:
        return []


def may_write() -> bool:
    """Whether this process may write files of its own: the reduction reads a log from a file."""
    try:
        import resource
    except ImportError:
        return True
    return resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 0


def open_log(path: Path, data: bytes, terms: Terms, which: str) -> Opened:
    """Open a log: its first rows, what is to be answered, and its sheets once it is.

    Parameters
    ----------
    path, data, terms
        As of ``open_file``.
    which : str
        ``shots`` or ``serial``.

    Raises
    ------
    SheetError, BadInput
    """
    if not may_write():
        return Opened(FileReading(path.name, "shots", 0), again=True)
    if which == "serial":
        log = read_serial(path, data, _settings(path.name, terms.mapping))
        content, suffix = _as_parquet(log), ".parquet"
        # which module it is of is said for one file, not for those to come
        asked = [
            dataclasses.replace(q, id=f"module:{path.name}") if q.id == "module:name" else q
            for q in log.questions
        ]
        used = _used(path.name, log)
    else:
        log, content, suffix, asked, used = None, data, path.suffix.lower(), [], {}
    asked += _own_questions(terms.mapping)
    reading = _reading(path, which, log, data)
    reduced = None
    if not any(q.grave and q.id.startswith(("scale:", "names:")) for q in asked):
        reduced = _flagged(log, _reduce(path.name, content, suffix, in_order=log is not None))
        asked += _dead(terms.mapping, reduced)
        said = Note("log_reduced", reduced.sentence)
        notes = (*(log.notes if log else ()), said, *reduced.notes)
        reading = dataclasses.replace(reading, notes=notes)
    asked.sort(key=lambda q: not q.grave)
    mapping = terms.mapping.with_answers(used)
    mapping = mapping.with_answers(
        {q.id: (q.suggestion if not q.grave else "") or OPEN for q in asked}
    )
    reading = dataclasses.replace(
        reading, questions=tuple(asked), mapping=mapping, where=mapping.get("log", "pattern")
    )
    if any(q.grave or not terms.agree for q in asked) or reduced is None:
        return Opened(reading)
    return Opened(reading, _sheets(log, reduced, mapping))


def _settings(file: str, m: BenchMapping) -> SerialSettings:
    answers = {f"{s}:{k}": v for s in ("names", "scale") for k, v in m.answers.get(s, {}).items()}
    answers = {k: v for k, v in answers.items() if v != OPEN}
    base = SerialSettings(m.get("log", "pattern"), module=m.get("module", file))
    return base.answered(answers)


def _used(file: str, log: SerialLog) -> dict[str, str]:
    s = log.settings
    out = {"log:pattern": s.pattern, **{f"names:{k}": v for k, v in s.names.items()}}
    out |= {f"scale:{k}": f"{v:.12g}" for k, v in s.scale.items()}
    return out | ({f"module:{file}": s.module} if s.module else {})


def _as_parquet(log: SerialLog) -> bytes:
    """The columns as Parquet, whatever is still to be answered: nothing of it is stored yet."""
    return dataclasses.replace(log, questions=()).parquet(agree=True)


def _own_questions(m: BenchMapping) -> list[Question]:
    out = []
    if not m.get("fill", "builder"):
        text = "whose log is it? The builder's short code"
        out.append(Question("fill:builder", text, (), "", True))
    if not m.get("log", "slots"):
        text = "slots whose unit the log covers from its first row to its last"
        out.append(Question("log:slots", text, (), ", ".join(WATCHED), False))
    return out


def _dead(m: BenchMapping, reduced: Reduced) -> list[Question]:
    out = []
    for one in reduced.modules[:200]:
        if one.dead_from is None or m.get("failed", one.module):
            continue
        text = (
            f"{one.module}: from count {one.dead_from:,} the bank never charged again: which part failed? A slot, "
            f"slot:mode, or {NOT_KNOWN} (then no life record is made of it)"
        )
        out.append(Question(f"failed:{one.module}", text, (), "", True))
    return out


def _reduce(name: str, content: bytes, suffix: str, in_order: bool) -> Reduced:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / f"log{suffix}"
        place.write_bytes(content)
        try:
            return reduce_logs([place], memory=MEMORY, in_order=in_order)
        except Exception as e:
            if type(e).__name__ in ("OutOfMemoryException", "IOException"):
                raise MemoryError from None
            raise


def reduce_pieces(path: Path, data: bytes | None, paths: Sequence[str]) -> Reduced:
    """Pieces of a log reduced together, for the short-lived process. Raises SheetError, BadInput."""
    return reduce_logs([Path(p) for p in paths], memory=MEMORY)


def _flagged(log: SerialLog | None, reduced: Reduced) -> Reduced:
    """Misfires by the lines that say so, where no voltages tell them; else both are compared."""
    if log is None or not log.flagged.size:
        return reduced
    if {"main_V_before", "main_V_after"} <= set(log.columns):
        seen = sum(m.misfires for m in reduced.modules)
        if seen == log.flagged.size:
            return reduced
        text = f"{log.flagged.size:,} lines say that the igniter missed, the voltages tell {seen:,}; the voltages are taken."
        return dataclasses.replace(reduced, notes=(*reduced.notes, Note("misfires_differ", text)))
    names = log.columns["module"][log.flagged].tolist()
    modules = tuple(
        dataclasses.replace(
            m, shots=m.shots - names.count(m.module), misfires=names.count(m.module)
        )
        for m in reduced.modules
    )
    rows = [
        {k: v for k, v in row.items() if k in ("module", "shots", "event")}
        for row in flagged_rows(log, "")
    ]
    return dataclasses.replace(reduced, modules=modules, misfires=rows)


def _reading(path: Path, which: str, log: SerialLog | None, data: bytes) -> FileReading:
    if log is not None:
        columns = tuple(log.columns)
        n = int(log.columns["shot"].size)
        cells = tuple(
            tuple(_text(log.columns[k][i]) for k in columns) for i in range(min(n, SHOWN))
        )
        theirs = tuple(TheirColumn(k, v) for k, v in log.settings.names.items())
        return FileReading(path.name, "shots", n, columns=columns, cells=cells, theirs=theirs)
    if data[:4] == b"PAR1":
        return FileReading(path.name, "shots", 0)
    head = data[:50_000].decode("utf-8-sig", "replace").splitlines()[: SHOWN + 1]
    mark = max(",;\t", key=head[0].count)
    rows = [
        [bounded(c, 40) for c in r]
        for r in csv.reader(io.StringIO("\n".join(head)), delimiter=mark)
    ]
    width = len(rows[0])
    cells = tuple(tuple(r[:width]) for r in rows[1:-1] if len(r) >= width)
    return FileReading(
        path.name, "shots", data.count(b"\n") - 1, header_row=1, columns=tuple(rows[0]), cells=cells,
        source_rows=tuple(range(2, len(cells) + 2)),
    )  # fmt: skip


def _text(cell: Any) -> str:
    x = cell.item() if isinstance(cell, np.generic) else cell
    return shown(x)


def _sheets(log: SerialLog | None, reduced: Reduced, m: BenchMapping) -> tuple[Any, ...]:
    """The checked sheets that a log gives, named by whose log it is."""
    builder = m.get("fill", "builder").strip()
    slots = tuple(s.strip() for s in m.get("log", "slots").split(",") if s.strip())
    if not slots:
        raise BadInput("log:slots names at least one slot")
    failed = {
        one.module: _failure(m.get("failed", one.module))
        for one in reduced.modules
        if m.get("failed", one.module) not in ("", NOT_KNOWN)
    }
    made = log_sheets(reduced, builder, failed, slots, _parts(m))
    if not made:
        raise refuse("log", "no shot, misfire or reading could be made of it")
    names = [one.module for one in reduced.modules]
    label = bounded("-".join(names[:3]) + (f"-and-{len(names) - 3}" if len(names) > 3 else ""), 60)
    label = re.sub(r"[^\w.-]+", "_", f"log-{builder}-{label}")
    return tuple(read_sheet(Path(f"{label}-{kind}.csv"), content) for kind, content in made.items())


def _failure(said: str) -> tuple[str, str]:
    slot, _, mode = said.partition(":")
    return slot.strip(), mode.strip() or "unknown"


def _parts(m: BenchMapping) -> Mapping[str, str]:
    head = "part of "
    fills = m.answers.get("fill", {})
    return {k[len(head) :]: v for k, v in fills.items() if k.startswith(head) and v != OPEN}
