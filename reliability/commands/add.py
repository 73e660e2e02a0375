"""``shotlife add``: check files and store each as a contribution."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import click

from reliability.commands.common import (
    emit_findings,
    json_option,
    reading_options,
    reading_terms,
    source,
    store_option,
    who_runs,
)
from reliability.commands.reading import show_changes
from reliability.notes import BadInput


@click.command("add")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@store_option
@reading_options
@click.option("--received", is_flag=True, help="Let it wait until a maintainer accepts it.")
@click.option("--supersedes", type=int, multiple=True,
              help="Number of a contribution that this one corrects; may be repeated.")  # fmt: skip
@click.option("--replace", "whole", is_flag=True,
              help="It takes the place of all that stands of its builders and kind.")  # fmt: skip
@click.option("--beside", is_flag=True, help="Records like those that stand are of other units.")
@click.option("--licence", default="", help="Licence under which the data are given.")
@json_option
def command(
    files: tuple[Path, ...], store: Path | None, received: bool, supersedes: tuple[int, ...], whole: bool,
    beside: bool, licence: str, as_json: bool, **given: Any,
) -> None:  # fmt: skip
    """Check files of any kind and add them to the store, each as a contribution (a log gives several).

    A sheet of ours is taken as it stands. A bench's own file is taken once what 'shotlife check' shows
    is agreed with (--agree, or --mapping with the file that check wrote); grave doubts have to be
    answered each by itself. A file with any fault is refused whole. The same file twice is stored
    once. A correction supersedes what it corrects, of whatever kind; nothing is deleted.
    """
    from reliability.ask.giving import How, give, look, replaced
    from reliability.ask.records import SheetError

    if (supersedes or whole) and len(files) != 1:
        raise BadInput("--supersedes and --replace go with one file")
    if supersedes and whole:
        raise BadInput(
            "--supersedes has no effect here: --replace finds what it takes the place of"
        )
    origin = source(store, ())
    terms = reading_terms(given, origin)
    looked, faults = [], []
    for f in files:
        try:
            looked.append(look(f, terms=terms))
            faults += looked[-1].open_faults()
        except SheetError as e:
            faults += e.faults
    if faults:
        raise SheetError(faults)
    status = "received" if received else "accepted"
    how = How(who_runs(), status, licence, tuple(supersedes), beside)
    out = []
    for found in looked:
        own = replace(how, supersedes=replaced(origin, found)) if whole else how
        done = give(origin, found, own)
        for i, taken in enumerate(done.all):
            out.append({
                **asdict(taken.contribution), "new": taken.new, "notes": [n.as_dict() for n in taken.notes],
                "findings": [asdict(x) for x in taken.findings],
            })  # fmt: skip
            if not as_json:
                _print(taken, found if i == 0 else None, origin)
    if as_json:
        click.echo(json.dumps(out, indent=1))


def _print(taken: Any, looked: Any, origin: Any) -> None:
    """What became of one sheet; ``looked`` with the first of a file."""
    c = taken.contribution
    verb = "added" if taken.new else "already stored"
    what = "records" if c.kind == "life" else f"rows of {c.kind}"
    click.echo(f"{c.file}: {verb} as contribution {c.id} ({c.rows} {what}, {c.status})")
    for n in taken.notes:
        click.echo(f"  note: {n.text}")
    if looked is None:
        return
    if any(name.endswith(".parquet") for name in looked.other):
        click.echo(
            f"  its shot log is kept in {origin.box.log_folder}; reduce it with 'shotlife shots'"
        )
    if not looked.reading.plain:
        show_changes(looked.reading)
    emit_findings([*looked.reading.findings, *taken.findings])
