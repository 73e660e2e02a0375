"""How much one person, and all together, may ask of a service at a time; what is refused, and until when."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator


class Busy(Exception):
    """Too much is asked; the message says of whom and what to do.

    Attributes
    ----------
    status : int
        429 where one person asks too much, 503 where all together do or a question is too dear.
    after : int
        Seconds after which to try again.
    """

    def __init__(self, status: int, message: str, after: float) -> None:
        super().__init__(message)
        self.status = status
        self.after = max(1, min(600, round(after)))


class Places:
    """So many at a time.

    Parameters
    ----------
    what : str
        Plural, for words.
    each, most : int
        Of one person, and of all.
    after : float
        Seconds after which somebody refused may try again.
    """

    def __init__(self, what: str, each: int, most: int, after: float) -> None:
        self.what, self.each, self.most, self.after = what, each, most, after
        self._turn = threading.Lock()
        self._held: dict[str, int] = {}

    @property
    def taken(self) -> int:
        """How many are taken."""
        return sum(self._held.values())

    @contextlib.contextmanager
    def of(self, person: str) -> Iterator[None]:
        """A place for somebody, while the block runs. Raises Busy."""
        self._take(person)
        try:
            yield
        finally:
            with self._turn:
                self._held[person] -= 1
                if not self._held[person]:
                    del self._held[person]

    def _take(self, person: str) -> None:
        with self._turn:
            if self._held.get(person, 0) >= self.each:
                raise Busy(
                    429,
                    f"at most {self.each} {self.what} of one person at a time; wait for an answer first",
                    self.after,
                )
            if self.taken >= self.most:
                raise Busy(
                    503,
                    f"{self.most} {self.what} are open, which is the most at a time",
                    self.after,
                )
            self._held[person] = self._held.get(person, 0) + 1
