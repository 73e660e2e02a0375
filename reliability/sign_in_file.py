"""The sign-in file: made with its secrets, looked at before it is believed."""

from __future__ import annotations

import itertools
import secrets
import tomllib
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from reliability.access import refuse_open_file, write_private
from reliability.notes import BadInput

FILE = "sign_in.toml"
SHORTEST = 32
"""characters of a cookie secret; what is made here has 64"""
PAIRS = 20
"""different pairs of neighbours in it: 32 random hexadecimal digits have some 29, a repeated row few"""
# lower case, letters and digits only: what stands in manuals and gets copied
_KNOWN = ("longandrandom", "secret", "changeme", "example", "cookiesecret", "password", "xxxx")
LOOPBACK = ("127.0.0.1", "localhost", "::1")

_TEXT = """# Sign-in of shotlife with an OpenID Connect provider. Keep this file to yourself (mode 600).
[auth]
redirect_uri = "{address}/oauth2callback"
cookie_secret = "{secret}"
# from the provider, where this program is entered with the redirect_uri above:
client_id = ""
client_secret = ""
server_metadata_url = ""   # ends in /.well-known/openid-configuration
"""


def _plain_address(address: str) -> str:
    parts = urlsplit(address)
    sound = parts.scheme in ("http", "https") and parts.hostname and parts.path in ("", "/")
    if not sound or parts.query or parts.fragment or parts.username or '"' in address:
        raise BadInput(f"the address is like https://lives.example.org, not {address!r}")
    if parts.scheme == "http" and parts.hostname not in LOOPBACK:
        raise BadInput(
            f"{address} is without TLS: everybody on the way could take the sign-in; https:// it is"
        )
    return address.rstrip("/")  # fmt: skip


def new_sign_in(path: Path, address: str) -> None:
    """Write a sign-in file with a fresh secret for a service reached at an address. Raises BadInput."""
    if path.exists():
        raise BadInput(f"{path} is there already; remove it first to make new secrets")
    text = _TEXT.format(address=_plain_address(address), secret=secrets.token_hex(32))
    write_private(path, text)


def _read(path: Path) -> dict[str, Any]:
    try:
        auth = tomllib.loads(path.read_text())["auth"]
    except OSError as e:
        raise BadInput(f"cannot read {path}: {e.strerror}") from None
    except (tomllib.TOMLDecodeError, KeyError, UnicodeDecodeError):
        raise BadInput(f"{path} is no TOML file with a section [auth]") from None
    if not isinstance(auth, dict):
        raise BadInput(f"{path} is no TOML file with a section [auth]")
    return auth


def refuse_weak(path: Path, secret: str) -> None:
    """Raises BadInput for a cookie secret that can be guessed."""
    plain = "".join(c for c in secret.lower() if c.isalnum())
    pairs = set(itertools.pairwise(secret))
    if len(secret) < SHORTEST or len(pairs) < PAIRS or " " in secret:
        why = f"shorter than {SHORTEST} characters, with spaces, or the same over and over"
    elif any(k in plain for k in _KNOWN):
        why = "copied from an example"
    else:
        return
    raise BadInput(
        f"{path}: the cookie_secret can be guessed ({why}); whoever knows it is anybody he likes. "
        "'shotlife access --new-sign-in ADDRESS' makes a file with a good one"
    )


def check_sign_in(path: Path) -> str:
    """Look at a sign-in file (TOML with an ``[auth]`` section); its redirect address.

    Raises
    ------
    BadInput
        If it cannot be read, lacks something, other accounts can read it, its secret can be guessed,
        or people would sign in without TLS.
    """
    auth = _read(path)
    refuse_open_file(path)
    providers = [v for v in auth.values() if isinstance(v, dict) and v.get("client_id")]
    missing = [k for k in ("redirect_uri", "cookie_secret") if not auth.get(k)]
    for provider in providers or [auth]:
        missing += [
            k for k in ("client_id", "client_secret", "server_metadata_url") if not provider.get(k)
        ]
    if missing:
        raise BadInput(f"{path}: [auth] lacks {', '.join(missing)}")
    refuse_weak(path, str(auth["cookie_secret"]))
    redirect = str(auth["redirect_uri"])
    if not redirect.endswith("/oauth2callback"):
        raise BadInput(f"{path}: redirect_uri ends in /oauth2callback, not {redirect!r}")
    _plain_address(redirect.removesuffix("/oauth2callback"))
    for provider in providers or [auth]:
        url = urlsplit(str(provider["server_metadata_url"]))
        if url.scheme != "https" and url.hostname not in LOOPBACK:
            raise BadInput(f"{path}: server_metadata_url is reached by https://")
    return redirect
