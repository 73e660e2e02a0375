"""``shotlife backup``: save the store to one checked file."""

from __future__ import annotations

from pathlib import Path

import click

from reliability.commands.common import store_option


@click.command("backup")
@click.argument("target", type=click.Path(path_type=Path, dir_okay=False))
@store_option
def command(target: Path, store: Path | None) -> None:
    """Save the store and the shot logs beside it to one zip file, and read it back.

    The roles in access.json are not in it: tokens belong to the machine.
    """
    from reliability.store import Store, default_path
    from reliability.store.backup import make_backup

    b = make_backup(Store(store or default_path()), target)
    click.echo(
        f"{target}: {b.contributions} contributions, {b.records:,} records, {b.logs} shot logs, {b.bytes:,} bytes; read back and sound"
    )
