"""Killing a piece of work at each of its steps: a step is whatever it asks of the file system."""

import os
import signal
import sys

STEPS = ("open", "os.", "shutil.", "tempfile.")
"""audit events that stand for a step (PEP 578): what happens between two of them leaves no trace on disk"""


def killed_at(step, work):
    """Run ``work`` in a copy of this process and kill that before its step number ``step``; whether it was killed.

    SIGKILL, so that nothing of it is tidied up: no ``finally``, no ``with``, no exit handler.
    """
    child = os.fork()
    if child == 0:
        _end(step, work)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL:
        return True
    assert os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0, f"it failed by itself: {status}"
    return False


def _end(step, work):
    left = step

    def count(event, args):
        nonlocal left
        if event == "os.kill" or not event.startswith(STEPS):
            return
        if event == "open" and str(args[0]).endswith((".py", ".pyc")):
            return
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)

    code = 1
    try:
        sys.addaudithook(count)
        work()
        code = 0
    except BaseException:
        sys.excepthook(*sys.exc_info())
    finally:
        os._exit(code)
