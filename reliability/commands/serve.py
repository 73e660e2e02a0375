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
def command(
    store: Path | None, host: str, port: int, no_browser: bool, sign_in: Path | None
) -> None:
    """Open the dashboard and the JSON API (under /api/v1) in one process.

    Without sign-in configured it listens on this machine only. The sign-in file has redirect_uri
    (ADDRESS/oauth2callback), cookie_secret, client_id, client_secret and server_metadata_url; who may
    do what is set with 'shotlife access'.
    """
    from reliability.ask.sources import default_path
    from reliability.service import serve

    serve(store or default_path(), host=host, port=port, browser=not no_browser, sign_in=sign_in)
