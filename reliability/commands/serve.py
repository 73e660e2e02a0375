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
def command(store: Path | None, host: str, port: int, no_browser: bool) -> None:
    """Open the dashboard and the JSON API (under /api/v1) in one process.

    Without sign-in configured it listens on this machine only.
    """
    from reliability.service import serve
    from reliability.store import default_path

    serve(store or default_path(), host=host, port=port, browser=not no_browser)
