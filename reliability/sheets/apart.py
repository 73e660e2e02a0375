"""Files from outside read in a short-lived process: no network, bounded memory and time, nothing written."""

from __future__ import annotations

import contextlib
import io
import json
import os
import pickle
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from reliability.notes import BadInput, Note
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


def child() -> None:
    """The process itself: a job on standard input, its outcome on standard output."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints must not mix with the outcome
    size = int(sys.stdin.buffer.readline())
    job = json.loads(sys.stdin.buffer.read(size))
    limits = Limits(**job["limits"])
    cut = _cut_network()
    _bound(limits)
    outcome: tuple[str, Any]
    try:
        from importlib import import_module

        kwargs = pickle.loads(sys.stdin.buffer.read(job["kwargs"]))  # written by our own parent
        data = sys.stdin.buffer.read(job["data"]) if job["data"] is not None else None
        act = getattr(import_module(job["module"]), job["name"])
        outcome = ("done", act(Path(job["path"]), data, **kwargs))
    except SheetError as e:
        outcome = ("faults", [(f.file, f.row, f.column, f.message) for f in e.faults[:1000]])
    except BadInput as e:
        outcome = ("bad", str(e))
    except MemoryError:
        outcome = ("limit", "memory_bytes")
    except Exception as e:
        # pyarrow and others have kinds of their own for memory that is not given
        name = type(e).__name__
        words = ("alloc", "map segment", "out of memory")
        short = "MemoryError" in name or any(w in str(e).lower() for w in words)
        outcome = ("limit", "memory_bytes") if short else ("broke", name)
    try:
        content = pickle.dumps((cut, *outcome), protocol=5)
    except MemoryError:
        content = pickle.dumps((cut, "limit", "memory_bytes"), protocol=5)
    out.write(content)
    out.flush()
    os._exit(0)


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
    given = pickle.dumps(kwargs)
    job = {
        "module": act.__module__, "name": act.__name__, "path": str(path), "limits": vars(limits),
        "kwargs": len(given), "data": None if data is None else len(data),
    }  # fmt: skip
    if data is not None and len(data) > limits.file_bytes:
        raise refuse(path.name, limits.refusal("file_bytes"))
    head = json.dumps(job).encode()
    code = f"import sys; sys.path[:] = {sys.path!r}; from reliability.sheets.apart import child; child()"
    keep = ("PATH", "HOME", "LANG", "LC_ALL", "SYSTEMROOT", "LD_LIBRARY_PATH", "TZ")
    env = {k: os.environ[k] for k in keep if k in os.environ}
    # threads and their pools reserve address space, which is what the limit counts
    env |= {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "ARROW_DEFAULT_MEMORY_POOL": "system",
            "MALLOC_ARENA_MAX": "1"}  # fmt: skip
    with _TURNS, contextlib.ExitStack() as stack:
        if limits.written_bytes:
            env["TMPDIR"] = stack.enter_context(tempfile.TemporaryDirectory(prefix="shotlife-"))
        try:
            done = subprocess.run(
                [sys.executable, "-c", code], env=env, capture_output=True, timeout=limits.wall_seconds,
                input=b"%d\n" % len(head) + head + given + (data or b""), check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            raise refuse(path.name, limits.refusal("wall_seconds")) from None
    return _outcome(path, done, limits)


def _outcome(
    path: Path, done: subprocess.CompletedProcess[bytes], limits: Limits
) -> tuple[Any, tuple[Note, ...]]:
    if not done.stdout:
        # killed: 24 is SIGXCPU, 9 SIGKILL at the hard limit, 6 and 11 what native code does without memory
        name = "cpu_seconds" if done.returncode in (-24, -9) else "memory_bytes"
        raise refuse(path.name, limits.refusal(name))
    try:
        cut, kind, value = _Careful(io.BytesIO(done.stdout)).load()
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
