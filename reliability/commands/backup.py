"""``shotlife backup``: save the store to one checked file."""

from __future__ import annotations

from pathlib import Path

import click

from reliability.commands.common import store_option


@click.command("backup")
@click.argument("target", type=click.Path(path_type=Path, dir_okay=False))
@store_option
@click.option("--with-roles", is_flag=True, help="Include roles and sign-in file: keep it secret.")
def command(target: Path, store: Path | None, with_roles: bool) -> None:
    """Save the store and the shot logs beside it to one zip file, and read it back.

    Roles (access.json) and the sign-in file are left out unless asked for: they hold secrets of the
    machine.
    """
    from reliability.store import Store, default_path
    from reliability.store.backup import make_backup

    b = make_backup(Store(store or default_path()), target, with_roles)
    roles = f"with {' and '.join(b.roles)}" if b.roles else "without roles"
    click.echo(
        f"{target}: {b.contributions} contributions, {b.records:,} records, {b.logs} shot logs, {roles}, "
        f"{b.bytes:,} bytes; read back and sound"
    )
