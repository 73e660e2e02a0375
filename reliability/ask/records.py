"""Records, contributions and plans as shells show and write them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from reliability.ask.glance import outline
from reliability.ask.plain import plain
from reliability.ask.sources import AnySource, Stored, read_pool
from reliability.decisions.bench import plan_row
from reliability.decisions.demonstration import DemonstrationAnswer
from reliability.decisions.learning import LearningAnswer
from reliability.decisions.next_test import NextTestAnswer
from reliability.decisions.on_board import ready_modules
from reliability.decisions.plan_search import plan_sheet
from reliability.decisions.question import Question
from reliability.decisions.remaining import Wear, limit_for, soft_failures
from reliability.notes import BadInput
from reliability.records import LifeRecords
from reliability.sheets.quality import findings, telling
from reliability.sheets.table import SheetError, SheetFault
from reliability.sheets.write import (
    frame_csv,
    life_csv,
    rows_csv,
    write_life,
    write_rows,
    write_whole,
)
from reliability.store import Contribution, StoreError
from reliability.store import demo as _demo
from reliability.wear.paths import fit_paths

__all__ = [
    "Contribution", "SheetError", "SheetFault", "StoreError", "contributions_of", "frame_csv", "life_csv",
    "load_demo", "odd_records", "plan_csv", "ready_modules", "rows_csv", "rows_of", "write_life", "write_plan", "write_soft_failures",
    "write_whole",
]  # fmt: skip


def contributions_of(source: AnySource) -> list[Contribution]:
    """All contributions of a store, oldest first; none where files are read or no store is yet."""
    if not isinstance(source, Stored) or not source.box.exists:
        return []
    return list(outline(source.box).contributions)


def load_demo(to: Stored) -> None:
    """Put the invented demo community into a store."""
    _demo.load_demo(to.box)


def rows_of(r: LifeRecords) -> list[dict[str, Any]]:
    """Records as rows of plain cells, by the columns of the life sheet."""
    names = r.column_names
    columns = {n: r.column(n) for n in names}
    rows: list[dict[str, Any]] = plain([{n: columns[n][i] for n in names} for i in range(len(r))])
    return rows


def plan_csv(answer: Any, question: Question) -> str:
    """A test plan as an empty life sheet, ready to fill in."""
    return rows_csv(_plan(answer, question))


def write_plan(answer: Any, question: Question, path: Path) -> None:
    """Write a test plan as an empty life sheet. Raises BadInput."""
    write_rows(_plan(answer, question), path)


def _plan(answer: Any, question: Question) -> list[dict[str, Any]]:
    said = getattr(question, "slot", ())
    if isinstance(answer, DemonstrationAnswer):
        return plan_sheet(answer.best, answer.slot or (said[0] if said else "main_capacitor"))
    if isinstance(answer, NextTestAnswer):
        volts = {k: float(v) for k, v in answer.at.items() if k == "charge_V"}
        return [plan_row(i, answer.best.slot, stress=volts) for i in range(answer.best.units)]
    if not isinstance(answer, LearningAnswer):
        raise BadInput("there is no plan to write")
    best, column = answer.best, answer.column or "charge_V"
    tested = best.levels or (answer.use,)
    stress = [
        {column: v} if math.isfinite(v) else {}
        for v, n in zip(tested, best.units, strict=True)
        for _ in range(n)
    ]
    return [plan_row(i, answer.slot, stress=stress[i]) for i in range(sum(best.units))]


def write_soft_failures(question: Wear, source: AnySource, path: Path) -> None:
    """Units as life records, failed where they passed the limit. Raises BadInput, CannotAnswer."""
    own = question.chosen(read_pool(source, ("wear",), question.received))
    limit = limit_for(question, fit_paths(own, 1.0))
    write_life(soft_failures(own, question.quantity, limit), path)


def odd_records(records: LifeRecords) -> list[dict[str, str]]:
    """What looks odd in each builder's records beside the others'."""
    out = []
    short = telling(records)
    for name in sorted(set(records.builder.tolist())):
        own = records.select(records.builder == name)
        rest = short.select(short.builder != name)
        out += [
            {"builder": name, "severity": f.severity, "finding": f.text}
            for f in findings(own, rest)
        ]
    return out
