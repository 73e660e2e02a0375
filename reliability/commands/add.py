"""``shotlife add``: check files and store each as a contribution."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from reliability.commands.common import (
    emit_findings,
    json_option,
    mapping_from,
    mapping_options,
    source,
    store_option,
)
from reliability.notes import BadInput


@click.command("add")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@store_option
@click.option("--received", is_flag=True, help="Let it wait until a maintainer accepts it.")
@click.option("--supersedes", type=int, help="Number of the contribution that this one corrects.")
@click.option("--licence", default="", help="Licence under which the data are given.")
@mapping_options
@json_option
def command(
    files: tuple[Path, ...], store: Path | None, received: bool, supersedes: int | None, licence: str,
    columns: tuple[str, ...], keep_mapping: str | None, mapping: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Check sheets and bundles and add them to the store, each as one contribution.

    A file with any fault is refused whole. The same file twice is stored once. A correction
    supersedes the contribution it corrects, of whatever kind; nothing is deleted.
    """
    from reliability.ask.giving import give, look
    from reliability.ask.records import SheetError

    if supersedes is not None and len(files) != 1:
        raise BadInput("--supersedes goes with one file")
    names = mapping_from(columns, keep_mapping, mapping)
    looked, faults = [], []
    for f in files:
        try:
            looked.append(look(f, mapping=names))
        except SheetError as e:
            faults += e.faults
    if faults:
        raise SheetError(faults)
    origin = source(store, ())
    status = "received" if received else "accepted"
    out = []
    for found in looked:
        taken = give(origin, found, status=status, licence=licence, supersedes=supersedes)
        out.append({
            **asdict(taken.contribution), "new": taken.new, "notes": [n.as_dict() for n in taken.notes],
            "findings": [asdict(x) for x in taken.findings],
        })  # fmt: skip
        if not as_json:
            _print(taken, found, origin)
    if as_json:
        click.echo(json.dumps(out, indent=1))


def _print(taken: Any, looked: Any, origin: Any) -> None:
    """What became of one file."""
    c = taken.contribution
    verb = "added" if taken.new else "already stored"
    what = "records" if c.kind == "life" else f"rows of {c.kind}"
    click.echo(f"{c.file}: {verb} as contribution {c.id} ({c.rows} {what}, {c.status})")
    for n in taken.notes:
        click.echo(f"  note: {n.text}")
    if any(name.endswith(".parquet") for name in looked.other):
        click.echo(
            f"  its shot log is kept in {origin.box.log_folder}; reduce it with 'shotlife shots'"
        )
    emit_findings(taken.findings)
