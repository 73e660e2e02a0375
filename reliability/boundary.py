"""The service's outer wall: who may speak to it at all, before any page or question sees a request.

A page on the web can point its own name at this machine ("DNS rebinding"), or open a WebSocket to it from
a browser: so Host and Origin must be ours. Other accounts of the machine reach its loopback address: so
without sign-in a start token is needed, printed once and exchanged for a cookie, as notebook servers do.
Headers as in OWASP's Secure Headers Project; content security policy level 3 (W3C).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import html
import re
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

from reliability.access import OWNER, may
from reliability.ask.admission import Busy, Places

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

HEALTH = ("/api/v1/health", "/_stcore/health")
"""open to whoever names the right host: they say nothing but that it runs"""
# of the framework's own routes these are served, all others (metrics, script checks) are closed
_CORE = re.compile(
    r"/_stcore/(?:health|host-config|stream|upload_file/[^/]+/[^/]+|bidi-components/.+)"
)
MOST_PAGES, PAGES_EACH, PAGES_OF_VISITORS = 200, 30, 60
"""open pages (WebSockets) at a time, of one person, and of all who have no role; more are told to try later"""
# other sites may lead to our pages by a link, but not to these
_OWN_PAGES_ONLY = ("/api/", "/auth/logout")
_LOCAL = ("127.0.0.1", "::1")


def hosts_of(names: list[str], port: int) -> frozenset[str]:
    """Host headers that name this service: each name with the port, lower case."""
    out = set()
    for name in names:
        bare = f"[{name}]" if ":" in name and not name.startswith("[") else name
        out.add(f"{bare.lower()}:{port}")
        if port in (80, 443):
            out.add(bare.lower())
    return frozenset(out)


@dataclass(frozen=True)
class Wall:
    """What the boundary lets in.

    Attributes
    ----------
    hosts, origins : frozenset of str
        Host headers (with port), and origins, that are ours.
    start_token : str
        Of this run; "" with sign-in, where people are asked for one by one.
    cookie : str
        Name of the cookie it is exchanged for; has the port in it, as cookies do not tell ports apart.
    proxies : frozenset of str
        Addresses whose X-Forwarded-Proto is believed.
    tls : bool
        People reach it by https: cookies are Secure, and nothing but loopback speaks to it without TLS.
    program : callable
        Whether a bearer token is one that may ask.
    person : callable
        With sign-in: whose the cookies are, and their role.
    signed_out : callable
        Told the cookies when somebody signs out.
    message : callable
        Whether bytes on the WebSocket are a message of a page.
    script_hashes : tuple of str
        Inline scripts of the framework's own page.
    """

    hosts: frozenset[str]
    origins: frozenset[str]
    start_token: str = ""
    cookie: str = "shotlife"
    proxies: frozenset[str] = frozenset()
    tls: bool = False
    program: Callable[[str], bool] = field(default=lambda token: False)
    person: Callable[[dict[str, str]], tuple[str, str]] = field(
        default=lambda cookies: ("", "none")
    )
    signed_out: Callable[[dict[str, str]], None] = field(default=lambda cookies: None)
    message: Callable[[bytes], bool] = field(default=lambda data: True)
    script_hashes: tuple[str, ...] = ()

    @property
    def ticket(self) -> str:
        """The cookie's value: of this start token only, and not the token itself."""
        return hmac.new(self.start_token.encode(), b"cookie", hashlib.sha256).hexdigest()


def new_start_token() -> str:
    """A start token: 256 random bits."""
    return secrets.token_urlsafe(32)


def inline_script_hashes(page: Path) -> tuple[str, ...]:
    """CSP sources of the inline scripts in an HTML file."""
    found = re.findall(r"<script>(.*?)</script>", page.read_text(), re.S)
    digests = (hashlib.sha256(s.encode()).digest() for s in found)
    return tuple(f"'sha256-{base64.b64encode(d).decode()}'" for d in digests)


def policy(wall: Wall) -> str:
    """Content security policy of every answer.

    Styles are written by the framework at run time, hence 'unsafe-inline' for styles alone; charts are
    drawn from compiled expressions without eval, and their pictures come as data: or blob:.
    """
    sockets = " ".join(
        sorted(f"{'wss' if o.startswith('https') else 'ws'}://{urlsplit(o).netloc}" for o in wall.origins if "[" not in o)
    )  # fmt: skip
    return "; ".join(
        [
            "default-src 'none'",
            f"script-src 'self' {' '.join(wall.script_hashes)}".strip(),
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self' data:",
            f"connect-src 'self' {sockets}",
            "worker-src 'self' blob:",
            "manifest-src 'self'",
            "media-src 'self' blob:",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-src 'none'",
            "frame-ancestors 'none'",
            "object-src 'none'",
        ]
    )


class _Request:
    """The parts of an ASGI scope that the wall looks at."""

    def __init__(self, scope: Scope, wall: Wall) -> None:
        self.scope = scope
        self.path = str(scope.get("path", ""))
        self.headers: dict[str, list[str]] = {}
        for name, value in scope.get("headers", []):
            self.headers.setdefault(name.decode("latin-1").lower(), []).append(
                value.decode("latin-1")
            )
        self.client = (scope.get("client") or ("",))[0]
        forwarded = self.one("x-forwarded-proto") if self.client in wall.proxies else ""
        self.secure = scope.get("scheme") in ("https", "wss") or forwarded == "https"

    def one(self, name: str) -> str:
        """A header that may come once; "" if it is missing or comes twice."""
        values = self.headers.get(name, [])
        return values[0].strip() if len(values) == 1 else ""

    @property
    def cookies(self) -> dict[str, str]:
        jar: dict[str, str] = {}
        for line in self.headers.get("cookie", []):
            for part in line.split(";"):
                try:
                    found = SimpleCookie(part.strip())
                except CookieError:
                    continue
                jar.update({k: m.value for k, m in found.items()})
        return jar

    @property
    def bearer(self) -> str:
        scheme, _, token = self.one("authorization").partition(" ")
        return token.strip() if scheme.lower() == "bearer" else ""


class Boundary:
    """ASGI middleware: refuses whatever is not from us, and puts the security headers on every answer."""

    def __init__(self, app: Any, wall: Wall) -> None:
        self.app = app
        self.wall = wall
        self.policy = policy(wall)
        self.pages = Places("pages", PAGES_EACH, MOST_PAGES, 30)
        self.visitors = Places("pages", PAGES_OF_VISITORS, PAGES_OF_VISITORS, 30)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one connection."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] == "websocket":
            await self._socket(scope, receive, send)
            return
        request = _Request(scope, self.wall)
        say = self._with_headers(request, send)
        refused = self._refused(request)
        if refused is not None:
            await _answer(say, *refused)
            return
        exchanged = self._exchange(request)
        if exchanged is not None:
            await _answer(say, 200, exchanged, cookie=self._cookie())
            return
        shut = self._shut(request)
        if shut is not None:
            await _answer(say, *shut)
            return
        if request.path.rstrip("/") == "/auth/logout":
            self.wall.signed_out(request.cookies)
        await self.app(scope, receive, say)

    # --- what is refused ------------------------------------------------------------------

    def _foreign(self, request: _Request) -> str:
        """Why the request is not from us; "" if it is."""
        if request.one("host").lower().rstrip(".") not in self.wall.hosts:
            return "this service does not answer to that name"
        if "origin" in request.headers and request.one("origin").lower() not in self.wall.origins:
            return "requests from other sites are not answered"
        outside = request.client not in _LOCAL
        if self.wall.tls and outside and not request.secure and request.path not in HEALTH:
            return "it is reached by https only"
        return ""

    def _refused(self, request: _Request) -> tuple[int, str] | None:
        why = self._foreign(request)
        if why:
            return (421 if "name" in why else 403), why
        # a page of another port of this host is "same-site" and comes with our cookies, yet is not ours
        ours = request.one("sec-fetch-site") in ("", "same-origin", "none")
        page = request.one("sec-fetch-mode") == "navigate" and not request.path.startswith(
            _OWN_PAGES_ONLY
        )
        if not ours and not page:
            return 403, "requests from other sites are not answered"
        if request.path.startswith("/_stcore/") and not _CORE.fullmatch(request.path):
            return 404, "there is nothing here"
        return None

    def _shut(self, request: _Request) -> tuple[int, str] | None:
        """Status and words for whom the door is shut; None if it is open."""
        if request.path in HEALTH:
            return None
        if self.wall.start_token:
            if self._known(request):
                return None
            return 401 if request.path.startswith("/api/") else 403, _ASK
        upload = request.path.startswith("/_stcore/upload_file/")
        if upload and not may(self._person(request)[1], "contributor"):
            return 403, "sign in, with the role of a contributor, before a file can be sent"
        return None

    def _known(self, request: _Request) -> bool:
        """Whether a request without sign-in comes from whom the start token was shown to."""
        held = request.cookies.get(self.wall.cookie, "")
        if hmac.compare_digest(held.encode("utf-8", "replace"), self.wall.ticket.encode()):
            return True
        token = request.bearer
        if not token or not request.path.startswith("/api/"):
            return False
        if hmac.compare_digest(token.encode("utf-8", "replace"), self.wall.start_token.encode()):
            # for the API's own routes: whoever has the start token is the maintainer
            request.scope.setdefault("state", {})["start_token"] = True
            return True
        return self.wall.program(token)

    def _person(self, request: _Request) -> tuple[str, str]:
        """Who is let in, and their role; without sign-in that is whoever has started the service."""
        return (OWNER, "maintainer") if self.wall.start_token else self.wall.person(request.cookies)

    # --- the token for a cookie -----------------------------------------------------------

    def _exchange(self, request: _Request) -> str | None:
        """A page that goes on to the address without the token; None if there is no right token."""
        if not self.wall.start_token or request.scope.get("method") != "GET":
            return None
        raw = request.scope.get("query_string", b"").decode("latin-1")
        if "token=" not in raw or len(raw) > 4000:
            return None
        pairs = parse_qsl(raw, keep_blank_values=True)
        given = [v for k, v in pairs if k == "token"]
        if len(given) != 1:
            return None
        if not hmac.compare_digest(
            given[0].encode("utf-8", "replace"), self.wall.start_token.encode()
        ):
            return None
        rest = urlencode([(k, v) for k, v in pairs if k != "token"])
        # one slash at the start: '//elsewhere' would be another site
        clean = "/" + request.path.lstrip("/\\") + ("?" + rest if rest else "")
        to = html.escape(clean, quote=True)
        return f'<meta http-equiv="refresh" content="0;url={to}"><a href="{to}">shotlife</a>'

    def _cookie(self) -> str:
        return f"{self.wall.cookie}={self.wall.ticket}; HttpOnly; SameSite=Strict; Path=/"

    # --- headers --------------------------------------------------------------------------

    def _with_headers(self, request: _Request, send: Send) -> Send:
        secure = request.secure or self.wall.tls

        async def say(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                kept = []
                for name, value in message.get("headers", []):
                    low = name.lower()
                    if low.startswith(b"access-control-") or low in _OURS:
                        continue
                    if low == b"set-cookie" and secure and b"secure" not in _flags(value):
                        value = value + b"; Secure"
                    kept.append((name, value))
                message = {**message, "headers": [*kept, *self._own(request)]}
            await send(message)

        return say

    def _own(self, request: _Request) -> list[tuple[bytes, bytes]]:
        headers = list(_HEADERS.items())
        headers.append((b"content-security-policy", self.policy.encode()))
        if request.path.startswith("/api/"):
            headers.append((b"cache-control", b"no-store"))
        if self.wall.tls and request.secure:
            headers.append((b"strict-transport-security", b"max-age=31536000"))
        return headers

    # --- WebSocket ------------------------------------------------------------------------

    async def _socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = _Request(scope, self.wall)
        # browsers always send an Origin here; nothing but a page has business with this socket
        wrong = self._foreign(request) or not request.one("origin")
        if not wrong and not _CORE.fullmatch(request.path):
            wrong = "nothing here"
        if not wrong and self.wall.start_token and not self._known(request):
            wrong = "no start token"
        if wrong:
            await _close(receive, send, 1008)
            return
        person, role = self._person(request)
        places = self.pages if may(role, "reader") else self.visitors
        try:
            with places.of(person if places is self.pages else ""):
                await self.app(scope, _sound_only(receive, self.wall.message), send)
        except Busy:
            await _close(receive, send, 1013)


async def _close(receive: Receive, send: Send, code: int) -> None:
    """Refuse a WebSocket; closing before it is accepted answers 403."""
    await receive()  # websocket.connect
    await send({"type": "websocket.close", "code": code})


def _sound_only(receive: Receive, sound: Callable[[bytes], bool]) -> Receive:
    """Messages of a WebSocket; one that no page sends ends it."""

    async def heard() -> MutableMapping[str, Any]:
        message = await receive()
        data = message.get("bytes")
        if message["type"] == "websocket.receive" and (data is None or not sound(data)):
            return {"type": "websocket.disconnect", "code": 1003}
        return message

    return heard


_ASK = (
    "this service is open to whoever started it: use the whole address that 'shotlife serve' printed, "
    "with its token. Programs send it, or a token of 'shotlife access', as Authorization: Bearer TOKEN"
)
_HEADERS = {
    b"x-content-type-options": b"nosniff",
    b"x-frame-options": b"DENY",
    b"referrer-policy": b"same-origin",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"permissions-policy": b"camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
_OURS = {*_HEADERS, b"content-security-policy", b"server"}


def _flags(cookie: bytes) -> list[bytes]:
    return [part.strip().lower() for part in cookie.split(b";")[1:]]


async def _answer(send: Send, status: int, text: str, cookie: str = "") -> None:
    """A short answer of the wall's own: a page that goes on, or JSON with an error in words."""
    import json

    page = status == 200
    kind = "text/html" if page or status == 403 else "application/json"
    body = text if page else json.dumps({"error": text})
    if status == 403:
        body = f"<!doctype html><title>shotlife</title><h1>Not open to this request</h1><p>{html.escape(text)}</p><p><a href=''>Try again</a></p>"
    headers = [
        (b"content-type", f"{kind}; charset=utf-8".encode()),
        (b"content-length", str(len(body.encode())).encode()),
        (b"cache-control", b"no-store"),
    ]
    if status == 401:
        headers.append((b"www-authenticate", b"Bearer"))
    if cookie:
        headers.append((b"set-cookie", cookie.encode()))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body.encode()})
