"""``shotlife bundle``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import load, source_options


@click.command("bundle")
@source_options
@click.option(
    "--to",
    "target",
    required=True,
    type=click.Path(path_type=Path),
    help="A .zip file or a folder to make.",
)
@click.option("--name", default="shot-lives", show_default=True, help="Name of the package.")
@click.option(
    "--licence",
    default="CC0-1.0",
    show_default=True,
    help="Licence under which the data are given.",
)
def command(target: Path, name: str, licence: str, **source: Any) -> None:
    """Pack the records (after filters) as a bundle to contribute or publish.

    A bundle is a Data Package: a descriptor with schemas, licence, attribution and hashes beside life.csv.
    """
    from reliability.sheets.bundle import write_bundle

    basis = load(**source)
    write_bundle(basis.records, target, name, licence)
    who = ", ".join(sorted(set(basis.records.builder.tolist())))
    click.echo(f"{target}: {len(basis.records)} records of {who}, licence {licence}")
