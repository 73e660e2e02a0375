"""The ledger: every check of this project's numbers against something outside it, as data.

``ledger.toml`` beside this file holds the checks; ``reliability.ledger.ours`` works out our side. Tests
are made from it, and pages can show it.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from reliability.ledger.ours import OURS, Inputs
from reliability.notes import BadInput

SEEN = {
    "read": "read in a copy of the source, or of an open text that quotes it",
    "run": "the reference library was run for this project",
    "by hand": "worked out by hand from a textbook's formula",
    "from memory": "remembered; the source was not at hand",
}
"""How we saw the value that is compared."""


@dataclass(frozen=True)
class Check:
    """One value of an outside source and how to work out ours.

    Attributes
    ----------
    id : str
    topic, source, compares : str
        What it is about, where the value stands, what it is.
    printed : str
        The value as it stands there, with its digits.
    seen : str
        A key of ``SEEN``.
    key : str
        Which of ``OURS`` works out our value, with ``inputs``.
    inputs : Inputs
    allow : float or None
        Largest difference where it is not half a unit of the last printed digit; then ``why`` says why.
    why : str
    """

    id: str
    topic: str
    source: str
    compares: str
    printed: str
    seen: str
    key: str
    inputs: Inputs
    allow: float | None = None
    why: str = ""

    @property
    def tolerance(self) -> float:
        """Largest difference that counts as agreement."""
        return half_digit(self.printed) if self.allow is None else self.allow


@dataclass(frozen=True)
class Outcome:
    """A check carried out.

    Attributes
    ----------
    check : Check
    ours, difference : float
    agrees : bool
    """

    check: Check
    ours: float
    difference: float
    agrees: bool

    def as_dict(self) -> dict[str, Any]:
        """A row of a table."""
        c = self.check
        return {
            "topic": c.topic, "compares": c.compares, "source": c.source, "seen": c.seen, "printed": c.printed,
            "ours": self.ours, "difference": self.difference, "allowed": c.tolerance, "agrees": self.agrees,
            "why": c.why,
        }  # fmt: skip


def half_digit(printed: str) -> float:
    """Half a unit of the last printed digit, a hair wider for the binary form of numbers.

    Examples
    --------
    >>> round(half_digit("2.035"), 6), round(half_digit("1.2e4"), 6)
    (0.0005, 500.0)
    """
    number, _, power = printed.lower().partition("e")
    decimals = len(number.partition(".")[2])
    return 0.5 * 10.0 ** (int(power or 0) - decimals) * (1 + 1e-9)


@dataclass(frozen=True)
class Suite:
    """Many values compared at once by a test: what, with what, where."""

    compares: str
    source: str
    test: str


def _check(
    group: Mapping[str, Any], row: Mapping[str, Any], data: Mapping[str, Mapping[str, Any]]
) -> Check:
    both = {**group, **row}
    settings = {**group.get("with", {}), **row.get("with", {})}
    known = data.get(both.get("data", ""), {})
    inputs = Inputs(
        both.get("data", ""), {k: v for k, v in known.items() if k != "source"}, settings
    )
    out = Check(
        f"{group['id']}/{row['compares']}", both["topic"], both["source"], both["compares"], str(both["printed"]),
        both["seen"], both["ours"], inputs, both.get("allow"), both.get("why", ""),
    )  # fmt: skip
    if out.seen not in SEEN or out.key not in OURS or (out.allow is not None and not out.why):
        raise BadInput(f"ledger: {out.id}: unknown 'seen' or 'ours', or 'allow' without 'why'")
    return out


@cache
def _book() -> dict[str, Any]:
    return tomllib.loads(
        resources.files("reliability.ledger").joinpath("ledger.toml").read_text("utf-8")
    )


def suites() -> tuple[Suite, ...]:
    """Checks of many values, which tests make."""
    return tuple(Suite(**s) for s in _book()["suite"])


@cache
def checks() -> tuple[Check, ...]:
    """Every check of the ledger. Raises BadInput if the file breaks its own rules."""
    book = _book()
    out = tuple(_check(g, r, book["data"]) for g in book["group"] for r in g["rows"])
    twice = [i for i, n in Counter(c.id for c in out).items() if n > 1]
    if twice:
        raise BadInput(f"ledger: stands twice: {', '.join(twice)}")
    return out


def carry_out(check: Check) -> Outcome:
    """Work out our value and compare.

    Raises
    ------
    CannotAnswer
        If the data set of the check is not there (an installation without the published data).
    """
    ours = float(OURS[check.key](check.inputs))
    difference = ours - float(check.printed)
    return Outcome(check, ours, difference, abs(difference) <= check.tolerance)


def by_how_seen() -> dict[str, int]:
    """Number of checks by how their value was seen."""
    count = Counter(c.seen for c in checks())
    return {k: count[k] for k in SEEN}
