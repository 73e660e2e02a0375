"""What the routes share: who asks, and refusals in JSON."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from reliability.access import Who, load_access, may
from reliability.ask.plain import plain
from reliability.ask.records import SheetError, StoreError
from reliability.ask.sources import Stored
from reliability.notes import BadInput, CannotAnswer


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


def caller(request: Request, store: Stored, needed: str) -> Caller:
    """Who sent the request; raises Refused if the token's role does not suffice."""
    if getattr(request.state, "start_token", False):
        # the boundary has seen the token that only who started this was shown
        return Caller("maintainer", "start token", Who())
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


async def answered(work: Callable[[], Any]) -> Response:
    """Run something that may be refused, and say so in JSON."""
    try:
        found: Response = await run_in_threadpool(work)
    except Refused as e:
        return said(e.status, str(e))
    except BadInput as e:
        return said(400, str(e))
    except SheetError as e:
        faults = [
            {"file": f.file, "row": f.row, "column": f.column, "message": f.message}
            for f in e.faults[:1000]
        ]
        n = len(e.faults)
        return said(400, f"{n} fault{'s' if n != 1 else ''}; nothing was stored", faults=faults)
    except CannotAnswer as e:
        return said(422, str(e), partial=plain(e.partial), asked=e.asked, basis=plain(e.basis))
    except StoreError as e:
        return said(503, str(e))
    return found
