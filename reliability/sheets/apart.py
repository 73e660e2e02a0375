"""Files from outside read in a short-lived process: no network, bounded memory and time, nothing written."""

from __future__ import annotations

import contextlib
import functools
import io
import json
import os
import pickle
import signal
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from reliability.notes import BadInput, Note
from reliability.nursery import Nursery, attend, end_with_parent, receive, send
from reliability.sheets.limits import LIMITS, Limits
from reliability.sheets.table import SheetError, SheetFault, refuse

_TURNS = threading.BoundedSemaphore(2)
"""readers at work at once: their memory together stays bounded, others wait their turn"""
_ALLOWED = {
    "datetime": {"date", "datetime", "time", "timedelta"},
    "builtins": {"set", "frozenset", "complex", "bytearray"},
    "collections": {"OrderedDict", "Counter"},
    "numpy": {"ndarray", "dtype"},
}
_WITHIN = (
    "reliability.sheets.",
    "reliability.records",
    "reliability.readings",
    "reliability.notes",
    "reliability.citations",
)


class _Careful(pickle.Unpickler):
    """Loads values, arrays and this package's own value classes; no function of any kind."""

    def find_class(self, module: str, name: str) -> Any:
        if name in _ALLOWED.get(module, ()):
            return super().find_class(module, name)
        inner = module.startswith(("numpy.core.", "numpy._core."))
        if inner and name in ("_reconstruct", "scalar", "_frombuffer"):
            return super().find_class(module, name)
        if module.startswith(_WITHIN) and "." not in name:
            found = super().find_class(module, name)
            if isinstance(found, type):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is not a value")


def _cut_network() -> bool:
    """Leave the network by a namespace of its own; False if this kernel does not allow it."""

    # whatever the kernel allows, Python's own sockets are closed
    def hook(event: str, _: Any) -> None:
        if event.startswith("socket.") or event in (
            "subprocess.Popen",
            "os.exec",
            "os.posix_spawn",
            "os.fork",
        ):
            raise PermissionError(f"{event} is closed to a reader of files")

    cut = False
    if sys.platform == "linux":
        import ctypes

        new_user, new_net = 0x10000000, 0x40000000
        try:
            libc = ctypes.CDLL(None, use_errno=True)
            cut = libc.unshare(new_user | new_net) == 0 or libc.unshare(new_net) == 0
        except (OSError, AttributeError):
            cut = False
    sys.addaudithook(hook)
    return cut


def _bound(limits: Limits) -> None:
    try:
        import resource
    except ImportError:  # not on Windows; the wall clock still holds
        return
    for what, most in (
        (resource.RLIMIT_AS, limits.memory_bytes),
        (resource.RLIMIT_CPU, limits.cpu_seconds),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_FSIZE, limits.written_bytes),
    ):
        try:
            resource.setrlimit(what, (most, most))
        except (ValueError, OSError):
            continue


def nurse(number: int) -> None:
    """The nursery of readers."""
    # all that readers import, once for all
    import pyarrow.parquet  # noqa: F401
    import python_calamine  # noqa: F401

    import reliability.sheets.door
    import reliability.sheets.log_door  # noqa: F401

    attend(number, _watch)


def _watch(line: socket.socket) -> None:
    """Have a job read in a process of its own, and say how that ended if it gives no outcome."""
    os.setsid()  # ended with its reader, by its group
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    reader = os.fork()
    if reader == 0:
        end_with_parent()
        try:
            _read_job(line)
        finally:
            os._exit(1)
    _, status = os.waitpid(reader, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        send(line, b"", str(os.waitstatus_to_exitcode(status)).encode())


def _read_job(line: socket.socket) -> None:
    """The reader itself: a job on the line, its outcome back."""
    head, given, data = receive(line), receive(line), receive(line)
    if head is None or given is None or data is None:
        return
    job = json.loads(head)
    tempfile.tempdir = job["folder"] or tempfile.tempdir
    os.environ["TMPDIR"] = tempfile.gettempdir()
    cut = _cut_network()
    _bound(Limits(**job["limits"]))
    outcome = _outcome_of(job, given, data)
    try:
        content = pickle.dumps((cut, *outcome), protocol=5)
    except MemoryError:
        content = pickle.dumps((cut, "limit", "memory_bytes"), protocol=5)
    send(line, content)
    os._exit(0)


def _outcome_of(job: dict[str, Any], given: bytes, data: bytes) -> tuple[str, Any]:
    """What became of a job, by one word: done, faults, bad, limit or broke."""
    from importlib import import_module

    try:
        kwargs = pickle.loads(given)  # written by our own parent
        act = getattr(import_module(job["module"]), job["name"])
        return "done", act(Path(job["path"]), data if job["data"] else None, **kwargs)
    except SheetError as e:
        return "faults", [(f.file, f.row, f.column, f.message) for f in e.faults[:1000]]
    except BadInput as e:
        return "bad", str(e)
    except MemoryError:
        return "limit", "memory_bytes"
    except Exception as e:
        # pyarrow and others have kinds of their own for memory that is not given
        name = type(e).__name__
        words = ("alloc", "map segment", "out of memory")
        short = "MemoryError" in name or any(w in str(e).lower() for w in words)
        return ("limit", "memory_bytes") if short else ("broke", name)


@functools.cache
def nursery() -> Nursery:
    """Where the readers of this process come from."""
    keep = ("PATH", "HOME", "LANG", "LC_ALL", "SYSTEMROOT", "LD_LIBRARY_PATH", "TZ")
    env = {k: os.environ[k] for k in keep if k in os.environ}
    # threads and their pools reserve address space, which is what the limit counts
    env |= {"ARROW_DEFAULT_MEMORY_POOL": "system", "MALLOC_ARENA_MAX": "1"}
    return Nursery("reliability.sheets.apart", "nurse", env)


def read_apart(
    act: Callable[..., Any],
    path: Path,
    data: bytes | None = None,
    limits: Limits = LIMITS,
    **kwargs: Any,
) -> tuple[Any, tuple[Note, ...]]:
    """``act(path, data, **kwargs)`` in a process of its own; its result and notes on how it was kept apart.

    Parameters
    ----------
    act : function
        A reader of this package, such as ``propose`` or ``read_contribution``.
    path : Path
        Of the file, or the name of an upload.
    data : bytes, optional
        The upload. Without it the child reads the file.
    limits : Limits
        On memory (address space), computing and waiting time; no file can be written, or
        only in a folder that goes with the process.

    Raises
    ------
    SheetError
        What the reader found, or the limit that was passed, by name.
    BadInput
        As the reader.
    """
    if data is not None and len(data) > limits.file_bytes:
        raise refuse(path.name, limits.refusal("file_bytes"))
    with _TURNS, contextlib.ExitStack() as stack:
        folder = ""
        if limits.written_bytes:
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="shotlife-"))
        job = {
            "module": act.__module__, "name": act.__name__, "path": str(path.absolute()) if data is None else str(path),
            "limits": vars(limits), "data": data is not None, "folder": folder,
        }  # fmt: skip
        parts = (json.dumps(job).encode(), pickle.dumps(kwargs), data or b"")
        content, ended = _by_reader(parts, limits.wall_seconds)
    if ended == "late":
        raise refuse(path.name, limits.refusal("wall_seconds"))
    return _outcome(path, content, ended, limits)


def _by_reader(parts: tuple[bytes, ...], seconds: float) -> tuple[bytes, str]:
    """The outcome of a job, b"" where there is none; then how the reader ended: its exit code, or late."""
    try:
        line, pid = nursery().child()
    except OSError:
        return b"", "none"
    with line:
        # whatever it does, it is over by then
        stop = threading.Timer(seconds, _kill_group, (pid,))
        began = time.monotonic()
        stop.start()
        try:
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                send(line, *parts)
            content = receive(line) or b""
            code = b"" if content else receive(line) or b""
        except ConnectionResetError:
            content, code = b"", b""
        finally:
            stop.cancel()
    late = not content and not code and time.monotonic() - began >= seconds
    return content, "late" if late else code.decode()


def _kill_group(pid: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(pid, signal.SIGKILL)


def _outcome(
    path: Path, content: bytes, ended: str, limits: Limits
) -> tuple[Any, tuple[Note, ...]]:
    if not content:
        # killed: 24 is SIGXCPU, 9 SIGKILL at the hard limit, 6 and 11 what native code does without memory
        name = "cpu_seconds" if ended in ("-24", "-9") else "memory_bytes"
        raise refuse(path.name, limits.refusal(name))
    try:
        cut, kind, value = _Careful(io.BytesIO(content)).load()
    except Exception as e:
        raise refuse(
            path.name, f"its reader gave no readable outcome ({type(e).__name__})"
        ) from None
    if kind == "faults":
        raise SheetError([SheetFault(*f) for f in value])
    if kind == "bad":
        raise BadInput(str(value))
    if kind == "limit":
        raise refuse(path.name, limits.refusal(value))
    if kind != "done":
        raise refuse(path.name, f"the file cannot be read ({value})")
    notes = []
    if not cut:
        notes.append(
            Note(
                "network_open",
                "This kernel let the reader of the file not leave the network; Python's sockets were closed in it.",
            )
        )
    return value, tuple(notes)
