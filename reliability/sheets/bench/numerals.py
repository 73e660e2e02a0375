"""Numbers as people write them: decimal and thousands marks decided by column, doubtful ones never guessed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

_NUMBER = re.compile(
    r"(?P<mark>>=|<=|[<>\u2265\u2264~\u2248]|ca\.?|approx\.?|about|\u00fcber|bis)?\s*"
    r"(?P<sign>[+\-\u2212]?)\s*(?P<body>\d[\d.,'\u2019\u00a0\u2007\u2009\u202f ]*|[.,]\d+)(?P<exp>[eE][+-]?\d{1,3})?\s*(?P<plus>\+)?"
    r"\s*(?P<tail>[^\d\s].{0,30})?",
    re.I,
)
_GROUPS = re.compile(r"\d{1,3}(?:([.,' ])\d{3})(?:\1\d{3})*|\d{1,2}(?:,\d{2})+,\d{3}")
_POINTS = (".", ",")
_SPAN = re.compile(
    r"(\d[\d.,'\u2019\u00a0\u2007\u2009\u202f ]*?)\s*"
    r"(?:-|\u2013|\u2014|\.{2,3}|\u2026|\bto\b|\bbis\b|\b\u00e0\b)\s*(\d.*)",
    re.I,
)


@dataclass(frozen=True)
class Numeral:
    """A cell taken apart.

    Attributes
    ----------
    mark : str
        ``>`` (more than), ``<`` (less than), ``~`` (about) or "".
    sign, body, exponent, tail : str
        ``body`` holds digits and marks only, blanks and apostrophes between digits taken out;
        ``tail`` is what follows, a unit perhaps.
    grouped : bool
        Blanks or apostrophes parted its thousands.
    """

    mark: str
    sign: str
    body: str
    exponent: str
    tail: str
    grouped: bool


def numeral(text: str) -> Numeral | None:
    """Take a cell apart; None if it does not begin as a number."""
    s = text.strip()
    if len(s) > 80 or (found := _NUMBER.fullmatch(s)) is None:
        return None
    body = found["body"].strip()
    even = re.sub("['\u2019\u00a0\u2007\u2009\u202f ]", " ", body)
    grouped = " " in even
    if grouped:
        whole = re.match(r"\d{1,3}(?: \d{3})+(?=$|[.,]\d+$)", even)
        if whole is None:
            return None
        even = even.replace(" ", "")
    word = (found["mark"] or "").lower().rstrip(".")
    mark = {
        ">=": ">",
        "\u2265": ">",
        ">": ">",
        "\u00fcber": ">",
        "<": "<",
        "<=": "<",
        "\u2264": "<",
        "bis": "<",
    }
    what = mark.get(word, "~" if word else "")
    if found["plus"]:
        what = ">"
    sign = "-" if found["sign"] in ("-", "\u2212") else ""
    return Numeral(what, sign, even, found["exp"] or "", (found["tail"] or "").strip(), grouped)


def span(text: str) -> tuple[Numeral, Numeral] | None:
    """The two ends of a range such as ``4000-4500`` or ``4000 to 4500``; None if it is none."""
    found = _SPAN.fullmatch(text.strip()) if len(text) <= 80 else None
    if found is None:
        return None
    low, high = numeral(found[1]), numeral(found[2])
    if low is None or high is None or low.tail or low.mark or high.mark:
        return None
    return low, high


def decided(n: Numeral) -> str:
    """What the marks of one number say by themselves.

    ``""`` (no mark), ``"."`` or ``","`` (that is the decimal mark), ``"?."`` or ``"?,"`` (that mark may be
    either), ``"t."`` or ``"t,"`` (that mark parts thousands, no decimals), ``"!"`` (cannot be read).
    """
    b = n.body
    marks = [c for c in b if c in _POINTS]
    if not marks:
        return ""
    last = marks[-1]
    if len(set(marks)) == 2:
        other = marks[0]
        whole, _, rest = b.rpartition(last)
        ok = (
            marks.count(last) == 1
            and _GROUPS.fullmatch(whole) is not None
            and other in whole
            and rest.isdigit()
        )
        return last if ok else "!"
    if len(marks) > 1:
        return f"t{last}" if _GROUPS.fullmatch(b) else "!"
    head, _, rest = b.partition(last)
    if len(rest) != 3 or len(head) > 3 or not head or head[0] == "0" or n.grouped or n.exponent:
        return last
    return f"?{last}"


@dataclass(frozen=True)
class Style:
    """How a column writes numbers: ``decimal`` is ``.``, ``,`` or "" (not decided); doubtful cells' examples."""

    decimal: str
    doubtful: tuple[str, ...]
    unreadable: tuple[int, ...]
    mixed: bool


def style_of(numerals: Sequence[Numeral | None]) -> Style:
    """Decide a column by its own numbers. ``decimal`` stays "" where they leave it open."""
    says: set[str] = set()
    doubtful: list[str] = []
    broken = []
    for i, n in enumerate(numerals):
        if n is None:
            continue
        d = decided(n)
        if d == "!":
            broken.append(i)
        elif d.startswith("?"):
            doubtful.append(n.body)
        elif d.startswith("t"):
            says.add("," if d[1] == "." else ".")
        elif d:
            says.add(d)
    mixed = len(says) > 1
    decimal = next(iter(says)) if len(says) == 1 else ""
    return Style(decimal, tuple(doubtful), tuple(broken), mixed)


def value_of(n: Numeral, decimal: str) -> float:
    """The number. ``decimal`` is the column's mark, used where the number does not say itself."""
    d = decided(n)
    mark = d if d in _POINTS else decimal
    body = n.body
    if d.startswith("t"):
        body = body.replace(d[1], "")
    elif mark:
        body = body.replace("." if mark == "," else ",", "").replace(mark, ".")
    return float(f"{n.sign}{body}{n.exponent}")
