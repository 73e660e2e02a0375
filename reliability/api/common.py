"""What the routes share: who asks, and refusals in JSON."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from reliability.access import OWNER, Who, load_access, may
from reliability.ask.admission import Busy
from reliability.ask.plain import plain
from reliability.ask.records import SheetError, StoreError
from reliability.ask.sources import Stored
from reliability.notes import BadInput, CannotAnswer

Act = Callable[[Request], Coroutine[Any, Any, Response]]


class Refused(Exception):
    """Not allowed, or too much: status and words."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


@dataclass(frozen=True)
class Caller:
    """Who calls: role, name for the log of deeds, and the token it rests on."""

    role: str
    by: str
    who: Who

    def may(self, needed: str) -> bool:
        """Whether the role suffices."""
        return may(self.role, needed)


def said(status: int, text: str, **more: Any) -> JSONResponse:
    """A refusal as JSON."""
    head = {"WWW-Authenticate": "Bearer"} if status == 401 else None
    return JSONResponse({"error": text, **more}, status_code=status, headers=head)


def asker(request: Request, store: Stored, sign_in: bool) -> Caller:
    """Who reads: without sign-in anybody whom the boundary lets in. Raises Refused."""
    anybody = Caller("reader", OWNER, Who(OWNER, "reader"))
    try:
        return caller(request, store, "reader")
    except Refused as e:
        if sign_in or e.status != 401:
            raise
        return anybody


def caller(request: Request, store: Stored, needed: str) -> Caller:
    """Who sent the request; raises Refused if the token's role does not suffice."""
    if getattr(request.state, "start_token", False):
        # the boundary has seen the token that only who started this was shown
        return Caller("maintainer", "start token", Who(OWNER, "maintainer"))
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        raise Refused(
            401, "a token is needed: Authorization: Bearer TOKEN ('shotlife access' makes one)"
        )
    who = load_access(store.path.parent).of_token(token.strip())
    if who.ended:
        raise Refused(401, f"this token has run out ({who.until})")
    if not who.name:
        raise Refused(401, "this token is not known")
    if not may(who.role, needed):
        raise Refused(403, f"the token {who.name} is of a {who.role}; a {needed} is needed")
    return Caller(who.role, f"token {who.name}", who)


def refusal(e: Exception) -> JSONResponse:
    """What is said where something is refused. Raises what is no refusal."""
    if isinstance(e, Busy):
        return _later(said(e.status, str(e)), e.after)
    if isinstance(e, Refused):
        return said(e.status, str(e))
    if isinstance(e, BadInput):
        return said(400, str(e))
    if isinstance(e, CannotAnswer):
        return said(422, str(e), partial=plain(e.partial), asked=e.asked, basis=plain(e.basis))
    if isinstance(e, SheetError):
        faults = [
            {"file": f.file, "row": f.row, "column": f.column, "message": f.message}
            for f in e.faults[:1000]
        ]
        n = len(e.faults)
        return said(400, f"{n} fault{'s' if n != 1 else ''}; nothing was stored", faults=faults)
    if isinstance(e, StoreError):
        return _later(said(503, str(e)), 10)
    raise e


def _later(response: JSONResponse, seconds: float) -> JSONResponse:
    response.headers["Retry-After"] = f"{seconds:.0f}"
    return response


def answering(act: Act) -> Act:
    """The same, with refusals said in JSON."""

    async def respond(request: Request) -> Response:
        try:
            return await act(request)
        except Exception as e:
            return await run_in_threadpool(refusal, e)

    return respond
