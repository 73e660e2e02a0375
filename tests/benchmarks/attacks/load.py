"""What somebody who may ask does to starve the others: slow, abandoned, dear and oversize requests."""

import contextlib
import os
import signal
import socket
import threading
import time
from pathlib import Path

HEALTH_WITHIN = 2.0
"""seconds in which health answers while others misbehave (the soak measures it by itself)"""


def attacks(s):
    """Every attack as (what, held, seen)."""
    yield from _slow(s)
    yield from _dear(s)
    yield from _large(s)
    yield from _abandoned(s)
    yield from _killed(s)


def _head(s, path, method="GET", more=""):
    return f"{method} {path} HTTP/1.1\r\nHost: {s.host}\r\nAuthorization: Bearer {s.start_token}\r\n{more}\r\n".encode()  # fmt: skip


def _closed(sockets, within):
    """How many of these the service closes within so many seconds."""
    stop, shut = time.monotonic() + within, 0
    for c in sockets:
        c.settimeout(max(0.01, stop - time.monotonic()))
        try:
            while c.recv(4096):
                pass
            shut += 1
        except TimeoutError:
            pass
        except OSError:
            shut += 1
        c.close()
    return shut


def _slow(s):
    heads = [s.connect() for _ in range(300)]
    for c in heads:
        c.sendall(b"GET / HTTP/1.1\r\nHost: ")
    seen = s.healthy()
    yield "health beside 300 heads that never end", seen < HEALTH_WITHIN, f"{seen:.2f} s"
    shut = _closed(heads, 20)
    yield "heads that never end are closed", shut == 300, f"{shut} of 300"
    drip = s.connect()
    gone = False
    for _ in range(40):
        try:
            drip.sendall(b"G")
            time.sleep(0.5)
        except OSError:
            gone = True
            break
    yield "a head of one byte each half second is closed", gone, ""
    more = "Content-Length: 1000000\r\n"
    bodies = [s.connect() for _ in range(100)]
    for c in bodies:
        c.sendall(_head(s, "/api/v1/contributions?file=a.csv", "POST", more) + b"a")
    refused = 0
    for c in bodies:
        c.settimeout(0.3)
        with contextlib.suppress(OSError):
            refused += c.recv(20)[9:12] in (b"429", b"503")
    seen = s.healthy()
    yield "health beside 100 bodies that never end", seen < HEALTH_WITHIN, f"{seen:.2f} s; {refused} refused with when to come again"  # fmt: skip
    seen = s.status("/api/v1/life?slot=igniter&bound=likelihood", Authorization=f"Bearer {s.start_token}")  # fmt: skip
    yield "a question beside them", seen == 200, seen
    shut = _closed(bodies, 60)
    yield "bodies that never end are closed", shut == 100, f"{shut} of 100"
    yield from _described(s)


def _described(s):
    """The largest thing that anybody may ask for, by many at once."""
    crew = [threading.Thread(target=_answers, args=(s, "/api/v1/openapi.json")) for _ in range(100)]
    for t in crew:
        t.start()
    seen = s.healthy()
    for t in crew:
        t.join()
    yield "health beside 100 who ask what can be asked", seen < HEALTH_WITHIN, f"{seen:.2f} s"


def _answers(s, path):
    began = time.monotonic()
    status = s.status(path, Authorization=f"Bearer {s.start_token}", timeout=240)
    return status, time.monotonic() - began


def _dear(s):
    spaces = "%20" * 1200
    for what, path in (
        ("a filter of 1,200 spaces", f"life?slot=igniter&where=a{spaces}b"), ("a filter of 60,000 spaces", f"life?where={'%20' * 20000}"),
        ("a filter of signs", "life?where=" + "%3C" * 1200), ("10,000 filters", "life?" + "&".join(["where=a=1"] * 6000)),
        ("200 counts", "life?slot=igniter&" + "&".join(f"at={i}" for i in range(200))),
        ("counts beyond reason", "module?at=1e300"), ("a count that is none", "life?slot=igniter&at=nan"),
        ("a tail of 1e-300", "module?fraction=1e-300"), ("confidence next to 1", "life?slot=igniter&confidence=0.9999999999999"),
        ("a million next units", "life?slot=igniter&next=1000000"), ("a number of 5,000 digits", "life?slot=igniter&at=" + "9" * 5000),
        ("a setting that is not there", "life?slotty=igniter"), ("the same setting often", "module?" + "&".join(["confidence=0.9"] * 50)),
        ("500 levels", "derate?" + "&".join(f"use=charge_V={i}" for i in range(1, 500))),
        ("units on board without end", "module?units=igniter=99999999999"), ("a slot's name of 50,000 characters", "life?slot=" + "x" * 50000),
    ):  # fmt: skip
        status, seconds = _answers(s, f"/api/v1/{path}")
        yield f"{what}: refused at once", status in (0, 400, 414, 431) and seconds < 3, f"{status} in {seconds:.2f} s"  # fmt: skip
        seen = s.healthy()
        yield f"{what}: health goes on", seen < HEALTH_WITHIN, f"{seen:.2f} s"


def _large(s):
    before = s.memory
    with s.connect() as c:
        c.sendall(_head(s, "/api/v1/contributions?file=a.csv", "POST", f"Content-Length: {400 << 20}\r\n"))  # fmt: skip
        block, sent = b"x" * (1 << 20), 0
        try:
            for _ in range(400):
                c.sendall(block)
                sent += 1
        except OSError:
            pass
        try:
            said = c.recv(100)[9:12]
        except OSError:
            said = b"closed"
    yield "a body of 400 MiB is refused", said in (b"413", b"closed"), f"{said} after {sent} MiB"
    grown = s.memory - before
    yield "and its memory is given back", grown < 300, f"{grown:.0f} MiB more"
    seen = s.status("/api/v1/contributions?file=a.csv", method="POST", body=b"builder\x00,module\n" + b"\xff" * 10**6, Authorization=f"Bearer {s.start_token}")  # fmt: skip
    yield "a body of noise", seen == 400, seen


def _abandoned(s):
    dear = [f"/api/v1/life?slot=main_capacitor&at={100 + k}&at={5000 + k}" for k in range(300)]
    for path in dear:
        c = s.connect()
        c.sendall(_head(s, path))
        c.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
        c.close()
    seen = s.healthy()
    yield "health after 300 abandoned questions", seen < HEALTH_WITHIN, f"{seen:.2f} s"
    small = "/api/v1/life?slot=igniter&bound=likelihood"
    status = s.status(small, Authorization=f"Bearer {s.reader}", timeout=30)
    yield "another's question after them", status == 200, status
    began = time.monotonic()
    while (status := _answers(s, small)[0]) == 429 and time.monotonic() - began < 20:
        time.sleep(0.2)
    yield "a question of the same person, who may have to come again", status == 200, f"{status} after {time.monotonic() - began:.1f} s"  # fmt: skip
    found = []
    crew = [threading.Thread(target=lambda p=p: found.append(_answers(s, p)[0])) for p in dear[:20]]
    for t in crew:
        t.start()
    seen = s.healthy()
    for t in crew:
        t.join()
    yield "20 at once: answers, or 429 and 503", set(found) <= {200, 429, 503}, sorted(set(found))
    yield "health beside them", seen < HEALTH_WITHIN, f"{seen:.2f} s"


def _children(pid):
    """Numbers of all processes below one."""
    out = []
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
        with contextlib.suppress(OSError):
            out += [int(child), *_children(child)]
    return out


def _until(holds, seconds=20):
    """Whether something comes to hold."""
    stop = time.monotonic() + seconds
    while not (fine := holds()) and time.monotonic() < stop:
        time.sleep(0.05)
    return fine


def _killed(s):
    """Work ends with whoever waited for it; what is killed from outside takes nobody else along."""
    _until(lambda: len(_children(s.process.pid)) == 2)
    nurseries = set(_children(s.process.pid))
    at_work = lambda: set(_children(s.process.pid)) - nurseries  # noqa: E731
    c = s.connect()
    c.sendall(_head(s, "/api/v1/life?at=31&at=7001"))
    yield "(a question is worked on)", _until(at_work), at_work()
    c.close()
    yield "nobody waits for it any more: its process ends", _until(lambda: not at_work(), 5), at_work()  # fmt: skip
    for what, victims in (("process of its question", at_work), ("nurseries of all", lambda: nurseries)):  # fmt: skip
        found = []
        asker = threading.Thread(target=lambda f=found, w=what: f.append(_answers(s, f"/api/v1/life?at=32&at={7000 + len(w)}")[0]))  # fmt: skip
        asker.start()
        _until(at_work)
        for pid in victims():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        asker.join()
        yield f"SIGKILL to the {what}: 503", found == [503], found
        status = _answers(s, f"/api/v1/modes?slot=fuel&confidence=0.7{len(what)}")[0]
        yield f"and the next question is answered after the {what}", status in (200, 422), status
    status = s.status("/api/v1/readings?file=a.csv", method="POST", body=b"builder,module,slot,shots_good\nq,m,fuel,1\n", Authorization=f"Bearer {s.start_token}")  # fmt: skip
    yield "and the next file is read", status == 200, status
