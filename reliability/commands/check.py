"""``shotlife check``: read files, list every fault, store nothing."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from reliability.commands.common import (
    emit_findings,
    explain,
    json_option,
    mapping_from,
    mapping_options,
)


@click.command("check")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@mapping_options
@json_option
def command(
    files: tuple[Path, ...],
    columns: tuple[str, ...],
    keep_mapping: str | None,
    mapping: str | None,
    as_json: bool,
) -> int:
    """Check sheets (CSV, Parquet, XLSX) and bundles: every fault by file, row and column.

    What looks odd in a sound sheet is listed too, with advice.

    Files named together are held against each other too. Nothing is stored. Exit 0 if all are sound, 2 if any has a fault.
    """
    from reliability.ask.giving import against_each_other, look
    from reliability.ask.records import SheetError

    names = mapping_from(columns, keep_mapping, mapping)
    code = 0
    report: list[dict[str, Any]] = []
    sound = []
    for f in files:
        try:
            looked = look(f, mapping=names)
        except SheetError as e:
            code = 2
            faults = [{"row": x.row, "column": x.column, "message": x.message} for x in e.faults]
            report.append({"file": f.name, "ok": False, "faults": faults})
            if not as_json:
                explain(e)
            continue
        sound.append(looked)
        report.append(_said(f.name, looked))
        if not as_json:
            _print(f.name, looked)
    apart = against_each_other(sound)
    if apart:
        code = 2
        faults = [
            {"file": x.file, "row": x.row, "column": x.column, "message": x.message} for x in apart
        ]
        report.append({"file": "", "ok": False, "faults": faults})
        if not as_json:
            explain(SheetError(apart))
    if as_json:
        click.echo(json.dumps(report, indent=1))
    return code


def _said(file: str, looked: Any) -> dict[str, Any]:
    """A sound file as JSON."""
    r = looked.records
    if r is None:
        return {"file": file, "ok": True, "kind": looked.kind, "rows": looked.rows}
    return {
        "file": file, "ok": True, "kind": "life", "records": len(r), "units": r.units, "failed": r.failures,
        "notes": [n.as_dict() for n in looked.notes], "findings": [asdict(x) for x in looked.findings],
    }  # fmt: skip


def _print(file: str, looked: Any) -> None:
    """A sound file in words."""
    r = looked.records
    if r is None:
        click.echo(f"{file}: sound; {looked.rows} rows of {looked.kind}")
        return
    click.echo(
        f"{file}: sound; {len(r)} records, {r.units:g} units, {r.failures:g} failed "
        f"({r.count[r.exact].sum():g} exact, {r.count[r.interval].sum():g} between "
        f"inspections, {r.count[r.left].sum():g} before the first), "
        f"{r.count[r.shots_from > 0].sum():g} with late entry"
    )
    for n in looked.notes:
        click.echo(f"  note: {n.text}")
    emit_findings(looked.findings)
