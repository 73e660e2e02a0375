"""``shotlife restore``: put a backup in the store's place."""

from __future__ import annotations

from pathlib import Path

import click

from reliability.commands.common import store_option
from reliability.notes import BadInput


@click.command("restore")
@click.argument("source", type=click.Path(path_type=Path, dir_okay=False))
@store_option
@click.option("--replace", is_flag=True, help="Set a store that is there aside, as .before.")
@click.option(
    "--with-roles", is_flag=True, help="Put the roles and the sign-in file in it in place too."
)
@click.option("--check", is_flag=True, help="Only check the backup.")
def command(source: Path, store: Path | None, replace: bool, with_roles: bool, check: bool) -> None:
    """Put a backup in the store's place, after checking every byte of it."""
    from reliability.store import Store, default_path
    from reliability.store.backup import read_backup, restore

    box = Store(store or default_path())
    if check and (replace or with_roles):
        raise BadInput("--check only looks: --replace and --with-roles have no effect beside it")
    b = read_backup(source) if check else restore(source, box, replace, with_roles)
    verb = "sound" if check else f"restored to {box.path}"
    if b.roles and not check:
        verb += ", roles too" if with_roles else "; the roles in it were left out"
    click.echo(
        f"{source}: {b.contributions} contributions, {b.records:,} records, {b.logs} shot logs; {verb}"
    )
