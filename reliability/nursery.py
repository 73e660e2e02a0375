"""Short-lived processes that are there in some milliseconds.

A nursery is a process that has imported everything and does nothing but fork: each child does one piece of
work over a line of its own and ends. It has never seen anybody's data, so neither has a child before its
own. Ending a child needs no consent of the code that runs in it (a loop in native code listens to nothing
else).
"""

from __future__ import annotations

import gc
import os
import signal
import socket
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from typing import NoReturn

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


class Nursery:
    """Begins children; itself begun with the first one, and again if it has died.

    Parameters
    ----------
    module, name : str
        A function that gets the number of a line, imports what the work needs and calls ``attend``.
    env : mapping, optional
        The environment of the nursery and its children; default: that of this process.
    """

    def __init__(self, module: str, name: str, env: Mapping[str, str] | None = None) -> None:
        self._entry = (module, name)
        self._env = env
        self._turn = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._line: socket.socket | None = None

    def child(self) -> tuple[socket.socket, int]:
        """A new process that waits for its work: the line to it, and its number. Raises OSError."""
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
            raise OSError("no process could be begun")
        return ours, int(hello)

    def warm(self) -> None:
        """Begin the nursery now, so that the first piece of work need not wait for it."""
        try:
            line, _ = self.child()
        except OSError:
            return
        line.close()

    def _begin(self) -> None:
        self._end()
        ours, theirs = socket.socketpair()
        module, name = self._entry
        code = f"import sys; sys.path[:] = {sys.path!r}; from {module} import {name}; {name}({theirs.fileno()})"
        env = dict(os.environ if self._env is None else self._env)
        # one piece of work is one thread: the cores are for several pieces, and threads of the parent's
        # would not be there in a child
        env |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        # a child lives briefly: what it frees is for its next array, not given back page by page
        env |= {"MALLOC_MMAP_THRESHOLD_": str(1 << 26), "MALLOC_TRIM_THRESHOLD_": str(1 << 28)}
        self._process = subprocess.Popen(
            [sys.executable, "-c", code], env=env, pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        theirs.close()
        self._line = ours

    def end(self) -> None:
        """End the nursery, and with it every child."""
        with self._turn:
            self._end()

    def _end(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


def attend(number: int, work: Callable[[socket.socket], object]) -> NoReturn:
    """The nursery itself: a child for every line that comes, until nobody is at the other end."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # children are not waited for
    gc.collect()
    gc.freeze()  # else collecting would make each child a copy of all of it
    line = socket.socket(fileno=number)
    while True:
        word, handles, _, _ = socket.recv_fds(line, 1, 1)
        if not word:
            os._exit(0)
        if os.fork() == 0:
            line.close()
            _one(socket.socket(fileno=handles[0]), work)
        for handle in handles:
            os.close(handle)


def _one(line: socket.socket, work: Callable[[socket.socket], object]) -> NoReturn:
    """One piece of work, then the end of the process."""
    try:
        end_with_parent()
        send(line, str(os.getpid()).encode())
        work(line)
    except (OSError, MemoryError):
        pass
    finally:
        os._exit(0)


def end_with_parent() -> None:
    """Have the kernel end this process when its parent ends; elsewhere than on Linux limits do."""
    if sys.platform != "linux":
        return
    import ctypes

    ctypes.CDLL(None).prctl(1, int(signal.SIGKILL))  # PR_SET_PDEATHSIG
