"""The boundary, people and filters against what a stranger would try."""

import secrets
import time
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.responses import JSONResponse
from starlette.routing import Route, WebSocketRoute
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from reliability import boundary
from reliability.access import Access, load_access, save_access, with_person, with_token
from reliability.boundary import Boundary, Wall
from reliability.filters import parse
from reliability.notes import BadInput
from reliability.people import end_sign_in, person_of, role_of_person
from reliability.sign_in_file import check_sign_in, new_sign_in, refuse_weak
from tests.command import run

BASE = "http://127.0.0.1:8501"


async def page(request):
    r = JSONResponse({"ok": True}, headers={"Access-Control-Allow-Origin": "*"})
    r.set_cookie("a", "b")
    return r


async def socket(ws):
    await ws.accept()
    await ws.receive()


def client(**more):
    wall = Wall(
        hosts=frozenset({"127.0.0.1:8501"}), origins=frozenset({BASE}), **{"start_token": "right", **more}
    )  # fmt: skip
    routes = [Route("/{path:path}", page, methods=["GET", "PUT"]), WebSocketRoute("/_stcore/stream", socket)]  # fmt: skip
    return TestClient(Boundary(Starlette(routes=routes), wall), base_url=BASE, client=("127.0.0.1", 5)), wall  # fmt: skip


def test_other_names_and_sites_are_refused():
    c, wall = client()
    c.cookies.set(wall.cookie, wall.ticket)
    assert c.get("/").status_code == 200
    assert c.get("/", headers={"Host": "evil.example"}).status_code == 421
    assert c.get("/", headers={"Host": "127.0.0.1:8501.evil.example"}).status_code == 421
    for origin in ("http://evil.example", "null", "http://127.0.0.1:9"):
        assert c.get("/", headers={"Origin": origin}).status_code == 403
    assert c.get("/_stcore/metrics").status_code == 404
    assert c.get("/_stcore/script-health-check").status_code == 404


def test_start_token_becomes_a_cookie():
    c, wall = client()
    assert c.get("/").status_code == 403
    assert c.get("/api/v1/life").status_code == 401
    assert c.get("/api/v1/health").status_code == 200
    assert c.get("/?token=wrong").status_code == 403
    r = c.get(BASE + "//evil.example/x?token=right&a=1")
    assert (
        "url=/evil.example/x?a=1" in r.text
        and "HttpOnly; SameSite=Strict" in r.headers["set-cookie"]
    )
    assert c.get("/").status_code == 200
    fresh, _ = client(start_token="another")
    fresh.cookies.set(wall.cookie, wall.ticket)
    assert fresh.get("/").status_code == 403  # a cookie of an earlier start
    bare, _ = client(program=lambda token: token == "prog")
    for token, status in (("right", 200), ("prog", 200), ("x", 401)):
        assert bare.get("/api/v1/life", headers={"Authorization": f"Bearer {token}"}).status_code == status  # fmt: skip
    assert bare.get("/", headers={"Authorization": "Bearer right"}).status_code == 403


@pytest.mark.parametrize("origin", [None, "http://evil.example", "null"])
def test_socket_needs_our_origin(origin):
    c, wall = client()
    c.cookies.set(wall.cookie, wall.ticket)
    headers = {"Host": "127.0.0.1:8501", **({"Origin": origin} if origin else {})}
    with (
        pytest.raises(WebSocketDisconnect),
        c.websocket_connect("/_stcore/stream", headers=headers),
    ):
        pass


def test_socket_needs_the_cookie():
    c, wall = client()
    headers = {"Host": "127.0.0.1:8501", "Origin": BASE}
    with (
        pytest.raises(WebSocketDisconnect),
        c.websocket_connect("/_stcore/stream", headers=headers),
    ):
        pass
    c.cookies.set(wall.cookie, wall.ticket)
    with c.websocket_connect("/_stcore/stream", headers=headers):
        pass


def test_a_link_of_another_site_leads_in_but_never_out():
    ended = []
    c, _ = client(start_token="", signed_out=ended.append)
    for site, status in (("cross-site", 403), ("same-site", 403), ("same-origin", 200), ("none", 200)):  # fmt: skip
        head = {"Sec-Fetch-Site": site, "Sec-Fetch-Mode": "navigate"}
        assert c.get("/", headers=head).status_code == 200
        assert c.get("/auth/logout", headers=head).status_code == status
    assert len(ended) == 2


def test_visitors_never_take_the_last_page(monkeypatch):
    monkeypatch.setattr(boundary, "PAGES_OF_VISITORS", 2)
    monkeypatch.setattr(boundary, "PAGES_EACH", 1)
    c, _ = client(start_token="", person=lambda cookies: (cookies.get("who", ""), "reader" if cookies else "none"))  # fmt: skip

    def opened(who=""):
        cookie = {"Cookie": f"who={who}"} if who else {}
        return c.websocket_connect("/_stcore/stream", headers={"Host": "127.0.0.1:8501", "Origin": BASE, **cookie})  # fmt: skip

    with opened(), opened():
        with pytest.raises(WebSocketDisconnect), opened():
            pass
        with opened("ria"), opened("cy"), pytest.raises(WebSocketDisconnect), opened("ria"):
            pass
    with opened():
        pass


def test_headers_and_no_upload_before_sign_in():
    c, _ = client(start_token="", person=lambda cookies: ("", "none"), tls=True)
    assert "strict-transport-security" not in c.get("/").headers  # by http it says nothing
    r = c.get(BASE.replace("http", "https") + "/")
    assert r.headers["strict-transport-security"].startswith("max-age=")
    assert "access-control-allow-origin" not in r.headers
    assert r.headers["x-content-type-options"] == "nosniff"
    assert "frame-ancestors 'none'" in r.headers["content-security-policy"]
    assert r.headers["set-cookie"].endswith("Secure")
    assert c.put("/_stcore/upload_file/a/b", content=b"x").status_code == 403


def said(**more):
    now = time.time()
    return {"iss": "https://p.example", "sub": "1", "email": "mia@example.org", "email_verified": True,
            "iat": int(now), "exp": int(now) + 600, "nonce": "n1", **more}  # fmt: skip


@pytest.fixture
def folder(tmp_path):
    save_access(with_person(Access(), "mia@example.org", "maintainer"), tmp_path)
    # the change of role was a while ago
    return tmp_path


@pytest.mark.parametrize("verified", [False, "false", "true", 1, None, "", []])
def test_address_counts_only_where_verified_is_true(folder, verified):
    assert role_of_person(folder, said(email_verified=verified))[0] == "none"
    left_out = said()
    del left_out["email_verified"]
    assert role_of_person(folder, left_out)[0] == "none"
    assert role_of_person(folder, said())[0] == "maintainer"


@pytest.mark.parametrize("key, value", [("iss", None), ("sub", ""), ("exp", 5), ("exp", "9999999999"), ("exp", True), ("iat", 5)])  # fmt: skip
def test_missing_or_odd_claims_give_no_role(folder, key, value):
    assert role_of_person(folder, said(**{key: value}))[0] == "none"


def test_an_address_belongs_to_its_first_subject(folder):
    assert role_of_person(folder, said())[0] == "maintainer"
    assert role_of_person(folder, said(sub="2")) == ("none", "taken")
    save_access(with_person(load_access(folder), "https://p.example|2", "reader"), folder)
    assert role_of_person(folder, said(sub="2", iat=int(time.time()) + 1))[0] == "reader"


@pytest.mark.parametrize("address", ["M\u0130a@example.org", "m\u0456a@example.org", "\u212aim@example.org", "mia@example.org\n", " mia@example.org\u2028", "mia@\uff45xample.org", "https://p.example|2@x.org", "mia@example.org@x.org"])  # fmt: skip
def test_an_address_that_looks_alike_is_nobodys(folder, address):
    save_access(with_person(load_access(folder), "kim@example.org", "maintainer"), folder)
    assert person_of(said(email=address, sub="9")).address == ""
    assert role_of_person(folder, said(email=address, sub="9")) == ("none", "not verified")
    if not address.isascii():
        with pytest.raises(BadInput):
            with_person(Access(), "a" + address + "a", "reader")


def test_the_log_names_only_what_is_sure():
    liar = person_of(said(email="mia@example.org", email_verified=False, sub="9"))
    assert liar.logged == "https://p.example|9" and liar.shown == "mia@example.org"
    assert person_of(said()).logged == "mia@example.org (https://p.example|1)"


def test_sign_out_and_change_of_role_end_sign_ins(folder):
    old = said()
    assert role_of_person(folder, old)[0] == "maintainer"
    end_sign_in(folder, old)
    assert role_of_person(folder, old) == ("none", "ended")
    again = said(nonce="n2")
    assert role_of_person(folder, again)[0] == "maintainer"
    before = said(nonce="n3", iat=int(time.time()) - 60)
    assert role_of_person(folder, before) == ("none", "ended")


def test_tokens_end_and_are_bound(tmp_path):
    import datetime as dt

    access, token = with_token(Access(), "bench", "contributor", days=3, builder="kite")
    who = access.of_token(token)
    assert (who.role, who.builder) == ("contributor", "kite")
    who.refuse_foreign(["kite"])
    with pytest.raises(BadInput, match="kite only"):
        who.refuse_foreign(["kite", "nova"])
    later = access.of_token(token, dt.datetime.now(dt.UTC).date() + dt.timedelta(4))
    assert later.ended and later.role == "none"


def test_a_tokens_name_is_taken_once_and_can_be_read():
    access, _ = with_token(Access(), "bench", "reader")
    for name in ("bench", "", " ", "a\nb", "a\x1b[2K", "a\u202eb", "x" * 101):
        with pytest.raises(BadInput):
            with_token(access, name, "reader")


def test_options_that_are_empty_take_no_effect_in_words(tmp_path):
    store = {"SHOTLIFE_STORE": str(tmp_path / "s.duckdb")}
    run("access", "--token", "bench", "--role", "contributor", env=store)
    kept = (tmp_path / "access.json").read_text()
    for more in (
        ("--token", "b", "--role", "reader", "--builder", ""), ("--remove-token", ""), ("--person", "", "--role", "none"),
        ("--token", "bench", "--role", "reader"), ("--token", "b", "--role", "reader", "--to", tmp_path / "s" / "x" / "y"),
    ):  # fmt: skip
        (tmp_path / "s").write_text("a file where a folder would be")
        assert run("access", *more, code=2, env=store).stderr.startswith("Error:")
        assert (tmp_path / "access.json").read_text() == kept


def test_files_others_can_read_are_refused(folder):
    (folder / "access.json").chmod(0o644)
    with pytest.raises(BadInput, match="other accounts"):
        load_access(folder)


def filled(tmp_path, **more):
    path = tmp_path / "sign_in.toml"
    new_sign_in(path, "https://lives.example.org")
    text = path.read_text().replace('client_id = ""', 'client_id = "a"')
    text = text.replace('client_secret = ""', 'client_secret = "b"')
    text = text.replace('url = ""', 'url = "https://p.example/.well-known/openid-configuration"')
    lines = [
        f'{k} = "{more[k]}"' if (k := x.split(" =")[0]) in more else x for x in text.splitlines()
    ]
    path.write_text("\n".join(lines))
    return path


def test_sign_in_file_is_made_and_judged(tmp_path):
    path = filled(tmp_path)
    assert path.stat().st_mode & 0o077 == 0
    assert check_sign_in(path) == "https://lives.example.org/oauth2callback"
    path.chmod(0o640)
    with pytest.raises(BadInput, match="other accounts"):
        check_sign_in(path)


def test_secrets_made_here_are_taken_and_repeated_ones_are_not():
    for n in (16, 24, 32):  # bytes, in hexadecimal; each of 5,000
        for _ in range(5000):
            refuse_weak(Path("f"), secrets.token_hex(n))
    for weak in ("12345678" * 8, "0123456789abcdef" * 4, "ab" * 40, "0123456789" * 7):
        with pytest.raises(BadInput, match="guessed"):
            refuse_weak(Path("f"), weak)


@pytest.mark.parametrize(
    "more, words",
    [
        ({"cookie_secret": "long and random"}, "guessed"),
        ({"cookie_secret": "a" * 64}, "guessed"),
        ({"cookie_secret": "changeme-changeme-0123456789abcdefgh"}, "guessed"),
        ({"redirect_uri": "http://lives.example.org/oauth2callback"}, "without TLS"),
        ({"client_id": ""}, "lacks client_id"),
    ],
)
def test_weak_sign_in_files_are_refused(tmp_path, more, words):
    with pytest.raises(BadInput, match=words):
        check_sign_in(filled(tmp_path, **more))


def test_filters_are_parsed_in_one_pass():
    assert parse(" charge_V >= 1200 ") == ("charge_V", ">=", "1200")
    assert parse("note=a=b") == ("note", "=", "a=b")
    for bad in ("x" + " " * 1200 + "y", "", "=5", "a", "a ! 5", " " * 200, "<" * 200):
        with pytest.raises(BadInput):
            parse(bad)
