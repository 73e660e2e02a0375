"""One ASGI process: the dashboard and the JSON API, owner of the store while it runs."""

from __future__ import annotations

import gc
import importlib
import os
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from reliability.access import load_access, may
from reliability.api.routes import api_routes
from reliability.ask.crew import crew
from reliability.ask.giving import warm_readers
from reliability.ask.sources import Stored, linger
from reliability.boundary import Boundary, Wall, hosts_of, inline_script_hashes, new_start_token
from reliability.notes import BadInput
from reliability.people import end_sign_in, person_of, role_of_person
from reliability.sign_in_file import check_sign_in

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
        # files of this program do not change while it runs; looking for changes costs every page
        "server.fileWatcherType": "none",
        "client.toolbarMode": "minimal",
        # a page gives a control what was chosen on another page, beside the default that a silent address stands for
        "global.disableWidgetStateDuplicationWarning": True,
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


def build_app(store_path: Path, sign_in: Path | None = None, wall: Wall | None = None) -> Any:
    """The ASGI application for a store, behind its wall; ``sign_in`` is a checked sign-in file."""
    os.environ["SHOTLIFE_STORE"] = str(store_path)
    os.environ["SHOTLIFE_SIGN_IN"] = "1" if sign_in is not None else ""
    from streamlit import App

    _configure(sign_in)
    app = App(SCRIPT, routes=api_routes(Stored(store_path), sign_in is not None))
    threading.Thread(target=_warm, daemon=True).start()
    return app if wall is None else Boundary(app, wall)


def _warm() -> None:
    """Have ready what the first question and the first page would wait for.

    The framework collects garbage after every page: what stays for ever is set aside, so that it need not
    be gone through each time.
    """
    crew().warm()
    warm_readers()
    for name in (
        "pandas",
        "altair",
        "reliability.figures",
        "dashboard.shared",
        "dashboard.controls",
    ):
        importlib.import_module(name)
    gc.collect()
    gc.freeze()


def _claims(cookies: dict[str, str]) -> dict[str, Any]:
    """What the framework's signed cookie says of the user; {} if it is forged, stale or missing."""
    import json

    from streamlit.web.server.starlette.starlette_websocket import (
        _get_signed_cookie_with_chunks,
    )

    try:
        raw = _get_signed_cookie_with_chunks(cookies, "_streamlit_user")
        found = json.loads(raw) if raw else {}
    except (ValueError, KeyError, TypeError):
        return {}
    return found if isinstance(found, dict) else {}


def wall_of(store_path: Path, host: str, port: int, door: Door) -> Wall:
    """The boundary of a service. Raises BadInput for a sign-in file that is not safe."""
    import streamlit

    folder = store_path.parent
    names = ["127.0.0.1", "localhost", "::1"]
    hosts = set(hosts_of(names, port))
    origins = {f"http://{h}" for h in hosts}
    tls = False
    if door.sign_in is not None:
        public = urlsplit(check_sign_in(door.sign_in))
        tls = public.scheme == "https"
        default = 443 if tls else 80
        bare = (public.hostname or "").lower()
        bare = f"[{bare}]" if ":" in bare else bare
        at = public.port or default
        hosts |= {f"{bare}:{at}", *([bare] if at == default else [])}
        origins.add(f"{public.scheme}://{bare}" + ("" if at == default else f":{at}"))

    def person(cookies: dict[str, str]) -> tuple[str, str]:
        found = person_of(claims := _claims(cookies))
        try:
            return found.key if found else "", role_of_person(folder, claims)[0]
        except BadInput:
            return "", "none"

    def program(token: str) -> bool:
        try:
            return may(load_access(folder).of_token(token).role, "reader")
        except BadInput:
            return False

    page = Path(streamlit.__file__).parent / "static" / "index.html"
    return Wall(
        hosts=frozenset(hosts), origins=frozenset(origins),
        start_token="" if door.sign_in is not None else new_start_token(),
        cookie=f"shotlife_{port}", proxies=frozenset(door.proxies), tls=tls, program=program, person=person,
        signed_out=lambda cookies: _end(folder, cookies), message=_of_a_page, script_hashes=inline_script_hashes(page),
    )  # fmt: skip


def _of_a_page(data: bytes) -> bool:
    """Whether bytes are a message that a page sends."""
    from google.protobuf.message import DecodeError
    from streamlit.proto.BackMsg_pb2 import BackMsg

    try:
        return BackMsg.FromString(data).WhichOneof("type") is not None
    except DecodeError:
        return False


def _end(folder: Path, cookies: dict[str, str]) -> None:
    import contextlib

    with contextlib.suppress(BadInput):
        end_sign_in(folder, _claims(cookies))


@dataclass(frozen=True)
class Door:
    """Who is let in, and by which way.

    Attributes
    ----------
    sign_in : Path or None
        Sign-in file; None: this machine only, by start token.
    proxies : tuple of str
        Addresses of proxies that end TLS and say so by X-Forwarded-Proto.
    browser : bool
        Open a browser window.
    """

    sign_in: Path | None = None
    proxies: tuple[str, ...] = ()
    browser: bool = True


def _refuse_open_host(host: str, door: Door) -> None:
    if host in ("127.0.0.1", "localhost", "::1"):
        return
    if door.sign_in is None:
        raise BadInput(
            f"no sign-in is configured, so the dashboard listens on this machine only, not on {host}; "
            "see --sign-in"
        )
    if not door.proxies:
        raise BadInput(
            f"to listen on {host}, say which proxy ends TLS: --proxy ADDRESS; or listen on 127.0.0.1 "
            "with the proxy on this machine"
        )


def _free(host: str, port: int) -> None:
    import socket

    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            raise BadInput(
                f"port {port} is taken, or not of this machine; choose another with --port"
            ) from None


def serve(
    store_path: Path, host: str = "127.0.0.1", port: int = 8501, door: Door | None = None
) -> None:
    """Run dashboard and API until stopped.

    Raises
    ------
    BadInput
        If asked to listen beyond this machine without sign-in or without a proxy that ends TLS, if the
        sign-in file is not safe, or if the port is taken.
    """
    import uvicorn

    from reliability.patience import PatientProtocol

    door = door or Door()
    _refuse_open_host(host, door)
    wall = wall_of(store_path, host, port, door)
    if door.sign_in is None:
        load_access(store_path.parent)  # damaged roles are said now, not at the first token
    _free(host, port)
    linger(0.2)
    app = build_app(store_path, door.sign_in, wall)
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{port}"
    entry = f"{address}/?token={wall.start_token}" if wall.start_token else address
    print(f"Dashboard: {entry}   API: {address}/api/v1/health   Store: {store_path}")
    if door.sign_in is None:
        print("Open to whoever has this address with its token. Stop with Ctrl-C.", flush=True)
    else:
        print(
            "Sign-in is required; roles: 'shotlife access'. Put TLS in front of it. Stop with Ctrl-C.",
            flush=True,
        )
    if door.browser and os.environ.get("DISPLAY"):
        _open_browser(entry)
    # forwarded headers are judged by the boundary, not believed of every local program
    uvicorn.run(
        app, host=host, port=port, log_level="warning", http=PatientProtocol, proxy_headers=False,
        server_header=False, limit_concurrency=1000,
    )  # fmt: skip


def _open_browser(entry: str) -> None:
    """By a private file: the arguments of a browser can be seen by every account of the machine."""
    import atexit
    import html
    import shutil
    import tempfile
    import webbrowser

    folder = Path(tempfile.mkdtemp(prefix="shotlife-"))
    atexit.register(shutil.rmtree, folder, True)
    page = folder / "open.html"
    page.write_text(f'<meta http-equiv="refresh" content="0;url={html.escape(entry)}">')
    threading.Timer(1.5, webbrowser.open, [page.as_uri()]).start()
