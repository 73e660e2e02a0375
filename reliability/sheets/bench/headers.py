"""Header rows, table ends, and which column of ours a header means."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from reliability.safe_text import bounded
from reliability.sheets.bench.phrases import understood
from reliability.sheets.bench.units import COUNTS, OWN, split_header, times, unit_named
from reliability.sheets.bench.vocabulary import (
    AMBIGUOUS,
    COLUMN_WORDS,
    COLUMNS,
    LIKELY,
    TOTAL_WORDS,
    UNITS_AS_NAMES,
    nearest,
    plain,
    plain_word,
)

OURS = {*COLUMNS, "period_s"}
_LONG = tuple(k for k in COLUMN_WORDS if len(k) >= 4)
_NEAR: dict[str, tuple[str, float]] = {}
DECIDES = ("shots_failed", "failed")
"""columns that make failures of units: a name has to be very near to be read as one"""

MISLEADING = ("capacitance_uF", "failed", "status")
"""columns whose names say something else beside a sign for numbers, or a unit of shots"""


@dataclass(frozen=True)
class Header:
    """What a header means.

    Attributes
    ----------
    written : str
    column : str
        Ours, or ``extra``.
    unit : str
        As written, "" if none.
    sure : bool
        An exact name; otherwise the person is asked.
    others : tuple of str
        Columns it could mean as well.
    """

    written: str
    column: str
    unit: str
    sure: bool
    others: tuple[str, ...] = ()


@lru_cache(8192)
def header_of(text: str) -> Header:
    """Which column a header means: exact names and names of several meanings first, then by its words, then near ones."""
    written = bounded(text, 120)
    if written in OURS:
        return Header(written, written, "", True)
    name, unit = split_header(written)
    whole, p = plain(written), plain(name)
    by_words = _by_words(written, name, unit)
    if by_words and ("#" in name or _says_shots(unit)) and COLUMN_WORDS.get(p) in MISLEADING:
        return by_words  # ``Cap #`` is no capacitance, ``Failed [shots]`` no yes or no
    for key, u in ((p, unit), (whole, unit)):
        if key in AMBIGUOUS:
            return _ambiguous(written, key, u)
        if key in COLUMN_WORDS:
            return Header(written, COLUMN_WORDS[key], u, True)
    if whole in UNITS_AS_NAMES:
        column, unit = UNITS_AS_NAMES[whole]
        return Header(written, column, unit, False)
    if pieces := _of_two_words(written):
        return Header(written, pieces[0], unit, False, pieces)
    if by_words:
        return by_words
    if len(p) >= 4 and not p[0].isdigit():
        if p not in _NEAR:
            if len(_NEAR) > 10_000:
                _NEAR.clear()
            _NEAR[p] = nearest(p, _LONG)
        found, likeness = _NEAR[p]
        if found and COLUMN_WORDS[found] in DECIDES and likeness < LIKELY:
            return Header(written, "extra", unit, False, ("extra", COLUMN_WORDS[found]))
        if found and _takes(COLUMN_WORDS[found], unit):
            return Header(written, COLUMN_WORDS[found], unit, False)
    return Header(written, "extra", unit, True)


def _says_shots(unit: str) -> bool:
    """Whether a unit says that shots are counted."""
    return bool(unit) and (bool(times(unit)) or COLUMN_WORDS.get(plain(unit), "") == "shots")


def _by_words(written: str, name: str, unit: str) -> Header | None:
    """What a header means by its words; none whose unit speaks against it."""
    found = understood(name, _says_shots(unit))
    some = tuple(c for c in found if _takes(c, unit))
    if not some or some == ("extra",):
        return None
    return Header(written, some[0], unit, False, some if len(some) > 1 else ())


def _takes(column: str, unit: str) -> bool:
    """Whether a unit written in a header may be one of this column: ``Rated [kV]`` is near to ``rate``, but no rate."""
    if column in COUNTS and unit:
        return bool(times(unit)) or plain(unit) in COLUMN_WORDS or unit in ("1", "-", "#", "n")
    return not unit or column not in OWN or unit_named(unit, column) is not None


def _of_two_words(written: str) -> tuple[str, ...]:
    """Columns that a header of two names means, such as ``Remarks / status``; remarks last."""
    pieces = [plain(w) for w in re.split(r"[/|&+]", written)]
    if len(pieces) != 2 or not all(w in COLUMN_WORDS for w in pieces):
        return ()
    found = dict.fromkeys(COLUMN_WORDS[w] for w in pieces)
    return tuple(sorted(found, key=lambda column: column == "note"))


def _ambiguous(written: str, key: str, unit: str) -> Header:
    some = AMBIGUOUS[key]
    if unit:
        fit = [c for c in some if c in OWN and unit_named(unit, c) is not None]
        if len(fit) == 1:
            return Header(written, fit[0], unit, True)
        if times(unit) and "shots" in some:
            return Header(written, "shots", unit, True)
    return Header(written, some[0], unit, False, some)


def header_score(row: Sequence[Any]) -> float:
    """How much a row looks like a header: its cells that name a column, near names half."""
    score = 0.0
    seen: set[str] = set()
    for c in row[:60]:
        if not isinstance(c, str) or not c.strip() or len(c) > 120:
            continue
        h = header_of(c)
        if h.column != "extra" and h.column not in seen:
            seen.add(h.column)
            score += 1.0 if h.sure else 0.5
    return score


def find_header(rows: Sequence[Sequence[Any]], look: int = 40) -> tuple[int, float]:
    """Index of the likeliest header row and its score; the first of equals."""
    best, at = 0.0, -1
    for i, r in enumerate(rows[:look]):
        s = header_score(r)
        if s > best:
            best, at = s, i
    return at, best


def turned(rows: Sequence[Sequence[Any]], look: int = 60) -> tuple[str, ...]:
    """Names of columns that stand one below the other, as in a table laid on its side; empty if it is none."""
    first = [r[0] for r in rows[:look] if r and isinstance(r[0], str)]
    if header_score(first) < 3:
        return ()
    return tuple(bounded(c, 30) for c in first if header_of(c).column != "extra")[:4]


def blank(cell: Any) -> bool:
    """Whether a cell is empty."""
    return cell is None or (isinstance(cell, str) and not cell.strip())


@dataclass(frozen=True)
class Body:
    """The table's rows: indices into the sheet, and those left out with the reason."""

    rows: tuple[int, ...]
    left_out: tuple[tuple[int, str, str], ...]
    units: tuple[str, ...]


def find_body(rows: Sequence[Sequence[Any]], header: int) -> Body:
    """Where the table ends, and rows in it that are no records: totals, repeated headers, footnotes, empty rows."""
    head = [plain(c) if isinstance(c, str) else "" for c in rows[header]]
    width = sum(1 for h in head if h)
    another = max(3.0, width - 1)
    kept: list[int] = []
    out: list[tuple[int, str, str]] = []
    units: tuple[str, ...] = ()
    gap = False
    for i in range(header + 1, len(rows)):
        r = rows[i]
        full = [c for c in r if not blank(c)]
        if not full:
            gap = bool(kept)
            continue
        if i == header + 1 and (u := _unit_row(rows[header], r)):
            units, why = u, "units of the columns"
        elif _same_words(r, head):
            why = "the header again"
        elif any(_total(c) for c in r[:3]) and sum(map(_wordy, full)) <= 2:
            why = "a total"
        elif _remark(full, width):
            why = "a remark, not a record"
        elif _heads(r, full, 2.0 if gap else another):
            out.append((i, _line(r), "another header; a second table begins"))
            rest = range(i + 1, min(len(rows), i + 1000))
            out += [
                (j, _line(rows[j]), "in the second table")
                for j in rest
                if not all(map(blank, rows[j]))
            ]
            break
        else:
            kept.append(i)
            continue
        out.append((i, _line(r), why))
    return Body(tuple(kept), tuple(out), units)


def _heads(row: Sequence[Any], full: Sequence[Any], least: float) -> bool:
    """Whether a row names columns: below a gap two of them and more than half are enough."""
    if len(full) < least or not all(map(_wordy, full)):
        return False
    return header_score(row) >= max(least, 0.6 * len(full))


def _line(row: Sequence[Any]) -> str:
    """A row as one bounded line."""
    return bounded(" | ".join(str(c) for c in row if not blank(c)), 100)


def _same_words(row: Sequence[Any], head: Sequence[str]) -> bool:
    """Whether a row says the header's words again; most rows differ in their first cell already."""
    return len(row) >= len(head) and all(
        (plain_word(c) if isinstance(c, str) else "") == h for c, h in zip(row, head, strict=False)
    )


def _remark(full: Sequence[Any], width: int) -> bool:
    """Whether a row of these cells is a line of text below or between the records."""
    if len(full) == 1:
        return width > 2
    return width > 4 and len(full) == 2 and isinstance(full[0], str) and len(full[0]) > 25


_DIGIT, _LETTER = re.compile(r"\d"), re.compile(r"[^\W\d_]")


def _wordy(cell: Any) -> bool:
    """A text that is no number."""
    return isinstance(cell, str) and not (_DIGIT.search(cell) and not _LETTER.search(cell))


def _total(cell: Any) -> bool:
    if not isinstance(cell, str) or len(cell) > 40:
        return False
    if cell.strip(" :.") in ("\u00d8", "\u00f8"):
        return True  # the sign for a mean, which is a letter as well
    words = plain_word(cell).split()
    return bool(words) and (words[0] in TOTAL_WORDS or " ".join(words) in TOTAL_WORDS)


def _unit_row(head: Sequence[Any], row: Sequence[Any]) -> tuple[str, ...]:
    """Units of a row below the header, if it holds nothing else; else empty."""
    out = []
    found = 0
    for i, h in enumerate(head):
        c = row[i] if i < len(row) else None
        if blank(c) or (isinstance(c, str) and c.strip() in ("-", "\u2013", "#", "()", "[]")):
            out.append("")
            continue
        t = str(c).strip().strip("[]()")
        column = header_of(str(h)).column if isinstance(h, str) else "extra"
        if unit_named(t, column) is None and not times(t):
            if plain(t) in ("shots", "shot", "schuss", "text", "tirs"):
                out.append("")
                continue
            return ()
        found += 1
        out.append(t)
    return tuple(out) if found else ()
