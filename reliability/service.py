"""One ASGI process: the dashboard and the JSON API, owner of the store while it runs."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from reliability.api.routes import api_routes
from reliability.ask.sources import Stored
from reliability.notes import BadInput

SCRIPT = Path(__file__).resolve().parents[1] / "dashboard" / "app.py"


# palette of our own, light and dark; contrast is tested (tests/test_figures.py)
THEME = {
    "light": {"backgroundColor": "#fbfaf8", "secondaryBackgroundColor": "#f0eeea", "textColor": "#111518",
              "primaryColor": "#1f5f86", "linkColor": "#1f5f86", "borderColor": "#d9d5cd"},
    "dark": {"backgroundColor": "#15191c", "secondaryBackgroundColor": "#1f262b", "textColor": "#e6e4df",
             "primaryColor": "#4f9cc8", "linkColor": "#7fb9dc", "borderColor": "#39434a"},
}  # fmt: skip


def _configure(sign_in: Path | None) -> None:
    from streamlit import config

    options: dict[str, Any] = {
        "runner.magicEnabled": False,
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        # tables are downloaded by our own buttons, safe against formulas
        "client.disableDataExport": True,
        "server.maxUploadSize": 200,
        "theme.baseRadius": "small",
        "theme.headingFontSizes": ["2.1rem", "1.45rem", "1.05rem", "1rem", "1rem", "1rem"],
        "theme.headingFontWeights": [700, 600, 600, 600, 600, 600],
    }
    for mode, colours in THEME.items():
        options |= {f"theme.{mode}.{name}": value for name, value in colours.items()}
    if sign_in is not None:
        options["secrets.files"] = [str(sign_in.resolve())]
    for name, value in options.items():
        config.set_option(name, value)


def check_sign_in(path: Path) -> None:
    """Look at a sign-in file (TOML with an ``[auth]`` section). Raises BadInput."""
    import tomllib

    try:
        auth = tomllib.loads(path.read_text())["auth"]
    except OSError as e:
        raise BadInput(f"cannot read {path}: {e.strerror}") from None
    except (tomllib.TOMLDecodeError, KeyError, UnicodeDecodeError):
        raise BadInput(f"{path} is no TOML file with a section [auth]") from None
    provider = next((v for v in auth.values() if isinstance(v, dict)), auth)
    missing = [k for k in ("redirect_uri", "cookie_secret") if not auth.get(k)]
    missing += [
        k for k in ("client_id", "client_secret", "server_metadata_url") if not provider.get(k)
    ]
    if missing:
        raise BadInput(f"{path}: [auth] lacks {', '.join(missing)}")


def build_app(store_path: Path, sign_in: Path | None = None) -> Any:
    """The ASGI application for a store; ``sign_in`` is a checked sign-in file."""
    os.environ["SHOTLIFE_STORE"] = str(store_path)
    os.environ["SHOTLIFE_SIGN_IN"] = "1" if sign_in is not None else ""
    from streamlit import App

    _configure(sign_in)
    return App(SCRIPT, routes=api_routes(Stored(store_path), sign_in is not None))


def serve(
    store_path: Path,
    host: str = "127.0.0.1",
    port: int = 8501,
    browser: bool = True,
    sign_in: Path | None = None,
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

    if sign_in is not None:
        check_sign_in(sign_in)
    elif host not in ("127.0.0.1", "localhost", "::1"):
        raise BadInput(
            f"no sign-in is configured, so the dashboard listens on this machine only, not on {host}; "
            "see --sign-in"
        )
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host if host != "::1" else "127.0.0.1", port))
        except OSError:
            raise BadInput(
                f"port {port} is taken, or not of this machine; choose another with --port"
            ) from None
    app = build_app(store_path, sign_in)
    address = f"http://{host}:{port}"
    print(f"Dashboard: {address}   API: {address}/api/v1/health   Store: {store_path}")
    if sign_in is None:
        print("No sign-in is configured: open to this machine only. Stop with Ctrl-C.", flush=True)
    else:
        print(
            "Sign-in is required; roles: 'shotlife access'. Put TLS in front of it. Stop with Ctrl-C.",
            flush=True,
        )
    if browser and os.environ.get("DISPLAY"):
        import threading
        import webbrowser

        threading.Timer(1.5, webbrowser.open, [address]).start()
    uvicorn.run(app, host=host, port=port, log_level="warning")
