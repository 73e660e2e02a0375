"""Routes of the API: asking, and giving data with a token."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from reliability import __version__
from reliability.access import OWNER, Who, load_access, may
from reliability.api.openapi import SUFFIXES, document
from reliability.ask.admission import Busy
from reliability.ask.crew import Crew, Ticket, crew
from reliability.ask.giving import give, look
from reliability.ask.plain import plain
from reliability.ask.questions import QUESTIONS, question_class
from reliability.ask.records import SheetError, StoreError, contributions_of
from reliability.ask.sources import Stored
from reliability.ask.texts import from_texts
from reliability.notes import BadInput, CannotAnswer

LARGEST = 200 << 20
"""bytes of an upload"""
SLOWEST = 300
"""seconds within which it must have come"""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,99}\.(?:" + "|".join(SUFFIXES) + r")", re.ASCII)


class _Refused(Exception):
    """Not allowed, or too much: status and words."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


def _said(status: int, text: str, **more: Any) -> JSONResponse:
    head = {"WWW-Authenticate": "Bearer"} if status == 401 else None
    return JSONResponse({"error": text, **more}, status_code=status, headers=head)


def _refusal(e: Exception) -> JSONResponse:
    """What is said where something is refused. Raises what is no refusal."""
    if isinstance(e, Busy):
        said = _said(e.status, str(e))
        said.headers["Retry-After"] = str(e.after)
        return said
    if isinstance(e, _Refused):
        return _said(e.status, str(e))
    if isinstance(e, BadInput):
        return _said(400, str(e))
    if isinstance(e, CannotAnswer):
        return _said(422, str(e), partial=plain(e.partial), asked=e.asked, basis=plain(e.basis))
    if isinstance(e, SheetError):
        faults = [
            {"file": f.file, "row": f.row, "column": f.column, "message": f.message}
            for f in e.faults[:1000]
        ]
        n = len(e.faults)
        return _said(400, f"{n} fault{'s' if n != 1 else ''}; nothing was stored", faults=faults)
    if isinstance(e, StoreError):
        said = _said(503, str(e))
        said.headers["Retry-After"] = "10"
        return said
    raise e


Act = Callable[[Request], Coroutine[Any, Any, Response]]


def _answering(act: Act) -> Act:
    """The same, with refusals said in JSON."""

    async def respond(request: Request) -> Response:
        try:
            return await act(request)
        except Exception as e:
            return await run_in_threadpool(_refusal, e)

    return respond


class _Api:
    """The routes' work, for one store."""

    def __init__(self, store: Stored, sign_in: bool, by: Crew) -> None:
        self.store, self.sign_in, self.crew = store, sign_in, by

    # --- who --------------------------------------------------------------------------------

    def who(self, request: Request, needed: str) -> Who:
        """Who sends a request. Raises _Refused if they may not, BadInput if the roles are damaged."""
        if getattr(request.state, "start_token", False):
            # the boundary has seen the token that only who started this was shown
            return Who(OWNER, "maintainer")
        scheme, _, token = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() != "bearer" or not token.strip():
            if needed == "reader" and not self.sign_in:
                return Who(OWNER, "reader")  # the boundary asks for the start token's cookie
            raise _Refused(
                401, "a token is needed: Authorization: Bearer TOKEN ('shotlife access' makes one)"
            )
        who = load_access(self.store.path.parent).of_token(token.strip())
        if who.ended:
            raise _Refused(401, f"this token has run out ({who.until})")
        if not who.name:
            if needed == "reader" and not self.sign_in:
                return Who(OWNER, "reader")
            raise _Refused(401, "this token is not known")
        if not may(who.role, needed):
            raise _Refused(403, f"the token {who.name} is of a {who.role}; a {needed} is needed")
        return who

    # --- asking -----------------------------------------------------------------------------

    def asking(self, name: str) -> Act:
        """The route of a question."""
        cls = question_class(name)

        async def respond(request: Request) -> Response:
            who = await run_in_threadpool(self.who, request, "reader")
            q = request.query_params
            question = await run_in_threadpool(from_texts, cls, {k: q.getlist(k) for k in q})
            with self.crew.places.of(who.name):
                ticket = await run_in_threadpool(self.crew.begin, question, self.store, who.name)
                try:
                    await _until(ticket, request, self.crew.rules.patience)
                    return await run_in_threadpool(lambda: JSONResponse(plain(ticket.answer())))
                finally:
                    ticket.leave()

        return _answering(respond)

    async def listed(self, request: Request) -> Response:
        """What is stored, and what waits."""
        who = await run_in_threadpool(self.who, request, "reader")
        if request.query_params:
            raise BadInput("contributions has no settings")

        def work() -> Response:
            return JSONResponse({"contributions": plain(contributions_of(self.store))})

        with self.crew.places.of(who.name):
            return await run_in_threadpool(work)

    # --- giving -----------------------------------------------------------------------------

    async def contribute(self, request: Request) -> Response:
        """Take a sheet or bundle in."""
        who = await run_in_threadpool(self.who, request, "contributor")
        upload = _upload(request, who)
        with self.crew.uploads.of(who.name):
            body = await _body(request)

            def work() -> Response:
                looked = look(Path(upload.name), body)
                who.refuse_foreign(looked.builders if who.builder else ())
                taken = give(
                    self.store, looked, status=upload.status, licence=upload.licence,
                    supersedes=upload.supersedes,
                )  # fmt: skip
                return JSONResponse(plain(taken), status_code=201 if taken.new else 200)

            return await run_in_threadpool(work)


@dataclass(frozen=True)
class _Upload:
    """How a file is given."""

    name: str
    licence: str
    supersedes: int | None
    status: str


def _upload(request: Request, who: Who) -> _Upload:
    """The settings of an upload. Raises BadInput, _Refused."""
    q = request.query_params
    name, licence, old = q.get("file", ""), q.get("licence", ""), q.get("supersedes")
    if set(q) - {"file", "licence", "supersedes"} or len(q.multi_items()) != len(set(q)):
        raise BadInput("allowed parameters: file, licence and supersedes, each once")
    if old is not None and not re.fullmatch(r"[1-9]\d{0,8}", old, re.ASCII):
        raise BadInput("supersedes is the number of a contribution")
    decides = may(who.role, "maintainer")
    if old is not None and not decides:
        raise _Refused(403, "a maintainer decides what a contribution supersedes")
    if not _NAME.fullmatch(name):
        raise BadInput(
            f"file is a plain name that ends in {', '.join(SUFFIXES)}, not {name[:60]!r}"
        )
    if ("licence" in q and not licence.strip()) or len(licence) > 100:
        raise BadInput("licence is a short name such as CC0-1.0")
    status = "accepted" if decides else "received"
    return _Upload(name, licence, None if old is None else int(old), status)


async def _body(request: Request) -> bytes:
    """The file itself. Raises _Refused if it is too large or comes too slowly."""
    body = bytearray()
    try:
        async with asyncio.timeout(SLOWEST):
            async for chunk in request.stream():
                body += chunk
                if len(body) > LARGEST:
                    raise _Refused(
                        413, f"more than {LARGEST >> 20} MiB; add it with 'shotlife add'"
                    )
    except TimeoutError:
        raise _Refused(408, f"the file did not come within {SLOWEST} s") from None
    return bytes(body)


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
    api = _Api(store, sign_in, by or crew())
    text = document()

    async def health(request: Request) -> Response:
        return JSONResponse({"ok": True, "version": __version__})

    async def unknown(request: Request) -> Response:
        there = ", ".join(sorted(("contributions", "health", "openapi.json", *QUESTIONS)))
        return _said(404, f"there is nothing here; under /api/v1 there are: {there}")

    async def described(request: Request) -> Response:
        return JSONResponse(text)

    return [
        Route("/api/v1/health", health, methods=["GET"]),
        Route("/api/v1/openapi.json", described, methods=["GET"]),
        Route("/api/v1/contributions", _answering(api.contribute), methods=["POST"]),
        Route("/api/v1/contributions", _answering(api.listed), methods=["GET"]),
        *(Route(f"/api/v1/{name}", api.asking(name), methods=["GET"]) for name in QUESTIONS),
        Route("/api/{rest:path}", unknown),
    ]
