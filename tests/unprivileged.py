"""Work done as somebody who may not do everything: root may, whatever the modes say."""

import contextlib
import ctypes
import os
import pickle
import tempfile
from pathlib import Path

NOBODY = 65534
_NEW_MOUNTS, _BIND, _REMOUNT, _READ_ONLY, _PRIVATE, _ALL = (
    0x20000,
    0x1000,
    0x20,
    0x1,
    0x40000,
    0x4000,
)


@contextlib.contextmanager
def open_folder():
    """A folder that every account may enter, as test folders of root's may not be."""
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o755)
        yield Path(folder)


def as_somebody(folder, act):
    """What ``act()`` gives in a copy of this process that owns ``folder`` and is nobody else, root least of all.

    What it needs is to be imported before: that account may not be able to read the sources.
    """

    def drop():
        if os.geteuid() == 0:
            for path in (folder, *folder.rglob("*")):
                os.lchown(path, NOBODY, NOBODY)
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
        assert os.geteuid() != 0

    return _in_copy(drop, act)


def on_read_only(folder, act):
    """The same where ``folder`` lies on a file system mounted read-only; None where this kernel forbids that."""
    libc = ctypes.CDLL(None, use_errno=True)

    def mount():
        name = str(folder).encode()
        steps = (
            lambda: libc.unshare(_NEW_MOUNTS), lambda: libc.mount(b"none", b"/", None, _ALL | _PRIVATE, None),
            lambda: libc.mount(name, name, None, _BIND, None),
            lambda: libc.mount(b"none", name, None, _REMOUNT | _BIND | _READ_ONLY, None),
        )  # fmt: skip
        for step in steps:
            if step() != 0:
                raise PermissionError(os.strerror(ctypes.get_errno()))

    try:
        return _in_copy(mount, act)
    except PermissionError:
        return None


def _in_copy(before, act):
    source, sink = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            before()
            told = act()
        except BaseException as e:
            told = e
        with contextlib.suppress(BaseException):
            os.write(sink, pickle.dumps(told))
        os._exit(0)
    os.close(sink)
    with os.fdopen(source, "rb") as f:
        told = pickle.loads(f.read())
    os.waitpid(child, 0)
    if isinstance(told, BaseException):
        raise told
    return told
