"""``shotlife export``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import filter_options, source


@click.command("export")
@filter_options
@click.option(
    "--to",
    "target",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="File to write: .csv or .parquet.",
)
def command(store: Path | None, files: tuple[Path, ...], target: Path, **filters: Any) -> None:
    """Write the records (after filters) as one life sheet, CSV or Parquet, and beside it whom to cite."""
    from reliability.ask.giving import chosen_records
    from reliability.ask.packing import write_export

    records, pool = chosen_records(source(store, files), **filters)
    own = set(records.builder.tolist())
    given = (*pool.basis.contributions, *pool.basis.files)
    cited = [s.cited for s in given if "life" in s.kinds and own & set(s.builders.split(", "))]
    beside = write_export(records, cited, target)
    click.echo(f"{target}: {len(records)} records; whom to cite: {beside.name}")
