"""One ASGI process: the dashboard and the JSON API, owner of the store while it runs."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from reliability.api.routes import api_routes
from reliability.notes import BadInput
from reliability.store import Store

SCRIPT = Path(__file__).resolve().parents[1] / "dashboard" / "app.py"


def build_app(store_path: Path) -> Any:
    """The ASGI application for a store."""
    os.environ["SHOTLIFE_STORE"] = str(store_path)
    from streamlit import App, config

    for name, value in {
        "runner.magicEnabled": False,
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "server.maxUploadSize": 200,
        "theme.primaryColor": "#24506e",
    }.items():
        config.set_option(name, value)
    return App(SCRIPT, routes=api_routes(Store(store_path)))


def serve(
    store_path: Path, host: str = "127.0.0.1", port: int = 8501, browser: bool = True
) -> None:
    """Run dashboard and API until stopped.

    Raises
    ------
    BadInput
        If asked to listen beyond this machine while no sign-in is configured, or if the port is
        taken.
    """
    import socket

    import uvicorn

    if host not in ("127.0.0.1", "localhost", "::1"):
        raise BadInput(
            f"no sign-in is configured, so the dashboard listens on this machine only, not on {host}"
        )
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host if host != "::1" else "127.0.0.1", port))
        except OSError:
            raise BadInput(f"port {port} is taken; choose another with --port") from None
    app = build_app(store_path)
    address = f"http://{host}:{port}"
    print(f"Dashboard: {address}   API: {address}/api/v1/health   Store: {store_path}")
    print("No sign-in is configured: open to this machine only. Stop with Ctrl-C.", flush=True)
    if browser and os.environ.get("DISPLAY"):
        import threading
        import webbrowser

        threading.Timer(1.5, webbrowser.open, [address]).start()
    uvicorn.run(app, host=host, port=port, log_level="warning")
