"""Names that differ only in how they are written: capitals, hyphens, underscores, spaces."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable

import numpy as np

from reliability.records import LifeRecords
from reliability.sheets.finding import Finding, rows_of

_BREAK = re.compile(r"[-_.\s]+")
_LOOSE = re.compile(r"(?<!\d)-|-(?!\d)")

WITHIN = {
    "builder": (),
    "module": ("builder",),
    "unit": ("builder", "slot"),
    "part": ("slot",),
    "lot": ("builder", "slot"),
}
"""within what a name is one thing, by column"""
ASKED = ("builder", "module", "unit")
"""columns whose names decide which records are one unit: written two ways, one unit counts as two"""


def folded(name: str) -> str:
    """A name without what people write now one way, now another.

    Breaks between two digits stay (as one hyphen): ``1-1`` is not ``11``.

    Examples
    --------
    >>> folded("Cap 17") == folded("cap_17") == folded("CAP-17") == folded("cap17")
    True
    >>> folded("1-1") == folded("11")
    False
    """
    plain = unicodedata.normalize("NFKC", name).strip().casefold()
    return _LOOSE.sub("", _BREAK.sub("-", plain))


def _names(r: LifeRecords, column: str) -> Iterable[tuple[str, ...]]:
    """Where a name is one thing, then the name, of each record."""
    return zip(*(getattr(r, c).tolist() for c in (*WITHIN[column], column)), strict=True)


def spellings(
    records: LifeRecords, column: str, others: LifeRecords | None = None
) -> tuple[list[tuple[str, str]], np.ndarray]:
    """Pairs of names of a column that differ only in how they are written.

    Parameters
    ----------
    records : LifeRecords
    column : str
        One of ``WITHIN``.
    others : LifeRecords, optional
        Where the other name is looked for (default: among the records themselves).

    Returns
    -------
    list of (str, str)
        The other name, which is the earlier, and the name.
    bool array (n,)
        Records with the second name of a pair.
    """
    spelt: dict[tuple[str, ...], list[str]] = defaultdict(list)
    known: set[tuple[str, ...]] = set()
    for key in () if others is None else dict.fromkeys(_names(others, column)):
        spelt[(*key[:-1], folded(key[-1]))].append(key[-1])
        known.add(key)
    pairs: dict[tuple[str, ...], tuple[str, str]] = {}
    places = {key[:-1] for key in known}
    for key in dict.fromkeys(_names(records, column)):
        if not key[-1] or key in known or (others is not None and key[:-1] not in places):
            continue
        same = spelt[(*key[:-1], folded(key[-1]))]
        if same:
            pairs[key] = (same[0], key[-1])
        elif others is None:
            same.append(key[-1])
    if not pairs:
        return [], np.zeros(len(records), bool)
    rows = np.array([key in pairs for key in _names(records, column)], bool)
    return list(pairs.values()), rows


def namesakes(records: LifeRecords, others: LifeRecords | None = None) -> list[Finding]:
    """Findings about names that differ only in how they are written; see ``spellings``.

    Grave within one sheet for names that tell units, which then count twice; else a doubt.
    """
    out = []
    for column in WITHIN:
        pairs, rows = spellings(records, column, others)
        if not pairs:
            continue
        shown = ", ".join(f"{b[:40]!r} and {a[:40]!r}" for a, b in pairs[:3])
        more = f" and {len(pairs) - 3} more" if len(pairs) > 3 else ""
        where = " (the second is stored already)" if others is not None else ""
        text = (
            f"names of {column} that differ only in capitals, hyphens or spaces: {shown}{more}{where}. If they are one, write it one "
            "way: now it stands for two."
        )
        grave = column in ASKED and others is None
        out.append(Finding(f"spelt_{column}", "grave" if grave else "doubt", text, rows_of(rows)))
    return out
