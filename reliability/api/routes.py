"""Routes of the API: asking, and giving data with a token."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from reliability import __version__
from reliability.access import load_access, may
from reliability.api.openapi import SUFFIXES, document
from reliability.ask.asking import ask
from reliability.ask.giving import give_bytes
from reliability.ask.plain import plain
from reliability.ask.questions import QUESTIONS, question_class
from reliability.ask.records import SheetError, StoreError, contributions_of
from reliability.ask.sources import Stored
from reliability.ask.texts import from_texts
from reliability.notes import BadInput, CannotAnswer

LARGEST = 200 << 20
"""bytes of an upload"""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,99}\.(?:" + "|".join(SUFFIXES) + r")", re.ASCII)


class _Refused(Exception):
    """Not allowed, or too much: status and words."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


def _said(status: int, text: str, **more: Any) -> JSONResponse:
    head = {"WWW-Authenticate": "Bearer"} if status == 401 else None
    return JSONResponse({"error": text, **more}, status_code=status, headers=head)


def _role(request: Request, store: Stored, needed: str) -> str:
    """Role of the request's token; raises if it does not suffice."""
    if getattr(request.state, "start_token", False):
        return "maintainer"  # the boundary has seen the token that only who started this was shown
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        raise _Refused(
            401, "a token is needed: Authorization: Bearer TOKEN ('shotlife access' makes one)"
        )
    who = load_access(store.path.parent).of_token(token.strip())
    name, role = who.name, who.role
    if who.ended:
        raise _Refused(401, f"this token has run out ({who.until})")
    if not name:
        raise _Refused(401, "this token is not known")
    if not may(role, needed):
        raise _Refused(403, f"the token {name} is of a {role}; a {needed} is needed")
    return role


async def _answered(work: Callable[[], Any]) -> Response:
    """Run something that may be refused, and say so in JSON."""
    try:
        return await run_in_threadpool(work)
    except _Refused as e:
        return _said(e.status, str(e))
    except BadInput as e:
        return _said(400, str(e))
    except SheetError as e:
        faults = [
            {"file": f.file, "row": f.row, "column": f.column, "message": f.message}
            for f in e.faults[:1000]
        ]
        n = len(e.faults)
        return _said(400, f"{n} fault{'s' if n != 1 else ''}; nothing was stored", faults=faults)
    except CannotAnswer as e:
        return _said(422, str(e), partial=plain(e.partial), asked=e.asked, basis=plain(e.basis))
    except StoreError as e:
        return _said(503, str(e))


def api_routes(store: Stored, sign_in: bool = False) -> list[Route]:
    """All routes; with ``sign_in``, reading needs a token too."""
    text = document()

    async def health(request: Request) -> Response:
        return JSONResponse({"ok": True, "version": __version__})

    async def unknown(request: Request) -> Response:
        there = ", ".join(sorted(("contributions", "health", "openapi.json", *QUESTIONS)))
        return _said(404, f"there is nothing here; under /api/v1 there are: {there}")

    async def described(request: Request) -> Response:
        return JSONResponse(text)

    def asking(name: str) -> Callable[[Request], Any]:
        cls = question_class(name)

        async def respond(request: Request) -> Response:
            def work() -> Response:
                if sign_in:
                    _role(request, store, "reader")
                q = request.query_params
                question = from_texts(cls, {k: q.getlist(k) for k in q})
                return JSONResponse(plain(ask(question, store)))

            return await _answered(work)

        return respond

    async def listed(request: Request) -> Response:
        def work() -> Response:
            if sign_in:
                _role(request, store, "reader")
            if request.query_params:
                raise BadInput("contributions has no settings")
            return JSONResponse({"contributions": plain(contributions_of(store))})

        return await _answered(work)

    async def contribute(request: Request) -> Response:
        try:
            role = await run_in_threadpool(_role, request, store, "contributor")
            q = request.query_params
            name, licence = q.get("file", ""), q.get("licence", "")
            if set(q) - {"file", "licence", "supersedes"} or len(q.multi_items()) != len(set(q)):
                raise BadInput("allowed parameters: file, licence and supersedes, each once")
            old = q.get("supersedes")
            if old is not None and not re.fullmatch(r"[1-9]\d{0,8}", old, re.ASCII):
                raise BadInput("supersedes is the number of a contribution")
            if old is not None and not may(role, "maintainer"):
                raise _Refused(403, "a maintainer decides what a contribution supersedes")
            if not _NAME.fullmatch(name):
                raise BadInput(
                    f"file is a plain name that ends in {', '.join(SUFFIXES)}, not {name[:60]!r}"
                )
            if ("licence" in q and not licence.strip()) or len(licence) > 100:
                raise BadInput("licence is a short name such as CC0-1.0")
            body = bytearray()
            async for chunk in request.stream():
                body += chunk
                if len(body) > LARGEST:
                    raise _Refused(
                        413, f"more than {LARGEST >> 20} MiB; add it with 'shotlife add'"
                    )
        except _Refused as e:
            return _said(e.status, str(e))
        except BadInput as e:
            return _said(400, str(e))
        status = "accepted" if may(role, "maintainer") else "received"

        def work() -> Response:
            taken = give_bytes(
                store, Path(name), bytes(body), status=status, licence=licence,
                supersedes=None if old is None else int(old),
            )  # fmt: skip
            return JSONResponse(plain(taken), status_code=201 if taken.new else 200)

        return await _answered(work)

    return [
        Route("/api/v1/health", health, methods=["GET"]),
        Route("/api/v1/openapi.json", described, methods=["GET"]),
        Route("/api/v1/contributions", contribute, methods=["POST"]),
        Route("/api/v1/contributions", listed, methods=["GET"]),
        *(Route(f"/api/v1/{name}", asking(name), methods=["GET"]) for name in QUESTIONS),
        Route("/api/{rest:path}", unknown),
    ]
