"""A real service to attack, and the means: raw requests, sockets, pages read as a browser reads them."""

import contextlib
import functools
import http.client
import logging
import os
import re
import secrets
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from reliability.access import Access, save_access, with_person, with_token
from reliability.store import Store
from reliability.store.demo import load_demo
from tests.browser.server import free_port

ROOT = Path(__file__).parents[3]
SIGNED_IN = "_streamlit_user"
"""the framework's cookie of who signed in"""


@dataclass
class Service:
    """A running ``shotlife serve``: its port, folder, process, start token (without sign-in) and reader's token."""

    port: int
    folder: Path
    process: subprocess.Popen
    start_token: str
    reader: str

    @property
    def host(self):
        return f"127.0.0.1:{self.port}"

    @property
    def origin(self):
        return f"http://{self.host}"

    @property
    def store(self):
        return Store(self.folder / "s.duckdb")

    def connect(self, timeout=20):
        """A bare connection."""
        return socket.create_connection(("127.0.0.1", self.port), timeout)

    def raw(self, data, timeout=20):
        """What comes back for these bytes, until the service closes or is silent."""
        with self.connect(timeout) as s, contextlib.suppress(OSError):
            s.sendall(data)
            return _until_silent(s)
        return b""

    def get(self, path, method="GET", body=None, timeout=60, **headers):
        """Status, headers and text of one request; header names with _ for -; Host may be overridden."""
        named = {k.replace("_", "-"): v for k, v in headers.items()}
        c = http.client.HTTPConnection("127.0.0.1", self.port, timeout=timeout)
        try:
            c.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in ({"Host": self.host} | named).items():
                c.putheader(name, value)
            if body is not None:
                c.putheader("Content-Length", str(len(body)))
            c.endheaders(body)
            r = c.getresponse()
            return r.status, r.headers, r.read().decode("utf-8", "replace")
        finally:
            c.close()

    def status(self, path, **more):
        """Status alone; 0 if the connection was closed without an answer."""
        try:
            return self.get(path, **more)[0]
        except (OSError, http.client.HTTPException):
            return 0

    def socket_status(self, path="/_stcore/stream", **headers):
        """Status of a WebSocket handshake: 101 if it was let in."""
        status, c = self.open_socket(path, **headers)
        c.close()
        return status

    def open_socket(self, path="/_stcore/stream", **headers):
        """The same, and the open connection."""
        named = {"Host": self.host} | {k.replace("_", "-"): v for k, v in headers.items()}
        key = "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n"
        head = f"GET {path} HTTP/1.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n{key}"
        text = head + "".join(f"{k}: {v}\r\n" for k, v in named.items()) + "\r\n"
        c = self.connect()
        c.sendall(text.encode())
        found = re.match(rb"HTTP/1.1 (\d+)", c.recv(100))
        return (int(found[1]) if found else 0), c

    @functools.cached_property
    def form_token(self):
        """The framework's token against forged forms: anybody is given one."""
        return self.get("/_stcore/health")[1]["Set-Cookie"].partition("=")[2].split(";")[0]

    def uploads(self, cookie):
        """Whether a file is taken from whoever has this cookie."""
        return self.status(
            "/_stcore/upload_file/a/b", method="PUT", body=b"x", X_Xsrftoken=self.form_token,
            Cookie=f"_streamlit_xsrf={self.form_token}; {cookie}",
        ) not in (0, 401, 403)  # fmt: skip

    def page(self, cookie, path="/"):
        """The text of a page as the browser is sent it, "" if its socket is refused."""
        from streamlit.proto.BackMsg_pb2 import BackMsg
        from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
        from websockets.exceptions import WebSocketException
        from websockets.sync.client import connect

        ask = BackMsg()
        ask.rerun_script.page_name = path.strip("/")
        said = []
        try:
            with connect(
                f"ws://{self.host}/_stcore/stream", origin=self.origin, max_size=None,
                additional_headers={"Cookie": f"_streamlit_xsrf={self.form_token}; {cookie}"},
                compression=None, subprotocols=["streamlit", self.form_token],
            ) as s:  # fmt: skip
                s.send(ask.SerializeToString())
                while True:
                    raw = s.recv(timeout=240)
                    said.append(raw.decode("utf-8", "replace"))
                    if len(raw) < 1000 and ForwardMsg.FromString(raw).HasField("script_finished"):
                        return "\n".join(said)
        except (OSError, WebSocketException):
            return ""

    def healthy(self):
        """Seconds in which health answers; endless if it does not."""
        began = time.monotonic()
        fine = self.status("/api/v1/health", timeout=10) == 200
        return time.monotonic() - began if fine else float("inf")

    @property
    def memory(self):
        """Resident MiB of the service itself."""
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(re.search(r"VmRSS:\s+(\d+)", text)[1]) / 1024


def _until_silent(s):
    out = b""
    while True:
        block = s.recv(65536)
        if not block:
            return out
        out += block
        if len(out) > 1 << 20:
            return out


@contextlib.contextmanager
def serving(folder, *more, port=None):
    """``shotlife serve`` on the demo in a folder."""
    folder.mkdir(mode=0o700, exist_ok=True)
    if not (folder / "s.duckdb").exists():
        load_demo(Store(folder / "s.duckdb"))
    access, reader = with_token(Access(), "reads", "reader")
    for who, role in ROLES.items():
        access = with_person(access, who, role)
    save_access(access, folder)
    port = port or free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "reliability.cli", "serve", "--store", str(folder / "s.duckdb"),
         "--port", str(port), "--no-browser", *map(str, more)],
        cwd=ROOT, env={**os.environ, "HOME": str(folder)}, stdout=subprocess.PIPE,
        stderr=(folder / "stderr.txt").open("w"), text=True,
    )  # fmt: skip
    try:
        found = re.search(r"\?token=(\S+)", process.stdout.readline())
        service = Service(port, folder, process, found[1] if found else "", reader)
        began = time.monotonic()
        while service.status("/api/v1/health") != 200:
            if process.poll() is not None or time.monotonic() - began > 120:
                raise RuntimeError("the service did not start")
            time.sleep(0.2)
        yield service
    finally:
        process.terminate()
        process.wait(30)
        process.stdout.close()


ROLES = {"mia@example.org": "maintainer", "cy@example.org": "contributor", "ria@example.org": "reader", "kim@example.org": "maintainer"}  # fmt: skip


def person(subject, email, **claims):
    """A user of the provider."""
    import oidc_provider_mock

    return oidc_provider_mock.User(sub=subject, claims={"email": email, **claims})


PEOPLE = {
    "mia": ("mia@example.org", {"email_verified": True}),
    "cy": ("cy@example.org", {"email_verified": True}),
    "ria": ("ria@example.org", {"email_verified": True}),
    "zoe": ("zoe@example.org", {"email_verified": True}),
    "left out": ("mia@example.org", {}),
    "false as text": ("mia@example.org", {"email_verified": "false"}),
    "true as text": ("mia@example.org", {"email_verified": "true"}),
    "one": ("mia@example.org", {"email_verified": 1}),
    "no": ("mia@example.org", {"email_verified": False}),
    "another mia": ("mia@example.org", {"email_verified": True}),
    "upper case": ("MIA@EXAMPLE.ORG", {"email_verified": "TRUE"}),
    "a Kelvin sign": ("\u212aim@example.org", {"email_verified": True}),
    "a Cyrillic letter": ("m\u0456a@example.org", {"email_verified": True}),
    "a line's end": ("kim@example.org\u2028", {"email_verified": True}),
}
"""subject at the provider: the address and what is said of it"""


@contextlib.contextmanager
def with_people(folder):
    """The same with sign-in, and a provider whose users claim this and that."""
    import oidc_provider_mock

    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    folder.mkdir(mode=0o700, exist_ok=True)
    users = [person(s, e, **c) for s, (e, c) in PEOPLE.items()]
    with oidc_provider_mock.run_server_in_thread(user_claims=users) as provider:
        port = free_port()
        file = folder / "sign_in.toml"
        file.write_text(
            f'[auth]\nredirect_uri = "http://127.0.0.1:{port}/oauth2callback"\n'
            f'cookie_secret = "{secrets.token_hex(32)}"\nclient_id = "shotlife"\nclient_secret = "test"\n'
            f'server_metadata_url = "http://127.0.0.1:{provider.server_port}/.well-known/openid-configuration"\n'
        )
        file.chmod(0o600)
        with serving(folder, "--sign-in", file, port=port) as service:
            yield service
