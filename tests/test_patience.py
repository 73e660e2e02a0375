"""A real server and clients that stop half way: each is let go of, and the next one is served."""

import contextlib
import socket
import threading
import time

import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from reliability import patience

LARGE = "x" * (32 << 20)


@pytest.fixture
def port(monkeypatch):
    for name in ("HEAD_SECONDS", "BODY_SECONDS", "READ_SECONDS"):
        monkeypatch.setattr(patience, name, 0.3)

    async def taken(request):
        return PlainTextResponse(f"{len(await request.body())} bytes")

    async def large(request):
        return PlainTextResponse(LARGE)

    app = Starlette(routes=[Route("/", taken, methods=["GET", "POST"]), Route("/large", large)])
    listening = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(
        uvicorn.Config(app, http=patience.PatientProtocol, log_level="critical", timeout_keep_alive=1)
    )  # fmt: skip
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    while not server.started:
        time.sleep(0.01)
    yield listening.getsockname()[1]
    server.should_exit = True
    thread.join()


def connected(port, text):
    c = socket.create_connection(("127.0.0.1", port), 30)
    c.sendall(text.encode())
    return c


def read(c):
    """What comes until the other end closes; a TimeoutError if it never does."""
    out = b""
    with contextlib.suppress(ConnectionError):
        while block := c.recv(1 << 20):
            out += block
    return out


POST = "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n"


@pytest.mark.parametrize("begun", ["", "GET / HTTP/1.1\r\nHost:", POST + "\r\n", POST + "\r\nabc"])
def test_a_request_that_stops_half_way_is_let_go_of(port, begun):
    with connected(port, begun) as c:
        assert read(c) == b""
    with connected(port, POST + "Connection: close\r\n\r\n0123456789") as c:
        assert read(c).endswith(b"10 bytes")


def test_a_body_in_pieces_is_taken(port):
    with connected(port, POST + "Connection: close\r\n\r\n") as c:
        for digit in b"0123456789":
            c.sendall(bytes([digit]))
            time.sleep(0.1)  # all of it takes longer than any one pause may
        assert read(c).endswith(b"10 bytes")


def test_an_answer_that_is_not_taken_is_let_go_of(port):
    with connected(port, "GET /large HTTP/1.1\r\nHost: x\r\n\r\n") as c:
        time.sleep(2)
        assert 0 < len(read(c)) < len(LARGE)
    # one that is taken slowly, but taken, comes whole, however long that is
    with connected(port, "GET /large HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n") as c:
        got = 0
        while block := c.recv(2 << 20, socket.MSG_WAITALL):
            got += len(block)
            time.sleep(0.1)
        assert got > len(LARGE)
