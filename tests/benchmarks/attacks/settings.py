"""Services started wrongly, sign-in files that are weak or open: refused before anything listens."""

import subprocess
import sys

from tests.benchmarks.attacks.service import ROOT, free_port

GOOD = """[auth]
redirect_uri = "https://lives.example.org/oauth2callback"
cookie_secret = "%s"
client_id = "shotlife"
client_secret = "s"
server_metadata_url = "https://provider.example/.well-known/openid-configuration"
"""
SECRET = "7f3a9c1e5b2d8f604ac7e19b3d5f2086c4e1a7b9d30f586e"


def attacks(folder):
    """Every attack as (what, held, seen)."""
    for what, text in (
        ("the README's old secret", GOOD % "long and random"), ("an empty secret", GOOD % ""), ("a short one", GOOD % "abc123"),
        ("one letter often", GOOD % ("a" * 64)), ("a manual's words", GOOD % "change-me-change-me-0123456789abcdef"),
        ("no secret", GOOD.replace("cookie_secret", "cookie")), ("no TLS", (GOOD % SECRET).replace("https://lives", "http://lives")),
        ("a provider without TLS", (GOOD % SECRET).replace("https://provider", "http://provider")),
        ("another callback", (GOOD % SECRET).replace("oauth2callback", "elsewhere")), ("no client", (GOOD % SECRET).replace('"shotlife"', '""')),
        ("no TOML", "{"), ("a list", "auth = [1]"), ("nothing", ""),
    ):  # fmt: skip
        yield _refused(folder, f"sign-in file with {what}", text)
    for mode in (0o644, 0o640, 0o666, 0o604):
        yield _refused(folder, f"sign-in file of mode {mode:o}", GOOD % SECRET, mode)
    for host in ("0.0.0.0", "::", "192.0.2.1"):
        yield _ended(folder, f"listening on {host} without sign-in", "--host", host)
    file = _file(folder, GOOD % SECRET, 0o600)
    yield _ended(folder, "sign-in beyond this machine without a proxy for TLS", "--host", "0.0.0.0", "--sign-in", file)  # fmt: skip
    (folder / "access.json").write_text("[]")
    (folder / "access.json").chmod(0o600)
    yield _ended(folder, "damaged roles")
    (folder / "access.json").write_text('{"people":{},"tokens":{},"anyone":"none"}')
    (folder / "access.json").chmod(0o644)
    yield _ended(folder, "roles that others can read")


def _file(folder, text, mode):
    path = folder / "sign_in.toml"
    path.write_text(text)
    path.chmod(mode)
    return path


def _refused(folder, what, text, mode=0o600):
    return _ended(folder, what, "--sign-in", _file(folder, text, mode))


def _ended(folder, what, *more):
    """Whether ``serve`` ends with words and exit code 2, and does not listen."""
    p = subprocess.Popen(
        [sys.executable, "-m", "reliability.cli", "serve", "--store", str(folder / "s.duckdb"), "--port",
         str(free_port()), "--no-browser", *map(str, more)],
        cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        _, said = p.communicate(timeout=25)
    except subprocess.TimeoutExpired:
        p.kill()
        p.communicate()
        return what, False, "it serves"
    good = p.returncode == 2 and said.startswith("Error:") and "Traceback" not in said
    return what, good, said.strip()[:120]
