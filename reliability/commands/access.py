"""``shotlife access``: roles of people, tokens of programs."""

from __future__ import annotations

from pathlib import Path

import click

from reliability.commands.common import store_option, table


@click.command("access")
@store_option
@click.option(
    "--person", metavar="E-MAIL", help="Set the role of a person who signs in, or of 'anyone'."
)
@click.option("--token", metavar="NAME", help="Make a token for a program; it is shown once.")
@click.option("--role", help="none, reader, contributor or maintainer.")
@click.option("--remove-token", metavar="NAME", help="Take a token back.")
def command(
    store: Path | None,
    person: str | None,
    token: str | None,
    role: str | None,
    remove_token: str | None,
) -> None:
    """Show or set who may do what.

    A reader sees estimates; a contributor gives data, which wait until accepted; a maintainer accepts
    and declines. Without sign-in ('shotlife serve --sign-in') the dashboard is open to this machine
    only; writing through the API always needs a token.
    """
    from reliability.access import load_access, save_access, with_person, with_token, without_token
    from reliability.ask.sources import default_path
    from reliability.notes import BadInput

    folder = (store or default_path()).parent
    access = load_access(folder)
    if (person or token) and not role:
        raise BadInput("--person and --token need --role")
    if remove_token:
        access = without_token(access, remove_token)
    if person:
        access = with_person(access, person, role or "")
    made = ""
    if token:
        access, made = with_token(access, token, role or "")
    if person or token or remove_token:
        save_access(access, folder)
    if made:
        click.echo(f"Token of {token}, shown once: {made}")
    rows = [["anyone who signs in", access.anyone], *([k, v] for k, v in access.people.items())]
    rows += [[f"token {k}", v["role"]] for k, v in access.tokens.items()]
    click.echo(table(["who", "role"], rows))
