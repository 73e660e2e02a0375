"""Questions worked out in processes of their own, on all cores, for many people who wait.

A question that is kept is answered at once. Long ones are worked on as many at a time as there are cores.
Which is long is told by how long its kind took lately; one that turns out long after its first second goes
on if there is room among the long ones, and rests (stopped by a signal) until there is. So small questions
never wait for long ones. What nobody waits for is ended.
"""

from __future__ import annotations

import atexit
import collections
import contextlib
import functools
import hashlib
import json
import os
import pickle
import select
import signal
import statistics
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from reliability.ask.admission import Busy, Places
from reliability.ask.asking import LookUp, Older, glimpse, keep, look_up, mark_of, restored
from reliability.ask.sources import AnySource, Stored, read_pool
from reliability.ask.worker import Job, computed
from reliability.decisions.question import Answer, Question, core
from reliability.notes import BadInput, CannotAnswer
from reliability.nursery import Nursery, receive
from reliability.pool import Pool
from reliability.store import StoreError


@dataclass(frozen=True)
class Rules:
    """How much at a time.

    Attributes
    ----------
    cores : int
        Long questions worked on at once, and new ones.
    each : int
        Questions of one person worked on at once, resting ones included.
    fresh : float
        Seconds of computing for which a question is new.
    resting : int
        Long questions that may rest; when so many do, only who has none at work has a new one begun.
    most : int
        Questions at work in all, resting ones included.
    renewed : int
        Answers worked out anew beside an older one that is shown meanwhile.
    many : int
        Times as many must wait for a question as for another, before the other rests in its favour.
    patience : float
        Seconds after which a question that is not answered is given up.
    deadline, memory : int
        Seconds of computing, and bytes, that one question may take.
    """

    cores: int = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 2
    each: int = 3
    fresh: float = 1.0
    resting: int = 6
    most: int = 24
    renewed: int = 4
    many: int = 3
    patience: float = 180.0
    deadline: int = 60
    memory: int = 1 << 30


@dataclass(frozen=True)
class Progress:
    """How a question stands.

    Attributes
    ----------
    state : str
        ``waiting``, ``working`` or ``resting``.
    ahead : int
        Questions that wait before it.
    seconds : float
        Since it was asked.
    usual : float or None
        Seconds that such a question took lately; None where that is not known.
    """

    state: str
    ahead: int
    seconds: float
    usual: float | None


@dataclass(eq=False)
class _Task:
    """One question to be worked out, for all who wait for it."""

    key: str
    job: Job
    person: str
    keep: Callable[[str], None]
    asked: float = field(default_factory=time.monotonic)
    phase: str = "waiting"
    worked: float = 0.0
    since: float = 0.0
    waiters: int = 0
    pid: int = 0
    said: dict[str, str] | None = None
    done: threading.Event = field(default_factory=threading.Event)
    told: list[Callable[[], object]] = field(default_factory=list)

    def signal(self, number: int) -> None:
        if self.pid:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def turn(self, phase: str) -> None:
        """Go over to another phase; the time worked is counted."""
        now = time.monotonic()
        if self.phase in _AT_WORK:
            self.worked += now - self.since
        self.phase, self.since = phase, now
        self.yield_to_others()

    def yield_to_others(self) -> None:
        """A long question leaves the cores to small ones where both want them."""
        if self.pid and self.phase == "long" and self.waiters < 2:
            with contextlib.suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, self.pid, min(19, os.nice(0) + 7))


_AT_WORK = ("new", "long")


class Ticket:
    """Somebody waits for an answer. To be left in any case (``leave``)."""

    def __init__(
        self, crew: Crew, question: Question, found: LookUp, task: _Task | None = None,
        kept: Answer | CannotAnswer | None = None,
    ) -> None:  # fmt: skip
        self._crew, self._question, self._found, self._task = crew, question, found, task
        self._kept = kept

    def wait(self, seconds: float) -> bool:
        """Whether the answer is there, after so many seconds at most."""
        return self._task is None or self._task.done.wait(seconds)

    def tell(self, act: Callable[[], object]) -> None:
        """Call ``act`` once, from any thread, when the answer is there."""
        if self._task is None or not self._crew.tell(self._task, act):
            act()

    def progress(self) -> Progress:
        """How it stands."""
        if self._task is None:
            return Progress("working", 0, 0.0, None)
        return self._crew.progress(self._task)

    def leave(self) -> None:
        """Wait no more; what nobody waits for is ended."""
        if self._task is not None:
            self._crew.leave(self._task)

    def answer(self) -> Answer:
        """The answer, once it is there.

        Raises
        ------
        BadInput, CannotAnswer
        Busy
            If it is not there yet, was given up, too dear or too large.
        """
        if self._kept is not None:
            if isinstance(self._kept, CannotAnswer):
                raise self._kept
            return self._kept
        assert self._task is not None
        said = self._task.said or {"patience": ""}
        if "kept" in said:
            found = restored(self._question, replace(self._found, kept=said["kept"]))
            assert found is not None
            return found
        if "bad" in said:
            raise BadInput(said["bad"])
        if "broke" in said:
            raise RuntimeError("a question could not be worked out; see the log of the service")
        word = next(iter(said))
        raise Busy(503, self._crew.given_up(word), 5 if word in _PASSING else _Dear.SECONDS)


_PASSING = ("ended", "patience")
"""why a question was given up that may well be answered when it is asked again"""


class _Dear:
    """Questions that were too dear: refused at once for a while, not tried again and again."""

    SECONDS = 300

    def __init__(self) -> None:
        self._kept: collections.OrderedDict[str, tuple[float, str]] = collections.OrderedDict()

    def add(self, key: str, word: str) -> None:
        self._kept[key] = (time.monotonic() + self.SECONDS, word)
        while len(self._kept) > 1000:
            self._kept.popitem(last=False)

    def standing(self, key: str) -> tuple[str, float]:
        """Why a question is refused, and for how many seconds still; "" and 0 if it is not."""
        until, word = self._kept.get(key, (0.0, ""))
        left = until - time.monotonic()
        return (word, left) if left > 0 else ("", 0.0)


class Crew:
    """Works questions out in processes of their own.

    Parameters
    ----------
    rules : Rules
    """

    def __init__(self, rules: Rules | None = None) -> None:
        self.rules = rules or Rules()
        self.places = Places("questions", each=24, most=200, after=5)
        self.uploads = Places("uploads", each=2, most=4, after=10)
        self._nursery = Nursery("reliability.ask.worker", "nurse")
        self._turn = threading.RLock()
        self._tasks: dict[str, _Task] = {}
        self._waiting: list[_Task] = []
        self._working: list[_Task] = []
        self._times: dict[str, collections.deque[float]] = {}
        self._dear = _Dear()
        self._renewed: dict[str, _Task] = {}
        self._threads: set[threading.Thread] = set()
        self._packs: collections.deque[tuple[Pool | None, bytes]] = collections.deque(maxlen=2)

    # --- for those who ask ----------------------------------------------------------------

    def ask(
        self, question: Question, source: AnySource, person: str,
        watch: Callable[[Progress], None] = lambda progress: None,
    ) -> Answer:  # fmt: skip
        """The answer; ``watch`` is told every fifth of a second how it stands, and may raise to end it.

        Raises
        ------
        BadInput, CannotAnswer, SheetError, StoreError
            As ``ask`` does.
        Busy
        """
        with self.places.of(person):
            ticket = self.begin(question, source, person)
            try:
                while not ticket.wait(0.2):
                    progress = ticket.progress()
                    watch(progress)
                    if progress.seconds > self.rules.patience:
                        break
                return ticket.answer()
            finally:
                ticket.leave()

    def begin(self, question: Question, source: AnySource, person: str) -> Ticket:
        """A ticket for a question; at once with its answer where that is kept.

        Raises Busy, SheetError, StoreError.
        """
        if (joined := self._join(question, source)) is not None:
            return joined
        found, keeps = self._found(question, source)
        if found.kept:
            return Ticket(self, question, found, kept=_read(question, found))
        return Ticket(
            self, question, found.without_pool, self._task(question, found, keeps, person)
        )

    def older(
        self, question: Question, source: AnySource, person: str
    ) -> tuple[Older, bool] | None:
        """An older answer to look at meanwhile, and whether the new one is being worked out.

        None where the present answer is kept, or there is no older one that may still be looked at. A new
        answer once begun is worked out to its end, whoever waits: under steady giving it is the next one
        to look at. One at a time of a question, and few in all. Raises SheetError, StoreError.
        """
        mark = mark_of(question)
        if isinstance(source, Stored) and mark in self._renewed:
            seen = glimpse(question, source)
            if seen is not None and seen.older is not None:
                return seen.older, True
        found, keeps = self._found(question, source)
        if found.older is None:
            return None
        with self._turn:
            if mark not in self._renewed and len(self._renewed) < self.rules.renewed:
                with contextlib.suppress(Busy):
                    task = self._task(question, found, keeps, person)
                    self._renewed[mark] = task
            return found.older, mark in self._renewed

    def _join(self, question: Question, source: AnySource) -> Ticket | None:
        """A ticket for work that is going on already, without reading anything; None if there is none."""
        seen = glimpse(question, source) if isinstance(source, Stored) else None
        if seen is None or seen.kept:
            return None
        with self._turn:
            task = self._tasks.get(seen.key)
            if task is None or task.done.is_set():
                return None
            task.waiters += 1
            self._pump()
        return Ticket(self, question, seen.without_pool, task)

    def _found(self, question: Question, source: AnySource) -> tuple[LookUp, Callable[[str], None]]:
        """What there is for a question, and how its answer is kept."""
        if not isinstance(source, Stored) or not source.box.exists:
            return _not_kept(question, source)
        found = look_up(question, source)
        if found.kept and _read(question, found) is None:
            found = look_up(question, source, fresh=True)
        return found, functools.partial(keep, source, found.key)

    def _task(
        self, question: Question, found: LookUp, keeps: Callable[[str], None], person: str
    ) -> _Task:
        """The work on a question, for one more who waits. Raises Busy."""
        word, left = self._dear.standing(found.key)
        if word:
            raise Busy(503, self.given_up(word), left)
        job = Job(
            question.name, question.model_dump(mode="json"), self._packed(found.pool), _kind(question),
            self.rules.deadline, self.rules.memory,
        )  # fmt: skip
        with self._turn:
            task = self._tasks.get(found.key)
            if task is None:
                task = _Task(found.key, job, person, keeps)
                self._tasks[found.key] = task
                self._waiting.append(task)
            task.waiters += 1
            self._pump()
            return task

    def _packed(self, pool: Pool | None) -> bytes:
        """A pool for workers; questions of the same facts share it."""
        with self._turn:
            known = next((packed for one, packed in self._packs if one is pool), None)
        if known is None:
            known = pickle.dumps(pool)
            with self._turn:
                self._packs.append((pool, known))
        return known

    def tell(self, task: _Task, act: Callable[[], object]) -> bool:
        """Have ``act`` called when a task is done; False if it is done already."""
        with self._turn:
            if task.done.is_set():
                return False
            task.told.append(act)
            return True

    def progress(self, task: _Task) -> Progress:
        """How a task stands."""
        with self._turn:
            ahead = self._waiting.index(task) if task in self._waiting else 0
            state = {"new": "working", "long": "working"}.get(task.phase, task.phase)
            now = time.monotonic() - task.asked
            return Progress(state, ahead, now, self._usual(task.job.kind))

    def _usual(self, kind: str) -> float | None:
        times = self._times.get(kind)
        return statistics.median(times) if times else None

    def leave(self, task: _Task) -> None:
        """One who waits less; a task that nobody waits for is ended."""
        with self._turn:
            task.waiters -= 1
            if task.waiters <= 0 and not task.done.is_set():
                self._end(task, {"ended": ""})

    def warm(self) -> None:
        """Begin the nursery now, so that the first question need not wait for it."""
        self._nursery.warm()

    def close(self) -> None:
        """End all work."""
        with self._turn:
            for task in [*self._working, *self._waiting]:
                self._end(task, {"ended": ""})
            self._nursery.end()
            threads = list(self._threads)
        for thread in threads:  # one may be keeping an answer
            thread.join(5)

    def given_up(self, word: str) -> str:
        """Why a question was given up, in words."""
        least = "which is the most there is; ask for less at a time"
        return {
            "deadline": f"this question needs more than {self.rules.deadline} s of computing, {least}",
            "memory": f"this question needs more than {self.rules.memory >> 20} MiB of memory, {least}",
            "ended": "the process that worked on this question ended before it was done; ask again",
            "patience": "too many long questions wait; ask again later",
        }[word]

    # --- whose turn it is (all under the lock) --------------------------------------------

    def _count(self, phase: str) -> int:
        return sum(t.phase == phase for t in self._working)

    def _of(self, person: str) -> int:
        return sum(t.person == person for t in self._working)

    def _pump(self) -> None:
        while (rested := self._first_resting()) is not None and self._room_for(rested):
            rested.turn("long")
            rested.signal(signal.SIGCONT)
        while (task := self._next()) is not None:
            self._waiting.remove(task)
            self._working.append(task)
            task.turn("long" if self._is_long(task) else "new")
            thread = threading.Thread(target=self._run, args=(task,), daemon=True)
            self._threads.add(thread)
            thread.start()

    def _first_resting(self) -> _Task | None:
        """The resting question to go on with: for which most wait, of whom has the fewest at work."""
        active = [t.person for t in self._working if t.phase == "long"]
        return min(
            (t for t in self._working if t.phase == "resting"),
            key=lambda t: (-t.waiters, active.count(t.person), t.worked),
            default=None,
        )

    def _room_for(self, task: _Task) -> bool:
        """Whether a question may be at work among the long ones now.

        One for which few wait rests in favour of one for which many do.
        """
        long = [t for t in self._working if t.phase == "long"]
        if len(long) < self.rules.cores:
            return True
        least = min(long, key=lambda t: (t.waiters, -t.worked))
        if task.waiters < self.rules.many * least.waiters:
            return False
        self._rest(least)
        return True

    def _rest(self, task: _Task) -> None:
        task.turn("resting")
        task.signal(signal.SIGSTOP)

    def _is_long(self, task: _Task) -> bool:
        usual = self._usual(task.job.kind)
        return usual is not None and usual > self.rules.fresh

    def _next(self) -> _Task | None:
        """The waiting question to begin now: for which most wait, of whom has the fewest at work, the oldest."""
        if len(self._working) >= self.rules.most:
            return None
        each = self.rules.each if self._count("resting") < self.rules.resting else 1
        new = self._count("new") < self.rules.cores
        able = [
            t for t in self._waiting if self._of(t.person) < each or t.waiters >= self.rules.many
        ]
        for task in sorted(able, key=lambda t: (-t.waiters, self._of(t.person))):
            if self._room_for(task) if self._is_long(task) else new:
                return task
        return None

    def _grown(self, task: _Task) -> None:
        """A question is new no more: it goes on, or rests until others are done."""
        with self._turn:
            if task.phase != "new":
                return
            if self._room_for(task):
                task.turn("long")
            else:
                self._rest(task)
            self._pump()

    def _end(self, task: _Task, said: dict[str, str]) -> None:
        """The task is over, whatever its process does."""
        if task.done.is_set():
            return
        task.turn("over")
        task.said = said
        task.signal(signal.SIGKILL)
        task.pid = 0
        for place in (self._waiting, self._working):
            if task in place:
                place.remove(task)
        if "kept" not in said and self._tasks.get(task.key) is task:
            del self._tasks[task.key]
        self._renewed = {k: t for k, t in self._renewed.items() if t is not task}
        task.done.set()
        for act in task.told:
            with contextlib.suppress(RuntimeError):  # its loop has closed
                act()
        self._pump()

    # --- one question's thread ------------------------------------------------------------

    def _run(self, task: _Task) -> None:
        try:
            self._work(task)
        finally:
            with self._turn:
                self._threads.discard(threading.current_thread())

    def _work(self, task: _Task) -> None:
        said = {"ended": ""}
        try:
            line, pid = self._nursery.child()
            with line:
                with self._turn:
                    if task.done.is_set():
                        return  # its line closes, and with it the worker ends
                    task.pid = pid
                    task.yield_to_others()
                task.job.hand(line)
                while not select.select([line], [], [], self.rules.fresh)[0]:
                    if computed(pid) >= self.rules.fresh:
                        self._grown(task)
                        break
                text = receive(line)
            said = self._judge(task, text)
        except OSError:
            pass
        with self._turn:
            task.pid = 0  # it has ended by itself
            self._end(task, said)
        self._keep(task)

    def _judge(self, task: _Task, text: bytes | None) -> dict[str, str]:
        seconds = 0.0
        if text is None:
            with self._turn:
                task.turn(task.phase)
                late = task.worked >= 0.9 * self.rules.deadline
            said = {"deadline" if late else "ended": ""}
        else:
            said, seconds = json.loads(text)
        if "broke" in said:
            print(said["broke"], file=sys.stderr, flush=True)
        with self._turn:
            if not task.done.is_set():
                for word in ("deadline", "memory"):
                    if word in said:
                        self._dear.add(task.key, word)
                if "kept" in said:
                    times = self._times.setdefault(task.job.kind, collections.deque(maxlen=9))
                    times.append(seconds)
        return said

    def _keep(self, task: _Task) -> None:
        """Keep the outcome in the store; until that is done the task stands for it."""
        try:
            if task.said is not None and "kept" in task.said:
                with contextlib.suppress(StoreError):
                    task.keep(task.said["kept"])
        finally:
            with self._turn:
                if self._tasks.get(task.key) is task:
                    del self._tasks[task.key]


def _read(question: Question, found: LookUp) -> Answer | CannotAnswer | None:
    """A kept outcome; None if it cannot be read back: then it is worked out anew."""
    try:
        return restored(question, found)
    except CannotAnswer as e:
        return e


def _kind(question: Question) -> str:
    """Name and choices of a question: what tells, roughly, how long it takes."""
    schemas = question.settings()
    chosen = [
        f"{k}={v}"
        for k, v in question.model_dump(mode="json").items()
        if isinstance(v, bool) or "enum" in core(schemas[k])
    ]
    return " ".join([question.name, *chosen])


def _not_kept(question: Question, source: AnySource) -> tuple[LookUp, Callable[[str], None]]:
    """What to work from where no store keeps answers: a pool, files, a store that is not there yet."""
    pool = read_pool(source, question.needs, bool(getattr(question, "received", False)))
    text = pickle.dumps((question.asked(), pool))
    key = "pool " + hashlib.sha256(text).hexdigest()
    return LookUp(key, pool.basis, "", pool), lambda outcome: None


@functools.cache
def crew() -> Crew:
    """The crew of this process."""
    found = Crew()
    atexit.register(found.close)
    return found
