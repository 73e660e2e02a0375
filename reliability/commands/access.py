"""``shotlife access``: roles of people, tokens of programs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from reliability.access import Access, Token, write_private
from reliability.commands.common import store_option, table
from reliability.notes import BadInput


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
def command(store: Path | None, **asked: Any) -> None:
    """Show or set who may do what.

    A reader sees estimates; a contributor gives data, which wait until accepted; a maintainer accepts
    and declines. A person is an e-mail address that the provider has verified, or ISSUER|SUBJECT; a
    change of role ends the sign-ins so far. Writing through the API always needs a token.
    """
    from reliability.access import changing, load_access
    from reliability.ask.sources import default_path
    from reliability.sign_in_file import FILE, new_sign_in

    folder = (store or default_path()).parent
    wanted = _Wanted(**asked)
    wanted.refuse_useless()
    if wanted.new_sign_in is not None:
        new_sign_in(folder / FILE, wanted.new_sign_in)
        click.echo(f"{folder / FILE} is made, with a new secret: fill in what the provider gives")
    if wanted.changes:
        with changing(folder) as change:
            access = change(wanted.made)
    else:
        access = load_access(folder)
    rows = [["anyone who signs in", access.anyone], *([k, v] for k, v in access.people.items())]
    rows += [[f"token {k}", _said(v)] for k, v in access.tokens.items()]
    click.echo(table(["who", "role"], rows))


@dataclass(frozen=True)
class _Wanted:
    """What the command is asked to do; None: not that."""

    person: str | None
    token: str | None
    to: Path | None
    role: str | None
    remove_token: str | None
    days: int | None
    builder: str | None
    new_sign_in: str | None

    @property
    def changes(self) -> bool:
        """Whether roles or tokens change."""
        return not (self.person is None and self.token is None and self.remove_token is None)

    def refuse_useless(self) -> None:
        """Raises BadInput for an option that has no effect; an empty one is a variable that is not set."""
        for name, value in vars(self).items():
            if isinstance(value, str) and not value.strip():
                raise BadInput(f"--{name.replace('_', '-')} is empty")
        named = self.person is not None or self.token is not None
        if named and self.role is None:
            raise BadInput("--person and --token need --role")
        if self.role is not None and not named:
            raise BadInput("--role is of a --person or a --token")
        if self.token is None and (self.days is not None or self.builder is not None):
            raise BadInput("--days and --builder are of a --token")
        if self.token is None and self.to is not None:
            raise BadInput("--to is of a --token")
        if self.to is not None and (self.to.exists() or self.to.is_symlink()):
            raise BadInput(f"{self.to} is there already; remove it first")

    def made(self, access: Access) -> Access:
        """The roles as they are to be. Raises BadInput."""
        from reliability.access import DAYS, with_person, with_token, without_token

        if self.remove_token is not None:
            access = without_token(access, self.remove_token)
        if self.person is not None:
            access = with_person(access, self.person, self.role or "")
        if self.token is not None:
            access, secret = with_token(
                access, self.token, self.role or "",
                days=DAYS if self.days is None else self.days, builder=self.builder or "",
            )  # fmt: skip
            self._hand_out(secret)
        return access

    def _hand_out(self, secret: str) -> None:
        """Tell the new token, before it counts: one that nobody was told would stay for ever."""
        if self.to is None:
            click.echo(f"Token of {self.token}, shown once: {secret}")
            return
        write_private(self.to, f"Authorization: Bearer {secret}\n")
        click.echo(f"Token of {self.token} is in {self.to}, for you alone to read")


def _said(token: Token) -> str:
    builder = f", builder {token.builder}" if token.builder else ""
    return (
        f"{token.role}{builder}, {'until ' + token.until if token.until else 'no end: replace it'}"
    )
