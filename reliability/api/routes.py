"""Routes of the API: asking; giving data has a file of its own."""

from __future__ import annotations

import asyncio
import json
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from reliability import __version__
from reliability.api.common import Act, answering, asker, said
from reliability.api.giving import giving_routes
from reliability.api.openapi import document
from reliability.ask.crew import Crew, Ticket, crew
from reliability.ask.plain import plain
from reliability.ask.questions import QUESTIONS, question_class
from reliability.ask.records import contributions_of
from reliability.ask.sources import Stored
from reliability.ask.texts import from_texts
from reliability.notes import BadInput


class _Api:
    """The work of the routes that read, for one store."""

    def __init__(self, store: Stored, sign_in: bool, by: Crew) -> None:
        self.store, self.sign_in, self.crew = store, sign_in, by

    def asking(self, name: str) -> Act:
        """The route of a question."""
        cls = question_class(name)

        async def respond(request: Request) -> Response:
            who = await run_in_threadpool(asker, request, self.store, self.sign_in)
            q = request.query_params
            question = await run_in_threadpool(from_texts, cls, {k: q.getlist(k) for k in q})
            with self.crew.places.of(who.by):
                ticket = await run_in_threadpool(self.crew.begin, question, self.store, who.by)
                try:
                    await _until(ticket, request, self.crew.rules.patience)
                    return await run_in_threadpool(lambda: JSONResponse(plain(ticket.answer())))
                finally:
                    ticket.leave()

        return answering(respond)

    async def listed(self, request: Request) -> Response:
        """What is stored, and what waits."""
        who = await run_in_threadpool(asker, request, self.store, self.sign_in)
        if request.query_params:
            raise BadInput("contributions has no settings")

        def work() -> Response:
            return JSONResponse({"contributions": plain(contributions_of(self.store))})

        with self.crew.places.of(who.by):
            return await run_in_threadpool(work)


async def _until(ticket: Ticket, request: Request, patience: float) -> None:
    """Wait until the answer is there, the asker has gone, or for as long as anybody may wait."""
    loop = asyncio.get_running_loop()
    there = asyncio.Event()
    ticket.tell(lambda: loop.call_soon_threadsafe(there.set))

    async def gone() -> None:
        while (await request.receive())["type"] != "http.disconnect":
            pass

    waits = [asyncio.ensure_future(there.wait()), asyncio.ensure_future(gone())]
    try:
        await asyncio.wait(waits, timeout=patience, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for w in waits:
            w.cancel()


def api_routes(store: Stored, sign_in: bool = False, by: Crew | None = None) -> list[Route]:
    """All routes; with ``sign_in``, reading needs a token too. ``by`` works the questions out."""
    workers = by or crew()
    api = _Api(store, sign_in, workers)
    text = json.dumps(document()).encode()  # once: it is large, and anybody may ask for it

    async def health(request: Request) -> Response:
        return JSONResponse({"ok": True, "version": __version__})

    async def unknown(request: Request) -> Response:
        there = ", ".join(
            sorted(("contributions", "deeds", "health", "openapi.json", "readings", *QUESTIONS))
        )
        return said(404, f"there is nothing here; under /api/v1 there are: {there}")

    async def described(request: Request) -> Response:
        return Response(text, media_type="application/json")

    routes: list[Any] = [
        Route("/api/v1/health", health, methods=["GET"]),
        Route("/api/v1/openapi.json", described, methods=["GET"]),
        Route("/api/v1/contributions", answering(api.listed), methods=["GET"]),
        *giving_routes(store, sign_in, workers),
        *(Route(f"/api/v1/{name}", api.asking(name), methods=["GET"]) for name in QUESTIONS),
        Route("/api/{rest:path}", unknown),
    ]
    return routes
