"""What a file would change before it is given: the module's life and a module's promise, before and after."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reliability.ask.asking import ask
from reliability.ask.giving import How, Looked, taking_place_of
from reliability.ask.sources import Stored, joined_sides
from reliability.decisions.flight import Flight
from reliability.decisions.module import Module
from reliability.decisions.question import Answer, Question
from reliability.notes import BadInput, CannotAnswer
from reliability.order import in_order
from reliability.pool import Pool
from reliability.records import LifeRecords, join
from reliability.sheets.life import LifeSheet
from reliability.words import shots_text, so_many_shots


@dataclass(frozen=True)
class Moved:
    """One number before and after; None where the pool cannot say it, with the reason.

    Attributes
    ----------
    what : str
    before, before_lower, after, after_lower : float or None
        Shots; ``lower`` is the bound at 95 % confidence.
    why : str
        Why there is no number after, "" if there is.
    """

    what: str
    before: float | None
    before_lower: float | None
    after: float | None
    after_lower: float | None
    why: str = ""

    @property
    def sentence(self) -> str:
        """Both in words."""
        texts = [
            "nothing"
            if x is None
            else f"{so_many_shots(x)}" + ("" if low is None else f" (at least {shots_text(low)})")
            for x, low in ((self.before, self.before_lower), (self.after, self.after_lower))
        ]
        return f"{self.what} would go from {texts[0]} to {texts[1]}."


@dataclass(frozen=True)
class Effect:
    """What a file would do to the answers, if it were accepted.

    Attributes
    ----------
    rows : int
    moved : tuple of Moved
        The life that 90 % of modules reach; the promise of a module, if one was named.
    """

    rows: int
    moved: tuple[Moved, ...]

    @property
    def sentence(self) -> str:
        """All in one text."""
        return " ".join((f"{self.rows} rows.", *(m.sentence for m in self.moved)))


Asks = Callable[[Question, "Stored | Pool"], Answer]
"""how a question is asked: here and now, or of those who work questions out for many"""


def change(
    to: Stored, looked: Looked, supersedes: Sequence[int] = (), module: str = "", asks: Asks = ask
) -> Effect:
    """What a file that is ready would change.

    Parameters
    ----------
    to : Stored
    looked : Looked
        With nothing left to answer.
    supersedes : sequence of int
        Contributions that it takes the place of.
    module : str
        Whose promise is worked out too.
    asks : callable

    Raises BadInput where an earlier log holds shots of the same module that this one does not.
    """
    after = _after(to, looked, taking_place_of(to, looked, How(supersedes=tuple(supersedes))))
    moved = []
    if looked.records is not None:
        moved.append(_life(*(_asked(Module(), source, asks) for source in (to, after))))
    if module:
        flight = Flight(module=module, shots=1)
        moved.append(_promise(module, *(_asked(flight, source, asks) for source in (to, after))))
    return Effect(looked.rows, tuple(moved))


def _after(to: Stored, looked: Looked, supersedes: Sequence[int]) -> Pool:
    """The accepted pool with a file, and without what it takes the place of."""
    life: list[LifeRecords] = []
    if to.box.exists:
        with to.box.reading() as reading:
            own = reading.records(("accepted",), supersedes)
            life += [own] if len(own) else []
            files = [(n, c) for k, n, c in reading.files(("accepted",)) if k not in supersedes]
    else:
        files = []
    for sheet in looked.sheets:
        if isinstance(sheet, LifeSheet):
            life.append(sheet.records)
        else:
            files.append((f"{sheet.kind}{Path(sheet.name).suffix}", sheet.content))
    files += list(looked.other.items())
    return in_order(Pool(join(life) if life else None, **joined_sides(files)))


def _asked(question: Question, source: Stored | Pool, asks: Asks) -> tuple[Any, str]:
    if isinstance(source, Stored) and not source.box.exists:
        return None, "there is no store yet"
    try:
        found = asks(question, source)
    except (CannotAnswer, BadInput) as e:
        return None, str(e)
    return found, ""


def _life(before: tuple[Any, str], after: tuple[Any, str]) -> Moved:
    a, (b, why) = before[0], after
    return Moved(
        "The life that 90 % of modules reach", a and a.life.shots, a and a.life.lower, b and b.life.shots,
        b and b.life.lower, why,
    )  # fmt: skip


# the promise is the same whatever the mission, which has to be stated
def _promise(module: str, before: tuple[Any, str], after: tuple[Any, str]) -> Moved:
    a, (b, why) = before[0], after
    return Moved(
        f"The promise of module {module}", a and a.promise.shots, None, b and b.promise.shots, None, why
    )  # fmt: skip
