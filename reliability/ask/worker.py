"""The processes in which questions are worked out: each lives for one question and can be stopped dead.

A nursery is a process that has imported everything and does nothing but fork: a child is there in some
milliseconds, and ending it needs no consent of the code that runs in it (a loop in native code listens
to nothing else). The kernel bounds a child's computing time and memory.
"""

from __future__ import annotations

import json
import math
import os
import pickle
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from typing import Any

_HEAD = struct.Struct("!Q")


def send(to: socket.socket, *parts: bytes) -> None:
    """Send messages, each with its length before it."""
    for part in parts:
        to.sendall(_HEAD.pack(len(part)))
        to.sendall(part)


def receive(source: socket.socket) -> bytes | None:
    """One message; None where the other end is gone before it is whole."""
    head = _exactly(source, _HEAD.size)
    return None if head is None else _exactly(source, _HEAD.unpack(head)[0])


def _exactly(source: socket.socket, size: int) -> bytes | None:
    out = bytearray()
    while len(out) < size:
        block = source.recv(min(size - len(out), 1 << 20))
        if not block:
            return None
        out += block
    return bytes(out)


# --- the nursery, from outside --------------------------------------------------------------


class Nursery:
    """Begins workers; itself begun with the first one, and again if it has died."""

    def __init__(self) -> None:
        self._turn = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._line: socket.socket | None = None

    def worker(self) -> tuple[socket.socket, int]:
        """A new process that waits for its question: the line to it, and its number. Raises OSError."""
        with self._turn:
            if self._process is None or self._process.poll() is not None:
                self._begin()
            assert self._line is not None
            ours, theirs = socket.socketpair()
            try:
                socket.send_fds(self._line, [b"w"], [theirs.fileno()])
            except OSError:
                ours.close()
                raise
            finally:
                theirs.close()
        hello = receive(ours)
        if hello is None:
            ours.close()
            raise OSError("no process for the question could be begun")
        return ours, int(hello)

    def _begin(self) -> None:
        self.end()
        ours, theirs = socket.socketpair()
        code = f"import sys; sys.path[:] = {sys.path!r}; from reliability.ask.worker import nurse; nurse({theirs.fileno()})"
        # numbers of one question come from one thread: the cores are for several questions
        env = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        self._process = subprocess.Popen(
            [sys.executable, "-c", code], env=env, pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        theirs.close()
        self._line = ours

    def end(self) -> None:
        """End the nursery, and with it every worker."""
        if self._line is not None:
            self._line.close()
            self._line = None
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


def computed(pid: int) -> float:
    """Seconds that a process has computed; infinite where the system does not say."""
    try:
        with open(f"/proc/{pid}/stat") as f:
            fields = f.read().rpartition(")")[2].split()
    except OSError:
        return math.inf
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


# --- inside -----------------------------------------------------------------------------------


def nurse(number: int) -> None:
    """The nursery itself: a child for every line that comes, until nobody is at the other end."""
    import lifelines  # noqa: F401  questions import it when they need it: here once for all

    from reliability.ask.plain import adapter
    from reliability.ask.questions import QUESTIONS, question_class

    for name in QUESTIONS:
        adapter(question_class(name).answer_type)
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # children are not waited for
    line = socket.socket(fileno=number)
    while True:
        word, handles, _, _ = socket.recv_fds(line, 1, 1)
        if not word:
            os._exit(0)
        if os.fork() == 0:
            line.close()
            _work(socket.socket(fileno=handles[0]))
        for handle in handles:
            os.close(handle)


def _work(line: socket.socket) -> None:
    """One question, then the end of the process."""
    try:
        _end_with_parent()
        os.nice(2)  # pages and health come first
        send(line, str(os.getpid()).encode())
        job, pool = receive(line), receive(line)
        if job is not None and pool is not None:
            told = json.loads(job)
            _bound(told["seconds"], told["memory"])
            said = _outcome(told, pool)
            _take_spare()
            send(line, json.dumps([said, time.process_time()]).encode())
    except (OSError, MemoryError):
        pass
    finally:
        os._exit(0)


def _outcome(job: dict[str, Any], pool: bytes) -> dict[str, str]:
    """What became of a question, by one word: kept, bad, memory or broke."""
    import traceback

    from reliability.ask.asking import outcome_of
    from reliability.ask.questions import question_class
    from reliability.notes import BadInput

    try:
        question = question_class(job["name"])(**job["settings"])
        return {"kept": outcome_of(question, pickle.loads(pool))}  # written by our own parent
    except BadInput as e:
        return {"bad": str(e)}
    except MemoryError:
        return {"memory": ""}
    except Exception:
        return {"broke": traceback.format_exc()}


_SPARE = 64 << 20
"""bytes beyond the limit, to say with that it was reached"""


def _bound(seconds: int, memory: int) -> None:
    import resource

    with open("/proc/self/statm") if sys.platform == "linux" else open(os.devnull) as f:
        held = int((f.read().split() or ["0"])[0]) * resource.getpagesize()
    for what, soft, hard in (
        (resource.RLIMIT_CPU, seconds, seconds),
        (resource.RLIMIT_CORE, 0, 0),
        (resource.RLIMIT_FSIZE, 0, 0),
        (resource.RLIMIT_AS, held + memory, held + memory + _SPARE),
    ):
        resource.setrlimit(what, (soft, hard))


def _take_spare() -> None:
    import resource

    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    resource.setrlimit(resource.RLIMIT_AS, (hard, hard))


def _end_with_parent() -> None:
    """Have the kernel end this process when the nursery ends; elsewhere than on Linux the deadline does."""
    if sys.platform != "linux":
        return
    import ctypes

    ctypes.CDLL(None).prctl(1, int(signal.SIGKILL))  # PR_SET_PDEATHSIG


@dataclass(frozen=True)
class Job:
    """A question on its way to a worker.

    Attributes
    ----------
    name : str
    settings : dict
    pool : bytes
    kind : str
        Questions of a kind take about as long.
    seconds, memory : int
        Of computing, and bytes, that it may take.
    """

    name: str
    settings: dict[str, Any]
    pool: bytes
    kind: str
    seconds: int
    memory: int

    def hand(self, line: socket.socket) -> None:
        """Give it to a worker. Raises OSError."""
        told = {k: getattr(self, k) for k in ("name", "settings", "seconds", "memory")}
        send(line, json.dumps(told).encode(), self.pool)
