"""``shotlife check``: read files, list every fault, store nothing."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click

from reliability.commands.common import (
    emit_findings,
    explain,
    json_option,
    mapping_from,
    mapping_options,
    read_given,
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

    Nothing is stored. Exit 0 if all are sound, 2 if any has a fault.
    """
    from reliability.sheets.quality import findings
    from reliability.sheets.side import SideSheet
    from reliability.sheets.table import SheetError

    names = mapping_from(columns, keep_mapping, mapping)
    code = 0
    report = []
    for f in files:
        try:
            sheet, _, _ = read_given(f, names)
        except SheetError as e:
            code = 2
            if as_json:
                report.append({"file": f.name, "ok": False, "faults": [
                    {"row": x.row, "column": x.column, "message": x.message} for x in e.faults
                ]})  # fmt: skip
            else:
                explain(e)
            continue
        if isinstance(sheet, SideSheet):
            if as_json:
                report.append({"file": f.name, "ok": True, "kind": sheet.kind, "rows": sheet.rows})
            else:
                click.echo(f"{f.name}: sound; {sheet.rows} rows of {sheet.kind}")
            continue
        r = sheet.records
        found = findings(r)
        if as_json:
            report.append({"file": f.name, "ok": True, "records": len(r), "units": r.units,
                           "failed": r.failures, "notes": [n.as_dict() for n in sheet.notes],
                           "findings": [asdict(x) for x in found]})  # fmt: skip
        else:
            click.echo(
                f"{f.name}: sound; {len(r)} records, {r.units:g} units, {r.failures:g} failed "
                f"({r.count[r.exact].sum():g} exact, {r.count[r.interval].sum():g} between "
                f"inspections, {r.count[r.left].sum():g} before the first), "
                f"{r.count[r.shots_from > 0].sum():g} with late entry"
            )
            for n in sheet.notes:
                click.echo(f"  note: {n.text}")
            emit_findings(found)
    if as_json:
        click.echo(json.dumps(report, indent=1))
    return code
