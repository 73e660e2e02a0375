"""A note: a coded remark that travels with a result and is shown beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Note:
    """A remark on a result.

    Attributes
    ----------
    code : str
        Stable word that programs may test for, such as ``few_failures``.
    text : str
        The same for people: what is the case and what follows from it.

    Examples
    --------
    >>> Note("extrapolated", "1,700 V lies outside the tests.").code
    'extrapolated'
    """

    code: str
    text: str

    def as_dict(self) -> dict[str, str]:
        """The note as it stands in JSON."""
        return {"code": self.code, "text": self.text}


class CannotAnswer(Exception):
    """These data cannot answer the question; the message says what is missing.

    ``partial`` holds what could be worked out all the same (or None), ``asked`` and ``basis`` the question
    and what it would have rested on, once it was asked through ``ask``.

    Examples
    --------
    >>> import reliability as rl
    >>> try:
    ...     rl.ask(rl.Life(slot=("fuel",)), rl.demo())
    ... except rl.CannotAnswer as e:
    ...     e.partial.quantiles[0].lower > 0
    True
    """

    def __init__(self, message: str, partial: object | None = None) -> None:
        super().__init__(message)
        self.partial = partial
        self.asked: dict[str, Any] = {}
        self.basis: Any = None


class BadInput(Exception):
    """The question or the data break a rule; the message says which and what is allowed.

    Examples
    --------
    >>> import reliability as rl
    >>> try:
    ...     rl.Life(confidence=2)
    ... except rl.BadInput as e:
    ...     print(e)
    confidence is a number above 0.5 and at most 0.99999, not 2
    """


class NoEffect(BadInput):
    """A setting that would change nothing beside the other settings; the message says what it goes with."""
