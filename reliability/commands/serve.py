"""``shotlife serve``."""

from __future__ import annotations

from pathlib import Path

import click

from reliability.commands.common import store_option


@click.command("serve")
@store_option
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8501, show_default=True, help="Port to listen on.")
@click.option("--no-browser", is_flag=True, help="Do not open a browser window.")
@click.option(
    "--sign-in",
    type=click.Path(path_type=Path, dir_okay=False),
    help="TOML file with an [auth] section of an OpenID Connect provider; then people sign in.",
)
@click.option(
    "--proxy",
    multiple=True,
    metavar="ADDRESS",
    help="Address of a proxy that ends TLS; its X-Forwarded-Proto is believed.",
)
def command(
    store: Path | None,
    host: str,
    port: int,
    no_browser: bool,
    sign_in: Path | None,
    proxy: tuple[str, ...],
) -> None:
    """Open the dashboard and the JSON API (under /api/v1) in one process.

    Without sign-in it is open to whoever has the printed address with its start token, on this machine
    only. With --sign-in people sign in; 'shotlife access --new-sign-in ADDRESS' makes the file, and
    'shotlife access' says who may do what.
    """
    from reliability.ask.sources import default_path
    from reliability.service import Door, serve

    door = Door(sign_in, proxy, not no_browser)
    serve(store or default_path(), host=host, port=port, door=door)
