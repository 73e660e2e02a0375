"""Hostile files sent to a running service: time and memory of each, how long others wait, and that nothing is stored.

    python -m tests.benchmarks.hostile_service [--damaged 3000] [--seed 1]

``shotlife serve`` on a store of its own takes the dear files of ``hostile`` and a random sample of its damaged
and swollen ones through the API, one after the other, agreed with as far as that goes, by a token that may give
but not decide. Meanwhile somebody else asks health ten times a second, and a third person the front page and a
question. After each file that was refused the log of deeds ends as it did, and nothing else lies in the
service's folders; no reader computes 10 s or takes 1 GiB (both are printed; on a quiet machine the wait is little
more than the computing). Ends with 1 if anything did not hold.
"""

import argparse
import collections
import json
import os
import random
import re
import tempfile
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from reliability.access import load_access, save_access, with_token
from tests.benchmarks.attacks.load import HEALTH_WITHIN
from tests.benchmarks.attacks.service import serving
from tests.benchmarks.attacks.wall import cookie_of
from tests.benchmarks.hostile import bases, dear, sample

MOST_SECONDS, MOST_MIB = 10.0, 1024
PAGE_WITHIN = 10.0
"""seconds in which the front page comes while dear files are read; two cores serve three people here"""


@dataclass
class Seen:
    """What one kind of file cost: how many, the longest wait and computing, most memory of a reader, what became of them."""

    files: int = 0
    longest: float = 0.0
    computing: float = 0.0
    reader: float = 0.0
    status: collections.Counter = field(default_factory=collections.Counter)
    said: str = ""

    @property
    def line(self):
        became = ", ".join(f"{n} x {s}" for s, n in sorted(self.status.items()))
        return f"{self.longest:6.2f} s {self.computing:5.2f} s {self.reader:5.0f} MiB  {self.files:5} files  {became}  {self.said[:70]}"


class Cost:
    """Most memory in MiB of the service, and of a reader of files; seconds that a reader computed."""

    def __init__(self, pid):
        self.pid, self.service, self.reader, self.computed = pid, 0.0, 0.0, 0.0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def taken(self):
        """Most memory and longest computing of a reader since last asked."""
        most, self.reader, self.computed = (self.reader, self.computed), 0.0, 0.0
        return most

    def end(self):
        self._over.set()
        self._thread.join()

    def _watch(self):
        while not self._over.wait(0.01):
            family = {self.pid}
            for pid, parent in sorted(parents().items()):
                if parent in family:
                    family.add(pid)
                    # readers alone, not their nursery, nor the processes of questions
                    if parent != self.pid and b"sheets.apart" in command_of(pid):
                        self.reader = max(self.reader, peak_of(pid))
                        self.computed = max(self.computed, computed_by(pid))
            self.service = max(self.service, peak_of(self.pid))


def parents():
    """Each process's parent."""
    out = {}
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            out[int(place.parent.name)] = int(place.read_text().rpartition(")")[2].split()[1])
        except (OSError, ValueError):
            continue  # over meanwhile
    return out


def command_of(pid):
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""


def peak_of(pid):
    try:
        return int(re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())[1]) / 1024
    except (OSError, TypeError):
        return 0.0


def computed_by(pid):
    """Seconds of computing of a process so far."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class Others:
    """Somebody who asks health, and somebody who looks at the front page and asks a question, all the while."""

    def __init__(self, s):
        self.s, self.waited, self.wrong = s, collections.defaultdict(list), []
        self._over = threading.Event()
        cookie = cookie_of(s)
        asks = (("health", self._health, 0.1), ("page", lambda: "module" in s.page(cookie), 1.0),
                ("question", self._question, 1.0))  # fmt: skip
        self._threads = [threading.Thread(target=self._ask, args=a, daemon=True) for a in asks]
        for t in self._threads:
            t.start()

    def _health(self):
        return self.s.status("/api/v1/health", timeout=30) == 200

    def _question(self):
        path = "/api/v1/life?slot=igniter&bound=likelihood"
        return self.s.status(path, Authorization=f"Bearer {self.s.reader}") == 200

    def _ask(self, name, ask, every):
        while not self._over.is_set():
            began = time.monotonic()
            if not ask():
                self.wrong.append(name)
            self.waited[name].append(time.monotonic() - began)
            self._over.wait(every)

    def end(self):
        self._over.set()
        for t in self._threads:
            t.join()


@contextmanager
def service(folder):
    """A service with a folder of its own for what is written for a while, and a token that may only give."""
    os.environ["TMPDIR"] = str(folder / "short-lived")
    (folder / "short-lived").mkdir()
    with serving(folder / "store") as s:
        access, giver = with_token(load_access(s.folder), "bench", "contributor")
        save_access(access, s.folder)
        yield s, giver


def lying_about(s):
    """Every file of the service's folders but the store's own and the log of what it says."""
    places = (s.folder, s.folder.parent / "short-lived")
    return {
        str(p) for place in places for p in place.rglob("*") if not p.name.startswith("s.duckdb")
    }


def last_deed(s):
    """Hash of the last entry of the log: nothing is stored without one."""
    _, _, text = s.get("/api/v1/deeds", Authorization=f"Bearer {s.reader}")
    return json.loads(text)["deeds"][-1]["hash"]


class Trial:
    """Files sent one after the other, and what was seen."""

    def __init__(self, s, giver):
        self.s, self.giver, self.cost = s, giver, Cost(s.process.pid)
        self.kinds, self.fell = collections.defaultdict(Seen), []
        self.before, self.hash = lying_about(s), last_deed(s)

    def send(self, kind, name, data):
        began = time.monotonic()
        status, _, text = self.s.get(
            f"/api/v1/contributions?agree=true&file={name}", method="POST", body=data, timeout=120,
            Authorization=f"Bearer {self.giver}",
        )  # fmt: skip
        seconds = time.monotonic() - began
        seen = self.kinds[kind]
        seen.files += 1
        seen.status[status] += 1
        seen.longest = max(seen.longest, seconds)
        memory, computed = self.cost.taken()
        seen.reader, seen.computing = max(seen.reader, memory), max(seen.computing, computed)
        if status not in (200, 201):
            seen.said = said(text)
        self._look(name, status, text, computed)

    def _look(self, name, status, text, computed):
        now = last_deed(self.s)
        if status not in (200, 201, 400):
            self.fell.append(f"{name}: answered {status}: {text[:200]}")
        if "Traceback" in text or computed >= MOST_SECONDS:
            self.fell.append(f"{name}: {computed:.1f} s, {text[:200]}")
        if status != 201 and now != self.hash:
            self.fell.append(f"{name}: refused ({status}), and something is stored")
        more = lying_about(self.s) - self.before
        if status != 201 and more:
            self.fell.append(f"{name}: lies about afterwards: {sorted(more)[:3]}")
        self.hash, self.before = now, self.before | more


def said(text):
    """The first fault of a refusal."""
    told = json.loads(text)
    return (told.get("faults") or [{"message": told["error"]}])[0]["message"]


def report(trial, others, memory_at_rest):
    for kind, seen in trial.kinds.items():
        if kind.startswith("damaged"):
            print(f"{seen.line}  {kind}")
    for name, waited in others.waited.items():
        waited.sort()
        print(f"others, {name}: {len(waited)} times, median {waited[len(waited) // 2]:.2f} s, slowest {waited[-1]:.2f} s")  # fmt: skip
    print(f"most memory of the service {trial.cost.service:.0f} MiB (at rest {memory_at_rest:.0f})")
    total = sum(k.files for k in trial.kinds.values())
    longest, computing, most = (max((getattr(k, w), n) for n, k in trial.kinds.items()) for w in ("longest", "computing", "reader"))  # fmt: skip
    print(
        f"{total:,} files; longest {longest[0]:.2f} s ({longest[1]}), longest computing {computing[0]:.2f} s "
        f"({computing[1]}), most memory of a reader {most[0]:.0f} MiB ({most[1]})"
    )
    fell = list(trial.fell)
    fell += [f"{n} was not answered" for n in others.wrong]
    slowest = {n: w[-1] for n, w in others.waited.items()}
    if slowest["health"] > HEALTH_WITHIN or slowest["page"] > PAGE_WITHIN:
        fell.append(f"others waited too long: {slowest}")
    if most[0] > MOST_MIB:
        fell.append(f"a reader took {most[0]:.0f} MiB")
    return fell


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--damaged", type=int, default=3000)
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    rng = random.Random(a.seed)
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "made").mkdir()
        sound = bases(Path(folder) / "made")
        with service(Path(folder)) as (s, giver):
            s.page(cookie_of(s))  # a service that has been at work before
            others = Others(s)
            at_rest, trial = s.memory, Trial(s, giver)
            print("waited, computed, memory of the reader")
            for name, make in dear():
                trial.send(name, name, make())
                print(f"{trial.kinds[name].line}  {name}", flush=True)
            for _ in range(a.damaged):
                name, data = sample(rng, sound)
                trial.send(f"damaged {Path(name).suffix}", name, data)
            others.end()
            trial.cost.end()
            fell = report(trial, others, at_rest)
        if "Traceback" in (errors := (Path(folder) / "store" / "stderr.txt").read_text()):
            fell.append(f"in the service's log: {errors[-3000:]}")
    for text in fell[:40]:
        print(f"DID NOT HOLD: {text}")
    print(f"{len(fell)} did not hold")
    raise SystemExit(1 if fell else 0)


if __name__ == "__main__":
    main()
