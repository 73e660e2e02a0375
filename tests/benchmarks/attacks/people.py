"""What people and forgers try against a service with sign-in."""

import json
import time

import httpx

from reliability.access import load_access, save_access, with_person
from tests.benchmarks.attacks.service import PEOPLE, SIGNED_IN

INSIDE = "modules"
"""stands on the front page for whoever may read"""
SHEET = b"builder,module,slot,shots_good\nq,m,fuel,1\n"


def attacks(s):
    """Every attack as (what, held, seen)."""
    yield from _before_sign_in(s)
    yield from _claims(s)
    yield from _forged(s)
    yield from _stale(s)
    yield from _sign_out(s)
    yield from _crowd(s)
    yield from _roles(s)


def sign_in(s, subject):
    """Sign in as a browser does; the Cookie header afterwards."""
    from streamlit import config
    from streamlit.auth_util import encode_provider_token

    config.set_option("secrets.files", [str(s.folder / "sign_in.toml")])
    with httpx.Client(follow_redirects=True, timeout=60) as c:
        form = c.get(f"{s.origin}/auth/login", params={"provider": encode_provider_token("default")})  # fmt: skip
        c.post(str(form.url), data={"sub": subject, "action": "authorize"})
        return "; ".join(f"{k.name}={k.value}" for k in c.cookies.jar if k.name.startswith("_streamlit"))  # fmt: skip


def seen_by(s, cookie):
    """Whether somebody with this cookie is shown estimates, and may send a file."""
    return INSIDE in _heading(s.page(cookie)), s.uploads(cookie)


def _heading(text):
    """The page's own words; "" where the sign-in or a refusal stands."""
    return "" if "Sign in to see" in text or "has no role" in text else text


def _before_sign_in(s):
    page = s.page("")
    yield "a visitor is shown the sign-in and nothing else", "Sign in to see" in page and INSIDE not in page, len(page)  # fmt: skip
    for path in ("records", "builders", "flight", "campaign"):
        page = s.page("", path)
        yield f"a visitor asks for {path}", INSIDE not in _heading(page) and "kite" not in page, len(page)  # fmt: skip
    before = s.memory
    refused = [s.status(f"/_stcore/upload_file/{i}/x", method="PUT", body=b"x" * (1 << 20)) in (0, 403) for i in range(100)]  # fmt: skip
    grown = s.memory - before
    yield (
        "100 uploads of 1 MiB before sign-in",
        all(refused) and not s.uploads("") and grown < 20,
        f"{grown:.0f} MiB more",
    )
    for path in ("contributions", "deeds", "life?slot=igniter", "module"):
        seen = s.status(f"/api/v1/{path}")
        yield f"the API without a token: {path}", seen == 401, seen
    for path in ("contributions?file=a.csv", "readings?file=a.csv", "contributions/1?act=accept"):
        seen = s.status(f"/api/v1/{path}", method="POST", body=SHEET)
        yield f"a stranger posts to {path}", seen == 401, seen
    seen = s.status("/?token=anything")
    yield "a start token stands for nobody here", seen == 200, seen


def _claims(s):
    """Whoever is not verified by the provider as mia does not get mia's role."""
    got = {subject: sign_in(s, subject) for subject in ("mia", "cy", "ria")}
    for subject, allowed in (("mia", (True, True)), ("cy", (True, True)), ("ria", (True, False))):
        seen = seen_by(s, got[subject])
        yield f"({subject} signs in: sees, gives)", seen == allowed, seen
    for subject in [k for k in PEOPLE if k not in got]:
        email, claims = PEOPLE[subject]
        seen = seen_by(s, sign_in(s, subject))
        yield (
            f"sign-in {subject!r} claims {email} with {json.dumps(claims)}",
            seen == (False, False),
            seen,
        )


def signed(secret, claims):
    """The framework's cookie for these claims."""
    from streamlit.web.server.starlette.starlette_app_utils import create_signed_value

    return f"{SIGNED_IN}={create_signed_value(secret, SIGNED_IN, json.dumps(claims)).decode()}"


def _claimed(s, **more):
    """Claims that would be mia's, were they the provider's."""
    owner = load_access(s.folder).bound["mia@example.org"]
    issuer, _, subject = owner.partition("|")
    now = int(time.time())
    said = {"iss": issuer, "sub": subject, "email": "mia@example.org", "email_verified": True, "iat": now,
            "exp": now + 600, "nonce": "n", "is_logged_in": True, "origin": s.origin}  # fmt: skip
    return {k: v for k, v in (said | more).items() if v is not ...}


def _secret(s):
    import tomllib

    return tomllib.loads((s.folder / "sign_in.toml").read_text())["auth"]["cookie_secret"]


def _forged(s):
    for secret in ("", "long and random", "x" * 64, "0" * 64):
        seen = seen_by(s, signed(secret, _claimed(s)))
        yield f"a cookie signed with the secret {secret[:16]!r}", seen == (False, False), seen
    right = signed(_secret(s), _claimed(s))
    yield (
        "(the same, signed with the right secret, would be let in)",
        seen_by(s, right) == (True, True),
        "",
    )
    name, _, value = right.partition("=")
    parts = value.split(".")
    for what, forged in (
        ("another signature", ".".join([*parts[:-1], "A" * len(parts[-1])])), ("no signature", ".".join(parts[:-1])),
        ("another field", ".".join([parts[0], parts[1][:40] + "AAAA" + parts[1][44:], *parts[2:]])), ("unsigned claims", json.dumps(_claimed(s))),
        ("cut", value[:-8]), ("very long", value + "a" * 20_000),
    ):  # fmt: skip
        seen = seen_by(s, f"{name}={forged}")
        yield f"a forged cookie: {what}", seen == (False, False), seen


def _stale(s):
    now = int(time.time())
    for what, more in (
        ("run out", {"exp": now - 1, "iat": now - 600}), ("its end left out", {"exp": ...}), ("its end as text", {"exp": str(now + 600)}),
        ("begun before the last change of role", {"iat": now - 10**6}), ("without subject", {"sub": ...}), ("without issuer", {"iss": ...}),
        ("of another issuer", {"iss": "https://evil.example"}), ("of another subject", {"sub": "zoe"}),
        ("subject as number", {"sub": 1}), ("address verified as text", {"sub": "q", "email_verified": "true"}),
    ):  # fmt: skip
        seen = seen_by(s, signed(_secret(s), _claimed(s, **more)))
        yield f"a sign-in {what}", seen == (False, False), seen


def _sign_out(s):
    cookie = sign_in(s, "ria")
    yield "(ria is in)", seen_by(s, cookie)[0], ""
    s.status("/auth/logout", Cookie=cookie)
    seen = seen_by(s, cookie)
    yield "after sign-out the old cookie opens nothing", seen == (False, False), seen
    cookie = sign_in(s, "cy")
    s.status("/auth/logout", Cookie=cookie, Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="no-cors")
    seen = seen_by(s, cookie)
    yield "another site cannot sign somebody out by a picture", seen[0], seen
    s.status("/auth/logout", Cookie=cookie, Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="navigate")
    seen = seen_by(s, cookie)
    yield "nor by a link", seen[0], seen


def _crowd(s):
    """Visitors, or one person, open pages until no more are let in; others still get theirs."""
    cookie, other = sign_in(s, "ria"), sign_in(s, "cy")
    for who, own in (("visitors", ""), ("one person", other)):
        held = [s.open_socket(Origin=s.origin, Cookie=own) for _ in range(230)]
        refused = sum(status != 101 for status, _ in held)
        seen = seen_by(s, cookie)
        yield f"230 pages opened by {who}: most are refused", refused > 150, refused
        yield f"another's page beside those of {who}", seen[0], seen
        for _, c in held:
            c.close()


def _roles(s):
    cookie = sign_in(s, "cy")
    yield "(cy may give)", s.uploads(cookie), ""
    time.sleep(1.1)  # times of sign-ins are whole seconds
    before = load_access(s.folder)
    save_access(with_person(before, "cy@example.org", "reader"), s.folder)
    seen = seen_by(s, cookie)
    yield "a change of role ends the sign-in that had the old one", seen == (False, False), seen
    (s.folder / "access.json").write_text("{")
    seen = seen_by(s, sign_in(s, "mia"))
    yield "damaged roles let nobody in", seen == (False, False), seen
    save_access(before, s.folder)
    (s.folder / "access.json").chmod(0o644)
    seen = seen_by(s, sign_in(s, "mia"))
    yield "roles that other accounts can read let nobody in", seen == (False, False), seen
    (s.folder / "access.json").chmod(0o600)
