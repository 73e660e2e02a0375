"""What a page on the web, or another account of this machine, tries against a service without sign-in."""

import hashlib
import hmac
import json

FOREIGN = ("evil.example", "127.0.0.1:8501.evil.example", "localhost.evil.example", "0.0.0.0", "", "127.0.0.1@evil.example")  # fmt: skip


def attacks(s):
    """Every attack as (what, held, seen); the service has a start token."""
    yield from _names(s)
    yield from _origins(s)
    yield from _cookies(s)
    yield from _tokens(s)
    yield from _paths(s)
    yield from _heads(s)


def cookie_of(s):
    """The cookie that the start token is exchanged for, as the service gives it."""
    _, headers, _ = s.get(f"/?token={s.start_token}")
    return headers["Set-Cookie"].split(";")[0]


def _names(s):
    cookie = cookie_of(s)
    for name in (*FOREIGN, *(f"{n}:{s.port}" for n in FOREIGN[:1])):
        for path in ("/", "/api/v1/contributions", "/api/v1/health", "/_stcore/stream", "/_stcore/health", "/static/x.js"):  # fmt: skip
            seen = s.status(path, Host=name, Cookie=cookie, Origin=f"http://{name}")
            yield f"rebound name {name!r} asks {path}", seen in (400, 421), seen
        seen = s.socket_status(Host=name, Origin=f"http://{name}", Cookie=cookie)
        yield f"rebound name {name!r} opens the WebSocket", seen in (400, 403), seen
    twice = f"GET /api/v1/health HTTP/1.1\r\nHost: {s.host}\r\nHost: evil.example\r\nConnection: close\r\n\r\n"
    seen = s.raw(twice.encode())[:12]
    yield "two Host headers", not seen.endswith(b"200"), seen
    seen = s.raw(b"GET http://evil.example/api/v1/health HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n")[:12]  # fmt: skip
    yield "absolute address of another name", not seen.endswith(b"200"), seen
    seen = s.raw(b"GET /api/v1/health HTTP/1.0\r\n\r\n")[:12]
    yield "no Host at all (HTTP/1.0)", not seen.endswith(b"200"), seen
    seen = s.status("/api/v1/health", X_Forwarded_Host=s.host, Host="evil.example")
    yield "a forwarded name stands for none", seen == 421, seen


def _origins(s):
    cookie = cookie_of(s)
    for origin in ("http://evil.example", "null", f"http://127.0.0.1:{s.port + 1}", f"https://{s.host}", f"http://{s.host}.evil.example", "file://"):  # fmt: skip
        seen = s.status("/api/v1/contributions", Cookie=cookie, Origin=origin)
        yield f"a page of {origin} asks with the cookie", seen == 403, seen
        seen = s.socket_status(Origin=origin, Cookie=cookie)
        yield f"a page of {origin} opens the WebSocket with the cookie", seen == 403, seen
    seen = s.socket_status(Cookie=cookie)
    yield "a WebSocket without Origin", seen == 403, seen
    seen = s.socket_status(Origin=s.origin, Cookie=cookie)
    yield "(our own page is let in)", seen == 101, seen
    seen = s.status("/api/v1/contributions", method="POST", Cookie=cookie, Origin="http://evil.example", body=b"x")  # fmt: skip
    yield "another site posts a file", seen == 403, seen
    seen = s.status("/api/v1/contributions", Cookie=cookie, Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="no-cors")  # fmt: skip
    yield "another site's picture or script", seen == 403, seen
    seen = s.status("/api/v1/contributions/1?act=withdraw", method="POST", Cookie=cookie, body=b"")
    yield "the cookie alone writes nothing (a form of another site)", seen == 401, seen


def _cookies(s):
    name = cookie_of(s).split("=")[0]
    ticket = cookie_of(s).split("=")[1]
    other = hmac.new(b"another start", b"cookie", hashlib.sha256).hexdigest()
    for what, value in (
        ("none", None), ("empty", f"{name}="), ("of an earlier start", f"{name}={other}"),
        ("the token itself", f"{name}={s.start_token}"), ("cut", f"{name}={ticket[:-1]}"),
        ("of another port", f"shotlife_1={ticket}"), ("upper case", f"{name}={ticket.upper()}"),
        ("odd characters", f'{name}="\\"'), ("of the framework, forged", "_streamlit_user=2|1:0|10:1|1:a|4:e30=|x"),
    ):  # fmt: skip
        head = {} if value is None else {"Cookie": value}
        seen = s.status("/api/v1/contributions", **head)
        yield f"cookie {what}: the API", seen == 401, seen
        seen = s.status("/", **head)
        yield f"cookie {what}: the page", seen == 403, seen
        seen = s.socket_status(Origin=s.origin, **head)
        yield f"cookie {what}: the WebSocket", seen == 403, seen
        seen = s.status("/_stcore/upload_file/a/b", method="PUT", body=b"x", **head)
        yield f"cookie {what}: an upload", seen == 403, seen
    _, headers, text = s.get(f"/?token={s.start_token}")
    flags = headers["Set-Cookie"]
    yield "the cookie is HttpOnly and SameSite=Strict", "HttpOnly" in flags and "SameSite=Strict" in flags, flags[-40:]  # fmt: skip
    yield "the token is not in the page it is exchanged on", s.start_token not in text, ""
    yield "no Referer carries the token", headers["Referrer-Policy"] in ("no-referrer", "same-origin"), headers["Referrer-Policy"]  # fmt: skip


def _tokens(s):
    for token in ("", "x", s.start_token[:-1], s.start_token + "x", "Bearer", s.reader[:-1], "é", "x" * 60_000):  # fmt: skip
        seen = s.status("/api/v1/contributions", Authorization=f"Bearer {token}".encode())
        yield f"bearer {token[:8]!r} ({len(token)} characters)", seen in (0, 400, 401, 431), seen
    seen = s.status("/", Authorization=f"Bearer {s.reader}")
    yield "a program's token opens no page", seen == 403, seen
    for path in ("contributions?file=a.csv", "readings?file=a.csv", "contributions/1?act=withdraw"):
        seen = s.status(f"/api/v1/{path}", method="POST", body=b"a", Authorization=f"Bearer {s.reader}")  # fmt: skip
        yield f"a reader posts to {path}", seen == 403, seen
    for query in ("token=wrong", f"token={s.start_token}&token={s.start_token}", f"TOKEN={s.start_token}", f"token[]={s.start_token}"):  # fmt: skip
        seen = s.status(f"/?{query}")
        yield f"an address with {query.replace(s.start_token, 'TOKEN')}", seen == 403, seen


def _paths(s):
    cookie = cookie_of(s)
    root = (s.folder / "s.duckdb").read_bytes()[:64]
    for path in (
        "/../../../../etc/passwd", "/..%2f..%2f..%2fetc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/static/..%2f..%2f..%2f..%2fetc/passwd",
        "/static/%2e%2e%5c%2e%2e%5cetc/passwd", "//etc/passwd", "/media/../../s.duckdb", "/media/%2e%2e%2fs.duckdb", "/s.duckdb",
        "/access.json", "/sign_in.toml", "/static/....//....//etc/passwd", "/app/static/../../access.json", "/component/x/../../../etc/passwd",
        "/_stcore/bidi-components/x/..%2f..%2f..%2fetc/passwd", "/%00", "/static/%00/../x", "/\\..\\..\\etc\\passwd",
    ):  # fmt: skip
        status, _, text = s.get(path, Cookie=cookie)
        leaks = "root:" in text or root.decode("latin-1") in text or '"tokens"' in text
        yield f"path {path}", not leaks and status < 500, status
    for path in ("metrics", "script-health-check", "custom-component", "agent", "message", "health/../metrics", "%6detrics"):  # fmt: skip
        seen = s.status(f"/_stcore/{path}", Cookie=cookie)
        yield f"framework's own route /_stcore/{path}", seen in (400, 404), seen
    for path in ("contributions/..%2f1", "contributions/1%00", "contributions/-1", "contributions/%D9%A1", "contributions/99999999999"):  # fmt: skip
        seen = s.status(f"/api/v1/{path}?act=withdraw", method="POST", body=b"", Authorization=f"Bearer {s.start_token}")  # fmt: skip
        yield f"odd number {path}", seen in (400, 404), seen
    for name in ("../x.csv", "..%2fx.csv", "/etc/x.csv", "a%00.csv", "C:%5cx.csv", "a%0d%0aSet-Cookie:x.csv", "x" * 300 + ".csv", ".csv", "a.exe"):  # fmt: skip
        seen = s.status(f"/api/v1/contributions?file={name}", method="POST", body=b"builder,module,slot,shots_good\nq,m,fuel,1\n", Authorization=f"Bearer {s.start_token}")  # fmt: skip
        yield f"file name {name[:20]}", seen == 400, seen


def _heads(s):
    cookie = cookie_of(s)
    for path in ("/x%0d%0aSet-Cookie:%20a=b", f"/%0d%0aX-In:%201?token={s.start_token}", f"/?token={s.start_token}&a=%0d%0aX-In:%201", f"/%22%3E%3Cscript%3E?token={s.start_token}"):  # fmt: skip
        status, headers, text = s.get(path, Cookie=cookie)
        clean = headers.get("X-In") is None and "a=b" not in headers.get("Set-Cookie", "") and "<script>?" not in text  # fmt: skip
        yield f"header or script in the address {path.replace(s.start_token, 'TOKEN')}", clean, status  # fmt: skip
    status, _, text = s.get("/api/v1/life?slot=%3Cscript%3Ealert(1)%3C/script%3E", Cookie=cookie)
    kept = status == 400 and "error" in json.loads(text)
    yield "script in a setting is answered as JSON", kept, status
    for path in ("/", "/api/v1/health", "/api/v1/nothing", "/static/nothing.js"):
        _, h, _ = s.get(path, Cookie=cookie, Origin=s.origin)
        policy = h.get("Content-Security-Policy", "")
        good = (
            h.get("X-Content-Type-Options") == "nosniff" and "frame-ancestors 'none'" in policy
            and "'unsafe-eval'" not in policy and "Access-Control-Allow-Origin" not in h and "Server" not in h
        )  # fmt: skip
        yield (
            f"headers of {path}: policy, nosniff, no framing, no other origins, no server's name",
            good,
            "",
        )
    for what, data in (
        ("two lengths", b"POST /api/v1/contributions HTTP/1.1\r\nHost: %b\r\nContent-Length: 3\r\nContent-Length: 9\r\n\r\nabc"),
        ("length and chunks", b"POST /api/v1/contributions HTTP/1.1\r\nHost: %b\r\nContent-Length: 3\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /api/v1/contributions HTTP/1.1\r\nHost: %b\r\n\r\n"),
        ("a negative length", b"POST /api/v1/contributions HTTP/1.1\r\nHost: %b\r\nContent-Length: -1\r\n\r\n"),
        ("a line feed in a header", b"GET /api/v1/health HTTP/1.1\r\nHost: %b\r\nX: a\nOrigin: http://evil.example\r\n\r\n"),
        ("noise", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"),
    ):  # fmt: skip
        seen = s.raw(data.replace(b"%b", s.host.encode()), timeout=15)[:12]
        yield f"malformed request: {what}", not seen.endswith((b"200", b"500")), seen
    seen = s.raw(f"GET /api/v1/health HTTP/1.1\r\nHost: {s.host}\r\nX: {'a' * 300_000}\r\n\r\n".encode())[:12]  # fmt: skip
    yield "a head of 300,000 bytes", not seen.endswith(b"200"), seen
