"""Routes of the API: asking, and giving data with a token."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from reliability import __version__
from reliability.api.common import answered, caller, said
from reliability.api.giving import giving_routes
from reliability.api.openapi import document
from reliability.ask.asking import ask
from reliability.ask.plain import plain
from reliability.ask.questions import QUESTIONS, question_class
from reliability.ask.records import contributions_of
from reliability.ask.sources import Stored
from reliability.ask.texts import from_texts
from reliability.notes import BadInput


def api_routes(store: Stored, sign_in: bool = False) -> list[Route]:
    """All routes; with ``sign_in``, reading needs a token too."""
    text = document()

    async def health(request: Request) -> Response:
        return JSONResponse({"ok": True, "version": __version__})

    async def unknown(request: Request) -> Response:
        there = ", ".join(
            sorted(("contributions", "deeds", "health", "openapi.json", "readings", *QUESTIONS))
        )
        return said(404, f"there is nothing here; under /api/v1 there are: {there}")

    async def described(request: Request) -> Response:
        return JSONResponse(text)

    def asking(name: str) -> Callable[[Request], Any]:
        cls = question_class(name)

        async def respond(request: Request) -> Response:
            def work() -> Response:
                if sign_in:
                    caller(request, store, "reader")
                q = request.query_params
                question = from_texts(cls, {k: q.getlist(k) for k in q})
                return JSONResponse(plain(ask(question, store)))

            return await answered(work)

        return respond

    async def listed(request: Request) -> Response:
        def work() -> Response:
            if sign_in:
                caller(request, store, "reader")
            if request.query_params:
                raise BadInput("contributions has no settings")
            return JSONResponse({"contributions": plain(contributions_of(store))})

        return await answered(work)

    return [
        Route("/api/v1/health", health, methods=["GET"]),
        Route("/api/v1/openapi.json", described, methods=["GET"]),
        Route("/api/v1/contributions", listed, methods=["GET"]),
        *giving_routes(store, sign_in),
        *(Route(f"/api/v1/{name}", asking(name), methods=["GET"]) for name in QUESTIONS),
        Route("/api/{rest:path}", unknown),
    ]
