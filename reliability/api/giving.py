"""Routes for giving data: reading a file, storing it, deciding on it, and the log of who did what."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import QueryParams
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from reliability.api.common import Caller, Refused, answering, asker, caller
from reliability.api.giving_openapi import SUFFIXES, ReadFile
from reliability.ask.change import change
from reliability.ask.crew import Crew
from reliability.ask.deeds import ACTS, decide, deed_log, giver
from reliability.ask.giving import (
    How,
    Looked,
    Terms,
    give,
    known_names,
    look,
    replaced,
)
from reliability.ask.mappings import BenchMapping, parse_answers
from reliability.ask.plain import plain
from reliability.ask.records import contributions_of
from reliability.ask.sources import Stored
from reliability.notes import BadInput

LARGEST = 200 << 20
"""bytes of an upload"""
SLOWEST = 300
"""seconds within which it must have come"""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,99}\.(?:" + "|".join(SUFFIXES) + r")", re.ASCII)
_ONCE = ("file", "licence", "agree", "replace", "beside", "change", "module")
_READING = {"file", "answer", "agree", "change", "module", "supersedes", "replace"}
_GIVING = {"file", "answer", "agree", "licence", "supersedes", "replace", "beside"}


def _flag(q: QueryParams, name: str) -> bool:
    value = q.get(name, "false")
    if value not in ("true", "false"):
        raise BadInput(f"{name} is true or false")
    return value == "true"


def _checked(q: QueryParams, allowed: set[str]) -> None:
    foreign = set(q) - allowed
    if foreign:
        raise BadInput(f"no parameter {min(foreign)[:60]!r}; allowed: {', '.join(sorted(allowed))}")
    if any(len(q.getlist(k)) > 1 for k in _ONCE):
        raise BadInput(f"each once: {', '.join(_ONCE)}")
    if not _NAME.fullmatch(q.get("file", "")):
        raise BadInput(
            f"file is a plain name that ends in {', '.join(SUFFIXES)}, not {q.get('file', '')[:60]!r}"
        )
    for k in ("licence", "module"):
        if k in q and not (q[k].strip() and len(q[k]) <= 100):
            raise BadInput(f"{k} is a short name")
    if len(q.getlist("answer")) > 500:
        raise BadInput("at most 500 answers")


def _numbers(q: QueryParams) -> tuple[int, ...]:
    given = q.getlist("supersedes")
    if not all(re.fullmatch(r"[1-9]\d{0,8}", n, re.ASCII) for n in given) or len(given) > 200:
        raise BadInput("supersedes is the number of a contribution")
    return tuple(map(int, given))


async def _body(request: Request) -> bytes:
    """The file itself. Raises Refused if it is too large or comes too slowly, BadInput if it is packed."""
    body = bytearray()
    if request.headers.get("content-encoding", "identity") != "identity":
        raise BadInput("a file is sent as it is, without Content-Encoding")
    said = request.headers.get("content-length", "")
    if said.isascii() and said.isdigit() and int(said[:15]) > LARGEST:
        raise _too_large()  # before any of it is received
    try:
        async with asyncio.timeout(SLOWEST):
            async for chunk in request.stream():
                body += chunk
                if len(body) > LARGEST:
                    raise _too_large()
    except ClientDisconnect:
        raise Refused(400, "the file did not come whole") from None  # nobody is there to read it
    except TimeoutError:
        raise Refused(408, f"the file did not come within {SLOWEST} s") from None
    return bytes(body)


def _too_large() -> Refused:
    return Refused(413, f"more than {LARGEST >> 20} MiB; add it with 'shotlife add'")


def _looked(store: Stored, q: QueryParams, body: bytes) -> Looked:
    mapping = BenchMapping().with_answers(parse_answers(q.getlist("answer")))
    terms = Terms(mapping, _flag(q, "agree"), known_names(store))
    return look(Path(q["file"]), body, terms)


def _superseded(store: Stored, q: QueryParams, looked: Looked) -> tuple[int, ...]:
    named = _numbers(q)
    if not _flag(q, "replace"):
        return named
    if named:
        raise BadInput("supersedes has no effect here: replace finds what it takes the place of")
    return replaced(store, looked)


def _own_data(who: Caller, store: Stored, looked: Looked, old: tuple[int, ...]) -> None:
    """A token that is bound to a builder gives and corrects that builder's data only."""
    who.who.refuse_foreign(looked.builders)
    for c in contributions_of(store):
        if c.id in old:
            who.who.refuse_foreign(c.builders.split(", "))


def giving_routes(store: Stored, sign_in: bool, by: Crew) -> list[Route]:
    """Routes for giving data; with ``sign_in``, the log of deeds needs a token too. ``by`` limits how
    many files a person gives at once."""

    async def read(request: Request) -> Response:
        def work(who: Caller, q: QueryParams, body: bytes) -> Response:
            _checked(q, _READING)
            looked = _looked(store, q, body)
            moved = None
            if _flag(q, "change") or "module" in q:
                if not looked.ready:
                    raise BadInput("what it changes is told once nothing is open; agree=true")
                moved = change(store, looked, _superseded(store, q, looked), q.get("module", ""))
            return JSONResponse(plain(ReadFile(looked.ready, looked.reading, moved)))

        return await _with_body(request, work)

    async def contribute(request: Request) -> Response:
        def work(who: Caller, q: QueryParams, body: bytes) -> Response:
            _checked(q, _GIVING)
            looked = _looked(store, q, body)
            old = _superseded(store, q, looked)
            who = caller(request, store, "contributor")  # reading it took a while, too
            _own_data(who, store, looked, old)
            status = "accepted" if who.may("maintainer") else "received"
            how = How(who.by, status, q.get("licence", ""), old, _flag(q, "beside"))
            done = give(store, looked, how)
            return JSONResponse(plain(done), status_code=201 if done.new else 200)

        return await _with_body(request, work)

    async def _with_body(
        request: Request, work: Callable[[Caller, QueryParams, bytes], Response]
    ) -> Response:
        # nothing is received from whom nothing is taken
        who = await run_in_threadpool(caller, request, store, "contributor")
        with by.uploads.of(who.by):
            body = await _body(request)
            # a file may be on its way for minutes: the token is asked again
            who = await run_in_threadpool(caller, request, store, "contributor")
            return await run_in_threadpool(work, who, request.query_params, body)

    async def decided(request: Request) -> Response:
        def work() -> Response:
            who = caller(request, store, "contributor")
            q = request.query_params
            number = str(request.path_params["number"])
            if set(q) - {"act", "reason"} or len(q.multi_items()) != len(set(q)):
                raise BadInput("allowed parameters: act and reason, each once")
            if not re.fullmatch(r"[1-9]\d{0,8}", number, re.ASCII):
                raise BadInput("a contribution has a number")
            if q.get("act") not in ACTS or len(q.get("reason", "")) > 500:
                raise BadInput(f"act is one of {', '.join(ACTS)}; reason a short text")
            _may_decide(who, store, int(number), q["act"])
            found = decide(store, int(number), q["act"], who.by, q.get("reason", ""))
            return JSONResponse(plain(found))

        return await run_in_threadpool(work)

    async def deeds(request: Request) -> Response:
        def work() -> Response:
            asker(request, store, sign_in)
            if request.query_params:
                raise BadInput("deeds has no settings")
            return JSONResponse(plain(deed_log(store)))

        return await run_in_threadpool(work)

    return [
        Route("/api/v1/readings", answering(read), methods=["POST"]),
        Route("/api/v1/contributions", answering(contribute), methods=["POST"]),
        Route("/api/v1/contributions/{number}", answering(decided), methods=["POST"]),
        Route("/api/v1/deeds", answering(deeds), methods=["GET"]),
    ]


def _may_decide(who: Caller, store: Stored, number: int, act: str) -> None:
    """Maintainers decide; who gave data may take them back while they wait. Raises Refused."""
    if who.may("maintainer"):
        return
    waits = any(c.id == number and c.status == "received" for c in contributions_of(store))
    if act == "withdraw" and waits and giver(deed_log(store), number) == who.by:
        return
    raise Refused(403, "a maintainer decides; you may withdraw what you gave while it waits")
