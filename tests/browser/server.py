"""A running service and a browser for the browser tests."""

import contextlib
import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
MARKS = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed"),
]
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
ENTRIES = {}
"""address of each running service: the address it printed, with its start token"""


def free_port():
    """A port nobody listens on."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@contextlib.contextmanager
def serving(folder, *more, port=None):
    """shotlife serve on the store in a folder; its address."""
    port = port or free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "reliability.cli", "serve", "--store", str(folder / "s.duckdb"), "--port", str(port),
         "--no-browser", *map(str, more)],
        cwd=ROOT, env={**os.environ, "HOME": str(folder)}, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    base = f"http://127.0.0.1:{port}"
    try:
        for _ in range(120):
            try:
                urllib.request.urlopen(base + "/api/v1/health", timeout=2)
                break
            except OSError:
                time.sleep(0.5)
        ENTRIES[base] = process.stdout.readline().split()[1]
        yield base
    finally:
        ENTRIES.pop(base, None)
        process.terminate()
        process.wait(20)
        process.stdout.close()


@contextlib.contextmanager
def serving_with_sign_in(folder, users):
    """The same, with sign-in by a provider on this machine that knows these users; its address."""
    import oidc_provider_mock

    with oidc_provider_mock.run_server_in_thread(user_claims=users) as provider:
        port = free_port()
        file = folder / "sign_in.toml"
        file.write_text(
            f"""[auth]
redirect_uri = "http://127.0.0.1:{port}/oauth2callback"
cookie_secret = "{secrets.token_hex(32)}"
client_id = "shotlife"
client_secret = "test"
server_metadata_url = "http://127.0.0.1:{provider.server_port}/.well-known/openid-configuration"
"""
        )
        file.chmod(0o600)
        with serving(folder, "--sign-in", file, port=port) as base:
            yield base


@contextlib.contextmanager
def browsing(**context):
    """A page in Chromium."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_context(**context).new_page()
        page.set_default_timeout(90_000)
        for entry in ENTRIES.values():  # the start token becomes a cookie, as for who started it
            page.context.request.get(entry)
        yield page
        browser.close()


def answer(page):
    """The sentence at the top of the page."""
    page.wait_for_selector("h2")
    return page.inner_text("h2")
