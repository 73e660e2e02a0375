"""A reading in words: what was read of a file, grave doubts first."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import Any

import click

from reliability.commands.common import emit_findings, table
from reliability.safe_text import bounded

ROWS = 8
COLUMNS = 9
LISTED = 20
KINDS = {
    "life": "a life sheet", "wear": "a sheet of wear readings", "misfires": "a misfire sheet",
    "ignition": "a sheet of ignition counts", "shots": "a shot log", "bundle": "a bundle",
}  # fmt: skip


def _counts(r: Any) -> str:
    """How many records, units and failures of each kind, in words."""
    own = r.event == ""
    late = r.count[r.shots_from > 0].sum() - r.count[r.continued].sum()
    kinds = [
        f"{r.count[mask & own].sum():g} {name}"
        for mask, name in (
            (r.exact, "exact"), (r.interval, "between inspections"), (r.left, "before the first"),
        )
    ]  # fmt: skip
    if not own.all():
        kinds.append(f"{r.failures - r.count[r.failed & own].sum():g} with several suspects")
    return (
        f"{len(r)} records, {r.units:g} units, {r.failures:g} failed ({', '.join(kinds)}), "
        f"{late:g} with late entry"
    )


def show_sound(looked: Any) -> None:
    """A file that can be given, in words."""
    r, file = looked.records, looked.reading.file
    if looked.kind == "shots":
        kinds = ", ".join(f"{s.rows} rows of {s.kind}" for s in looked.sheets)
        click.echo(f"{file}: sound; a shot log that gives {kinds}")
    elif r is None:
        click.echo(f"{file}: sound; {looked.rows} rows of {looked.kind}")
    else:
        click.echo(f"{file}: sound; {_counts(r)}")
    for n in looked.notes:
        click.echo(f"  note: {n.text}")
    emit_findings(looked.findings)


def show_reading(looked: Any) -> None:
    """What was read, for somebody who has to agree with it: doubts, changes, the first rows."""
    r = looked.reading
    where = f"header in row {r.header_row}" if r.header_row else ""
    where += f" of sheet {r.where!r}" if r.where and r.kind != "shots" else ""
    where += f"lines like {r.where!r}" if r.where and r.kind == "shots" else ""
    click.echo(
        f"{r.file}: read as {KINDS[r.kind]}, {r.rows} rows" + (f", {where}" if where else "")
    )
    for h in r.how:
        click.echo(f"  {h}")
    _faults(r.faults)
    _questions("To be answered, each by itself", r.grave, "answer")
    _questions("To agree with", [q for q in r.questions if not q.grave], "read as")
    show_changes(r)
    for n in looked.notes:
        click.echo(f"  note: {n.text}")
    emit_findings([f for f in looked.findings if f.severity != "grave"])
    for slot in r.slots_without_part[:LISTED]:
        click.echo(f"    name it by --answer {shlex.quote(f'fill:part of {slot}=PART')}")
    _cells(r)


def _faults(faults: Sequence[Any]) -> None:
    if not faults:
        return
    click.echo("\nCannot be read")
    for f in faults[:LISTED]:
        click.echo(f"  {f}")
    if len(faults) > LISTED:
        click.echo(f"  ... and {len(faults) - LISTED} more")


def _questions(head: str, questions: Sequence[Any], word: str) -> None:
    if not questions:
        return
    click.echo(f"\n{head}")
    for q in questions[:LISTED]:
        allowed = f" Allowed: {' or '.join(map(repr, q.choices))}." if q.choices else ""
        click.echo(f"  {q.id}")
        click.echo(f"      {q.text}{'' if q.text.endswith(('?', '.')) else '.'}{allowed}")
        if q.grave:
            example = q.choices[0] if q.choices else "..."
            click.echo(f"      {word}: --answer {shlex.quote(f'{q.id}={example}')}")
        else:
            click.echo(f"      {word}: {q.suggestion}")
    if len(questions) > LISTED:
        click.echo(f"  ... and {len(questions) - LISTED} more; --write-mapping lists them all")


def show_changes(r: Any) -> None:
    """Everything read otherwise than written, and what was left out."""
    if r.changes:
        click.echo("\nRead otherwise than written")
        rows = [
            [bounded(c.column or "(file)", 24), bounded(c.to, 20), str(c.rows or ""), bounded(c.before, 26), bounded(c.after, 26), c.why]
            for c in r.changes
        ]  # fmt: skip
        click.echo(table(["theirs", "ours", "rows", "written", "read", "why"], rows))
    for x in r.left_out[:LISTED]:
        click.echo(f"  row {x.row} left out ({x.why}): {bounded(x.text, 60)}")
    if len(r.left_out) > LISTED:
        click.echo(f"  ... and {len(r.left_out) - LISTED} more rows left out")


def _cells(r: Any) -> None:
    if not r.cells:
        return
    n = min(ROWS, len(r.cells))
    click.echo(f"\nWhat I read (first {n} of {r.rows} rows)")
    columns = r.columns[:COLUMNS]
    rows = [
        [str(r.source_rows[i]) if r.source_rows else "", *(bounded(c, 18) for c in r.cells[i][: len(columns)])]
        for i in range(n)
    ]  # fmt: skip
    click.echo(table(["row", *(bounded(c, 18) for c in columns)], rows))
    if len(r.columns) > COLUMNS:
        click.echo(f"  and columns {', '.join(bounded(c, 30) for c in r.columns[COLUMNS:])}")


def next_step(looked: Any, file: str) -> str:
    """What to do next, in one line."""
    r, name = looked.reading, shlex.quote(file)
    if r.settled:
        return (
            f"Nothing is stored. If this is right: shotlife add {name} --agree. To correct it: shotlife check "
            f"{name} --write-mapping mapping.json, then --mapping mapping.json."
        )
    return (
        f"Nothing is stored. Answer by --answer, or write all questions to a file and answer there: shotlife check "
        f"{name} --write-mapping mapping.json, then --mapping mapping.json."
    )
