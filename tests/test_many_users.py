"""README's section for many users, copied word by word as somebody new would: it works, and lets nobody else in."""

import contextlib
import json
import os
import re
import shutil
import stat
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import oidc_provider_mock
import pytest

from reliability.access import load_access
from tests.browser.server import free_port
from tests.unprivileged import as_somebody, open_folder

ROOT = Path(__file__).parents[1]
SECTION = (ROOT / "README.md").read_text().split("## Many users")[1].split("\n## ")[0]
BLOCKS = re.findall(r"```(sh|console)\n(.*?)```", SECTION, re.S)
BENCH = "builder,module,slot,shots_good\nnew,m1,igniter,700\n"


def commands(kind, block):
    """The lines that somebody types."""
    if kind == "console":
        return [line[2:] for line in block.splitlines() if line.startswith("$ ")]
    return [line for line in block.splitlines() if line.strip()]


class Desk:
    """A new user's shell: its home, and all that was typed so far. Only the port differs from the README."""

    def __init__(self, home):
        self.home, self.port = home, free_port()
        keep = {k: v for k, v in os.environ.items() if not k.startswith(("SHOTLIFE", "PYTHON"))}
        self.env = {
            **keep, "HOME": str(home), "PYTHONPATH": str(ROOT), "PATH": f"{home / 'bin'}:{os.environ['PATH']}",
        }  # fmt: skip
        (home / "bin").mkdir(exist_ok=True)
        own = home / "bin" / "shotlife"
        own.write_text(f'#!/bin/sh\nexec {sys.executable} -m reliability.cli "$@"\n')
        own.chmod(0o755)
        for name in ("bench.csv", "mine.csv"):
            (home / name).write_text(BENCH.replace("m1", name[0]))
        self.typed = []

    def here(self, line):
        return line.replace("localhost:8501", f"localhost:{self.port}")

    def script(self, line):
        return "\n".join([*self.typed, self.here(line)])

    def type(self, line):
        """Type a line; a setting of the shell stays."""
        p = subprocess.run(
            ["sh", "-c", self.script(line)], cwd=self.home, env=self.env, capture_output=True, text=True, timeout=120
        )  # fmt: skip
        if line.startswith(("umask", "export")):
            self.typed.append(line)
        return p

    @contextlib.contextmanager
    def running(self, line):
        """A service started by a line."""
        more = f"exec {self.here(line)} --no-browser --port {self.port}"
        p = subprocess.Popen(["sh", "-c", self.script(more)], cwd=self.home, env=self.env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)  # fmt: skip
        try:
            while p.poll() is None:
                with contextlib.suppress(OSError):
                    urllib.request.urlopen(f"http://127.0.0.1:{self.port}/api/v1/health", timeout=5)
                    break
                time.sleep(0.2)
            yield p
        finally:
            p.terminate()
            p.communicate(timeout=60)


@pytest.fixture(scope="module")
def desk():
    with open_folder() as home:
        yield Desk(home)


def typed(desk, until):
    """Type the section's lines, as far as one that begins so; that line."""
    for kind, block in BLOCKS:
        for line in commands(kind, block):
            if line.startswith(until):
                return line
            p = desk.type(line)
            assert p.returncode == 0, (line, p.stderr)
    raise AssertionError(f"no line begins with {until}")


@pytest.fixture(scope="module")
def ready(desk):
    return typed(desk, "shotlife serve")


def test_until_the_provider_is_filled_in_it_does_not_start(desk, ready):
    p = desk.type(ready)
    assert p.returncode == 2 and "lacks client_id, client_secret, server_metadata_url" in p.stderr


def test_only_the_named_have_a_role(desk, ready):
    access = load_access(desk.home / "lives")
    assert access.anyone == "none"
    assert access.people == {"ada@example.org": "maintainer", "ben@example.org": "contributor"}


def test_no_other_account_can_read_it(desk, ready):
    lives = desk.home / "lives"
    found = {p: stat.S_IMODE(p.lstat().st_mode) for p in (lives, *lives.rglob("*"))}
    assert len(found) >= 3 and not {p: oct(m) for p, m in found.items() if m & 0o077}
    if os.geteuid() == 0:  # somebody else tries
        elsewhere = desk.home / "elsewhere"
        elsewhere.mkdir(exist_ok=True)
        with pytest.raises(PermissionError):
            as_somebody(elsewhere, lambda: (lives / "sign_in.toml").read_text())


def test_no_two_have_the_same_secret(desk, ready, tmp_path):
    other = Desk(tmp_path)
    typed(other, "shotlife serve")
    texts = [(d.home / "lives" / "sign_in.toml").read_text() for d in (desk, other)]
    secrets = {re.search(r'cookie_secret = "(\w+)"', t)[1] for t in texts}
    assert len(secrets) == 2 and min(map(len, secrets)) >= 64


@pytest.fixture(scope="module")
def provider():
    with oidc_provider_mock.run_server_in_thread() as running:
        yield f"http://127.0.0.1:{running.server_port}/.well-known/openid-configuration"


@pytest.fixture(scope="module")
def filled(desk, ready, provider):
    """The provider's three lines filled in."""
    path = desk.home / "lives" / "sign_in.toml"
    text = path.read_text()
    for name, value in (("client_id", "c"), ("client_secret", "s"), ("server_metadata_url", provider)):  # fmt: skip
        text = re.sub(rf'{name} = ""', f'{name} = "{value}"', text)
    path.write_text(text)


def test_the_service_runs_and_its_programs_get_answers(desk, ready, filled):
    """Every further line, while the service runs; without a token, by another name or another site nothing is told."""
    with desk.running(ready):
        lines = [line for kind, block in BLOCKS for line in commands(kind, block)]
        rest = lines[lines.index(ready) + 1 :]
        assert shutil.which("curl") and sum(line.startswith("curl") for line in rest) == 4
        said = {line: desk.type(line) for line in rest}
        for line, p in said.items():
            assert p.returncode == 0, (line, p.stderr)
        told = {line.split("/api/v1/")[1][:8]: json.loads(p.stdout) for line, p in said.items() if line.startswith("curl")}  # fmt: skip
        assert "error" in told["life?slo"]  # no record is accepted yet, and it says so
        assert told["readings"]["ready"] and told["contribu"]["contribution"]["status"] == "received"  # fmt: skip
        assert told["openapi."]["openapi"].startswith("3.")
        header = desk.home / "lives" / "bench.header"
        token = header.read_text().split()[-1]
        assert stat.S_IMODE(header.stat().st_mode) == 0o600
        assert not [p for p in said.values() if token in p.stdout + p.stderr]
        for head, status in (
            ({}, 401), ({"Authorization": "Bearer x"}, 401), ({"Host": "evil.example"}, 421),
            ({"Authorization": f"Bearer {token}", "Origin": "http://evil.example"}, 403),
        ):  # fmt: skip
            assert _status(desk, "/api/v1/contributions", head) == status
        assert _status(desk, "/api/v1/contributions", {"Authorization": f"Bearer {token}"}) == 200
    backup = desk.home / "lives-backup.zip"
    assert stat.S_IMODE(backup.stat().st_mode) == 0o600
    assert b"sign_in.toml" not in backup.read_bytes() and b"access.json" not in backup.read_bytes()


def _status(desk, path, head):
    request = urllib.request.Request(f"http://127.0.0.1:{desk.port}{path}", headers=head)
    try:
        with urllib.request.urlopen(request, timeout=30) as r:
            return r.status
    except urllib.error.HTTPError as e:
        return e.code


def test_the_section_shows_no_secret_and_opens_nothing():
    assert not re.search(r"secret\s*=\s*\"?\w{6}", SECTION)
    assert "--person anyone" not in SECTION and "0.0.0.0" not in SECTION
    assert "Bearer" not in "".join(block for _, block in BLOCKS)
