"""One process that reads many hostile files, each within the door's limits."""

import multiprocessing
import os
import re
import resource
import time
from dataclasses import replace
from pathlib import Path

from reliability.notes import BadInput
from reliability.sheets.apart import _bound, _cut_network
from reliability.sheets.door import open_file
from reliability.sheets.limits import LIMITS
from reliability.sheets.reading import Terms
from reliability.sheets.shots.serial import read_serial
from reliability.sheets.table import SheetError

LATE = 10.0
"""seconds after which a file came late (the door itself waits longer on a busy machine)"""
FILES_A_READER = 2000
# threads and their pools reserve address space, which is what the limit counts (as in apart.nursery)
QUIET = {
    "ARROW_DEFAULT_MEMORY_POOL": "system",
    "MALLOC_ARENA_MAX": "1",
    "OPENBLAS_NUM_THREADS": "1",
}


class Reader:
    """One process that reads many files, with the door's limits on each; started anew when it is killed.

    It is bound as the door's readers are: address space, computing time and no file to write (``apart._bound``),
    no network where the kernel allows, a deadline kept by its parent. What it does not have is their memory and
    their interpreter made new for every file, which would take days: so this is the harder test of memory.
    """

    def __init__(self):
        self.started = 0
        self.most = 0.0
        self._begin()

    def _begin(self):
        self.started += 1
        self.files = 0
        self.line, theirs = multiprocessing.Pipe()
        os.environ.update(QUIET)
        self.child = multiprocessing.get_context("spawn").Process(target=serve, args=(theirs,))
        self.child.start()
        theirs.close()
        self.line.recv()  # it has imported everything

    def read(self, name, data):
        """Seconds, and what became of the file in one word: sound, asked, refused, killed or late."""
        if self.files >= FILES_A_READER:
            self.end()
            self._begin()
        self.files += 1
        began = time.monotonic()
        try:
            self.line.send((name, data))
            answered = self.line.poll(LATE)
            said, kept = self.line.recv() if answered else ("late", 0.0)
        except (EOFError, ConnectionResetError):
            said, kept = "killed", 0.0
        seconds = time.monotonic() - began
        self.most = max(self.most, kept)
        if said in ("late", "killed"):
            self.child.kill()
            self.child.join()
            self._begin()
        return seconds, said

    def end(self):
        self.child.kill()
        self.child.join()


def serve(line):
    """The reader's side of ``Reader``."""
    # as the nursery of readers does: all that they import, before address space is bound
    import charset_normalizer  # noqa: F401
    import pyarrow.parquet  # noqa: F401
    import python_calamine  # noqa: F401

    import reliability.sheets.log_door  # noqa: F401

    line.send("ready")
    _cut_network()
    # computing time is bound anew for each file
    _bound(replace(LIMITS, cpu_seconds=10**7))
    while True:
        name, data = line.recv()
        used = resource.getrusage(resource.RUSAGE_SELF)
        spent = int(used.ru_utime + used.ru_stime)
        resource.setrlimit(resource.RLIMIT_CPU, (spent + LIMITS.cpu_seconds + 1, 10**7))
        said = outcome(name, data)
        line.send((said, peak()))


def peak():
    """Most memory of this process in MiB; ru_maxrss would carry that of the parent it was started from."""
    text = Path("/proc/self/status").read_text(encoding="ascii")
    return int(re.search(r"VmHWM:\s+(\d+) kB", text)[1]) / 1024


def outcome(name, data):
    """One word on what the door makes of a file; only faults that name the file may come out of a refusal."""
    try:
        opened = open_file(Path(name), data, Terms(agree=True))
    except SheetError as e:
        return (
            "refused"
            if e.faults and all(f.file and f.message for f in e.faults)
            else "fault without words"
        )
    except BadInput:
        return "refused"
    except MemoryError:
        return "refused"
    except Exception as e:
        return f"broke: {type(e).__name__}: {e}"[:200]
    if opened.sheets:
        return "sound"
    if opened.again:
        return log_outcome(name, data)
    return "refused" if opened.reading.faults else "asked"


def log_outcome(name, data):
    """A serial log's lines are read; its reduction needs a file to write, which this process may not."""
    try:
        return "log with questions" if read_serial(Path(name), data).questions else "log"
    except SheetError as e:
        return "refused" if e.faults else "fault without words"
    except BadInput:
        return "refused"
