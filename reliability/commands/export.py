"""``shotlife export``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import load, source_options


@click.command("export")
@source_options
@click.option(
    "--to",
    "target",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="File to write: .csv or .parquet.",
)
def command(target: Path, **source: Any) -> None:
    """Write the records (after filters) as one life sheet, CSV or Parquet."""  # fmt: skip
    from reliability.sheets.write import write_life

    basis = load(**source)
    write_life(basis.records, target)
    click.echo(f"{target}: {len(basis.records)} records")
