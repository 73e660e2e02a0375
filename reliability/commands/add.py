"""``shotlife add``: check files and store each as a contribution."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click

from reliability.commands.common import (
    emit_findings,
    json_option,
    mapping_from,
    mapping_options,
    read_given,
    store_option,
)


@click.command("add")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@store_option
@click.option("--received", is_flag=True, help="Let it wait until a maintainer accepts it.")
@click.option("--supersedes", type=int, help="Number of the contribution that this one corrects.")
@click.option("--licence", default="", help="Licence under which the data are given.")
@mapping_options
@json_option
def command(
    files: tuple[Path, ...],
    store: Path | None,
    received: bool,
    supersedes: int | None,
    licence: str,
    columns: tuple[str, ...],
    keep_mapping: str | None,
    mapping: str | None,
    as_json: bool,
) -> None:
    """Check life sheets and bundles and add them to the store, each as one contribution.

    A file with any fault is refused whole. The same file twice is stored once. A correction
    supersedes the contribution it corrects; nothing is deleted.
    """
    from reliability.notes import BadInput
    from reliability.sheets.quality import findings
    from reliability.sheets.side import SideSheet
    from reliability.sheets.table import SheetError
    from reliability.store import Store, default_path

    if supersedes is not None and len(files) != 1:
        raise BadInput("--supersedes goes with one file")
    names = mapping_from(columns, keep_mapping, mapping)
    sheets, sides, faults = [], [], []
    for f in files:
        try:
            given = read_given(f, names)
            if isinstance(given[0], SideSheet):
                sides.append(given[0])
            else:
                sheets.append(given)
        except SheetError as e:
            faults += e.faults
    if faults:
        raise SheetError(faults)
    box = Store(store or default_path())
    out = []
    before = box.records() if box.exists and sheets else None
    for sheet, own_licence, other in sheets:
        found = findings(sheet.records, before)
        added = box.add(
            sheet,
            status="received" if received else "accepted",
            licence=licence or own_licence,
            supersedes=supersedes,
            other=other,
        )
        c = added.contribution
        out.append(
            {
                **asdict(c),
                "new": added.new,
                "notes": [n.as_dict() for n in sheet.notes],
                "findings": [asdict(x) for x in found],
            }
        )
        if not as_json:
            verb = "added" if added.new else "already stored"
            click.echo(
                f"{sheet.file}: {verb} as contribution {c.id} ({c.rows} records, {c.status})"
            )
            for n in sheet.notes:
                click.echo(f"  note: {n.text}")
            if any(n.endswith(".parquet") for n in other):
                click.echo(
                    f"  its shot log is kept in {box.log_folder}; reduce it with 'shotlife shots'"
                )
            if added.new:
                emit_findings(found)
    for extra in sides:
        added = box.add_side(extra, status="received" if received else "accepted", licence=licence)
        c = added.contribution
        out.append({**asdict(c), "new": added.new, "notes": [], "findings": []})
        if not as_json:
            verb = "added" if added.new else "already stored"
            click.echo(
                f"{extra.file}: {verb} as contribution {c.id} ({c.rows} {c.kind} rows, {c.status})"
            )
    if as_json:
        click.echo(json.dumps(out, indent=1))
