"""The processes in which questions are worked out: each lives for one question and can be stopped dead.

The kernel bounds a child's computing time and memory.
"""

from __future__ import annotations

import json
import math
import os
import pickle
import socket
import sys
import time
from dataclasses import dataclass
from typing import Any

from reliability.nursery import attend, receive, send


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
    """The nursery of questions."""
    # what each question would import by itself: here once for all
    import lifelines  # noqa: F401

    import reliability.ask.asking  # noqa: F401
    from reliability.ask.plain import adapter
    from reliability.ask.questions import QUESTIONS, question_class

    for name in QUESTIONS:
        adapter(question_class(name).answer_type)
    attend(number, _work)


def _work(line: socket.socket) -> None:
    """One question."""
    os.nice(2)  # pages and health come first
    job, pool = receive(line), receive(line)
    if job is None or pool is None:
        return
    told = json.loads(job)
    _bound(told["seconds"], told["memory"])
    said = _outcome(told, pool)
    _take_spare()
    send(line, json.dumps([said, time.process_time()]).encode())


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
