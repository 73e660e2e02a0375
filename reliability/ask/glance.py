"""What a store holds, in outline: which contributions a question can rest on, without reading their records.

The outline is kept in memory for as long as the store's file stays as it is, so that a question which was
answered before opens nothing.
"""

from __future__ import annotations

import contextlib
import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from reliability.decisions.question import Question
from reliability.store import Store
from reliability.store.store import Contribution, Reading


@dataclass(frozen=True)
class Outline:
    """A store at one moment, in outline.

    Attributes
    ----------
    contributions : tuple of Contribution
        All of them, oldest first.
    life : tuple of (contribution, slot, builder, tied)
        Where there are life records; ``tied`` where some are of a failure with several suspects.
    files : tuple of (contribution, name)
        Sheets of other kinds.
    """

    contributions: tuple[Contribution, ...]
    life: tuple[tuple[int, str, str, bool], ...]
    files: tuple[tuple[int, str], ...]

    @classmethod
    def of(cls, reading: Reading) -> Outline:
        """The outline of a store that is being read."""
        return cls(
            tuple(reading.contributions()), tuple(reading.life_held()), tuple(reading.files_held())
        )

    def bearing(self, question: Question, statuses: Sequence[str]) -> frozenset[int]:
        """Contributions with one of these statuses that a question can rest on.

        Those that hold a sheet of a kind it needs; of life records those within its ``bounds``. Where
        one of these records names an event, records of other slots have a say in it, so all count; and
        so they do where nothing is within the bounds: the refusal says what there is.
        """
        standing = {c.id for c in self.contributions if c.status in statuses}
        found = {n for n, name in self.files if name.split(".")[0] in question.needs}
        if "life" in question.needs:
            found |= self._with_life(question, standing)
        return frozenset(found & standing)

    def _with_life(self, question: Question, standing: set[int]) -> set[int]:
        wanted = [set(getattr(question, b, ())) for b in ("slot", "builder")]
        slots, builders = (
            w if b in question.bounds else set()
            for w, b in zip(wanted, ("slot", "builder"), strict=True)
        )
        rows = [r for r in self.life if r[0] in standing]
        within = [
            r for r in rows if (not slots or r[1] in slots) and (not builders or r[2] in builders)
        ]
        if not within or (slots and any(tied for *_, tied in within)):
            within = rows
        return {r[0] for r in within}


class _Seen:
    """Outlines by store, each with the file's stamp before it was read."""

    MOST = 8

    def __init__(self) -> None:
        self._turn = threading.Lock()
        self._kept: OrderedDict[Path, tuple[object, Outline]] = OrderedDict()

    def get(self, path: Path, stamp: object) -> Outline | None:
        with self._turn:
            found = self._kept.get(path)
            return found[1] if found is not None and found[0] == stamp else None

    def put(self, path: Path, stamp: object, outline: Outline) -> None:
        with self._turn:
            self._kept[path] = (stamp, outline)
            self._kept.move_to_end(path)
            while len(self._kept) > self.MOST:
                self._kept.popitem(last=False)


_SEEN = _Seen()


def remembered(box: Store) -> Outline | None:
    """The outline of a store as it was read last, if its file has not changed since."""
    stamp = box.stamp()
    return None if stamp is None else _SEEN.get(box.path, stamp)


@contextlib.contextmanager
def read_outline(box: Store) -> Iterator[tuple[Reading, Outline]]:
    """A reading of a store and the outline of the same moment, which is remembered. Raises StoreError."""
    stamp = box.stamp()
    with box.reading() as reading:
        found = Outline.of(reading)
        yield reading, found
    # where the file changed meanwhile nobody can say which of the two was read
    if stamp is not None and box.stamp() == stamp:
        _SEEN.put(box.path, stamp, found)


def outline(box: Store) -> Outline:
    """The outline of a store, from memory where that holds. Raises StoreError."""
    found = remembered(box)
    if found is None:
        with read_outline(box) as (_, found):
            pass
    return found
