"""``shotlife access``: roles of people, tokens of programs."""

from __future__ import annotations

from pathlib import Path

import click

from reliability.access import Token
from reliability.commands.common import store_option, table


@click.command("access")
@store_option
@click.option(
    "--person", metavar="E-MAIL", help="Set the role of a person who signs in, or of 'anyone'."
)
@click.option("--token", metavar="NAME", help="Make a token for a program; it is shown once.")
@click.option(
    "--to",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the token, as the header that curl -H @FILE sends, to a file that only you can read.",
)
@click.option("--role", help="none, reader, contributor or maintainer.")
@click.option("--remove-token", metavar="NAME", help="Take a token back.")
@click.option("--days", type=int, help="Days until the token runs out; 365 unless said.")
@click.option("--builder", help="The only builder whose data the token may give.")
@click.option(
    "--new-sign-in",
    metavar="ADDRESS",
    help="Make sign_in.toml beside the store, for a service that people reach at ADDRESS.",
)
def command(
    store: Path | None,
    person: str | None,
    token: str | None,
    to: Path | None,
    role: str | None,
    remove_token: str | None,
    days: int | None,
    builder: str | None,
    new_sign_in: str | None,
) -> None:
    """Show or set who may do what.

    A reader sees estimates; a contributor gives data, which wait until accepted; a maintainer accepts
    and declines. A person is an e-mail address that the provider has verified, or ISSUER|SUBJECT; a
    change of role ends the sign-ins so far. Writing through the API always needs a token.
    """
    from reliability import access as ground
    from reliability.ask.sources import default_path
    from reliability.notes import BadInput
    from reliability.sign_in_file import FILE
    from reliability.sign_in_file import new_sign_in as make

    folder = (store or default_path()).parent
    if (person or token) and not role:
        raise BadInput("--person and --token need --role")
    if role and not (person or token):
        raise BadInput("--role is of a --person or a --token")
    if (days is not None or builder) and not token:
        raise BadInput("--days and --builder are of a --token")
    if to is not None and not token:
        raise BadInput("--to is of a --token")
    if to is not None and to.exists():
        raise BadInput(f"{to} is there already; remove it first")
    made = ""

    def step(a: ground.Access) -> ground.Access:
        nonlocal made
        if remove_token:
            a = ground.without_token(a, remove_token)
        if person:
            a = ground.with_person(a, person, role or "")
        if token:
            a, made = ground.with_token(
                a,
                token,
                role or "",
                days=ground.DAYS if days is None else days,
                builder=builder or "",
            )
        return a

    if new_sign_in:
        make(folder / FILE, new_sign_in)
        click.echo(f"{folder / FILE} is made, with a new secret: fill in what the provider gives")
    if person or token or remove_token:
        with ground.changing(folder) as change:
            access = change(step)
    else:
        access = ground.load_access(folder)
    if made and to is not None:
        ground.write_private(to, f"Authorization: Bearer {made}\n")
        click.echo(f"Token of {token} is in {to}, for you alone to read")
    elif made:
        click.echo(f"Token of {token}, shown once: {made}")
    rows = [["anyone who signs in", access.anyone], *([k, v] for k, v in access.people.items())]
    rows += [[f"token {k}", _said(v)] for k, v in access.tokens.items()]
    click.echo(table(["who", "role"], rows))


def _said(token: Token) -> str:
    builder = f", builder {token.builder}" if token.builder else ""
    return (
        f"{token.role}{builder}, {'until ' + token.until if token.until else 'no end: replace it'}"
    )
