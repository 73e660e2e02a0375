"""One ASGI process: the dashboard and the JSON API, owner of the store while it runs."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from reliability import __version__
from reliability.decisions.answer import plain
from reliability.notes import BadInput, CannotAnswer
from reliability.store import Store, StoreError

SCRIPT = Path(__file__).resolve().parents[1] / "dashboard" / "app.py"


def _floats(request: Request, name: str) -> list[float]:
    try:
        return [float(v) for v in request.query_params.getlist(name)]
    except ValueError:
        raise BadInput(f"{name} must be a number") from None


def _settings(request: Request) -> dict[str, Any]:
    q = request.query_params
    out: dict[str, Any] = {
        "family_name": q.get("family", "weibull"),
        "bound": q.get("bound", "calibrated"),
    }
    confidence = _floats(request, "confidence")
    out["confidence"] = confidence[0] if confidence else 0.95
    return out


def _records(request: Request, store: Store) -> Any:
    from reliability.sheets.filters import choose

    q = request.query_params
    records = store.records()
    if not len(records):
        raise CannotAnswer("the store holds no accepted records yet")
    return choose(
        records,
        slot=q.getlist("slot"),
        part=q.getlist("part"),
        builder=q.getlist("builder"),
        conditions=q.getlist("where"),
    )


def _life(request: Request, store: Store) -> Any:
    from reliability.decisions.life import life

    return life(
        _records(request, store), mode=request.query_params.get("mode", ""),
        at=_floats(request, "at"), fractions=_floats(request, "fraction") or (0.1,), **_settings(request),
    )  # fmt: skip


def _modes(request: Request, store: Store) -> Any:
    from reliability.decisions.modes import modes

    return modes(_records(request, store), **_settings(request))


def _module(request: Request, store: Store) -> Any:
    from reliability.decisions.module import module

    return module(_records(request, store), at=_floats(request, "at"), **_settings(request))


def _derate(request: Request, store: Store) -> Any:
    from reliability.decisions.derating import derate

    survival = _floats(request, "survival")
    shots = _floats(request, "shots")
    return derate(
        _records(request, store), request.query_params.getlist("stress"), shots=shots[0] if shots else float("nan"),
        survival=survival[0] if survival else 0.9, **_settings(request),
    )  # fmt: skip


def _flight(request: Request, store: Store) -> Any:
    from reliability.decisions.flight import flight

    shots = _floats(request, "shots")
    name = request.query_params.get("module")
    if not shots or not name:
        raise BadInput("flight needs module and shots")
    survival = _floats(request, "survival")
    settings = _settings(request)
    settings.pop("bound")
    return flight(
        _records(request, store),
        name,
        shots[0],
        survival=survival[0] if survival else 0.9,
        **settings,
    )


def _builders(request: Request, store: Store) -> Any:
    from reliability.decisions.builders import builders

    settings = _settings(request)
    settings.pop("bound")
    return builders(
        _records(request, store), stress=request.query_params.getlist("stress") or None, **settings
    )


def _contributions(request: Request, store: Store) -> Any:
    return {"contributions": store.contributions() if store.exists else []}


QUESTIONS: dict[str, Callable[[Request, Store], Any]] = {
    "life": _life,
    "modes": _modes,
    "module": _module,
    "derate": _derate,
    "flight": _flight,
    "builders": _builders,
    "contributions": _contributions,
}


def api_routes(store: Store) -> list[Route]:
    """The JSON API; the same dataclasses as everywhere else."""

    def endpoint(answer: Callable[[Request, Store], Any]) -> Callable[[Request], Any]:
        async def respond(request: Request) -> Response:
            try:
                out = plain(await run_in_threadpool(answer, request, store))
                return JSONResponse(out)
            except BadInput as e:
                return JSONResponse({"error": str(e)}, status_code=400)
            except CannotAnswer as e:
                body = {"error": str(e), "partial": plain(e.partial)}
                return JSONResponse(body, status_code=422)
            except StoreError as e:
                return JSONResponse({"error": str(e)}, status_code=503)

        return respond

    async def health(request: Request) -> Response:
        return JSONResponse({"ok": True, "version": __version__})

    return [
        Route("/api/v1/health", health, methods=["GET"]),
        *(Route(f"/api/v1/{name}", endpoint(f), methods=["GET"]) for name, f in QUESTIONS.items()),
    ]


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
