"""Wear kept with a column for each count or date of reading: laid out one reading a row."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from reliability.safe_text import bounded
from reliability.sheets.bench import measured
from reliability.sheets.bench.columns import Column
from reliability.sheets.bench.desk import Desk
from reliability.sheets.bench.headers import blank
from reliability.sheets.bench.numerals import decided, numeral, value_of
from reliability.sheets.bench.units import times
from reliability.sheets.bench.vocabulary import COLUMN_WORDS, plain
from reliability.sheets.table import refuse

Cells = dict[str, list[Any]]
_DATE = re.compile(r"\d{4}-\d{1,2}-\d{1,2}(?:[ T]00:00:00)?|\d{1,2}[./]\d{1,2}[./]\d{2,4}")
_AT = r"@|\bat\b|\bbei\b|\bnach\b|\bafter\b|\bà\b|\bpo\b|\bna\b|\bn\s?="
_COUNT = re.compile(
    rf"(?P<what>.*?)\s*(?P<at>{_AT})?\s*[(\[]?\s*(?P<n>\d[\d.,'\u2019\u00a0\u202f ]*?)\s*(?P<k>k|Tsd\.?)?\s*(?P<word>[^\W\d]+)?\s*[)\]]?",
    re.I,
)
LEAST = 2
"""columns of counts that make a table wide"""


@dataclass(frozen=True)
class Read:
    """What the head of a column of readings says: the quantity ("" if it does not), and at how many shots."""

    what: str
    shots: float | None


def reading_columns(columns: dict[str, Column]) -> dict[str, Read]:
    """Columns that hold readings at a count or date, by name; empty where the table is not a wide one."""
    if {"shots", "shots_good", "shots_failed", "value", "status"} & set(columns):
        return {}
    own = {n: c for n, c in columns.items() if c.header.column == "extra"}
    found = {n: r for n, c in own.items() if (r := head_of(c.header.written)) is not None}
    bare = [n for n, r in found.items() if not r.what and r.shots is not None and numeral(own[n].header.written)]  # fmt: skip
    if bare and len(bare) < 3 and len(bare) == len(found):
        return {}  # two columns named by a number alone may be anything
    return found if len(found) >= LEAST else {}


def head_of(text: str) -> Read | None:
    """A column's head as a quantity and a count, such as ``C [nF] @ 1000`` or ``2026-03-01 (2500 shots)``; or a date."""
    head = " ".join(text.split())[:120]
    dated = _DATE.search(head)
    rest = (head[: dated.start()] + head[dated.end() :]).strip(" :,;") if dated else head
    m = _COUNT.fullmatch(rest)
    if m and (n := _number(m["n"])) is not None:
        shots = COLUMN_WORDS.get(plain(m["word"] or ""), "") == "shots"
        alone = not m["what"] and not m["word"]
        if shots or (not m["word"] and (m["at"] or alone)):
            what = re.sub(r"[\s_(\[-]+$", "", m["what"])
            if shots and COLUMN_WORDS.get(plain(what), "") == "shots":
                what = ""
            return Read(what, n * (times("k") if m["k"] else 1))
    return Read(rest, None) if dated else None


def _number(text: str) -> float | None:
    """A count in a head; with three digits behind one mark it is in thousands, since counts have no decimals."""
    p = numeral(text.strip())
    if p is None or p.tail or p.mark or p.sign:
        return None
    said = decided(p)
    try:
        x = value_of(p, "," if said == "?." else "." if said == "?," else "")
    except ValueError:
        return None
    return x if x == int(x) else None


def wide_cells(desk: Desk, columns: dict[str, Column], heads: dict[str, Read], n: int) -> tuple[Cells, list[int]]:  # fmt: skip
    """Rows of a wear sheet from columns of readings: cells, and the row of each."""
    counts, said_in = _counts(desk, columns, heads, n)
    told = [f"{columns[k].name}: {v:g}" for k, v in counts.items()]
    text = f"each of {len(told)} columns is read as readings at a count of shots ({bounded('; '.join(told), 200)})"
    if desk.ask("agreed:counts in columns", text, ("yes", "no"), "yes") != "yes":
        return {}, []
    kept = ("builder", "module", "slot", "unit")
    rows = [(i, k) for k in counts for i in range(n) if i != said_in and columns[k].values[i] is not None]  # fmt: skip
    for i, k in rows:
        if not isinstance(columns[k].values[i], float):
            c = columns[k]
            desk.fault(c.rows[i] + 1, c.name, f"{bounded(c.values[i], 40)!r} is not a number")
    out: Cells = {name: [columns[name].values[i] for i, _ in rows] for name in kept if name in columns}  # fmt: skip
    out["shots"] = [counts[k] for _, k in rows]
    quantity = _quantities(desk, columns, heads, rows)
    value = replace(quantity, values=[columns[k].values[i] for i, k in rows])
    if not desk.faults:
        measured.by_our_names(desk, {"quantity": quantity, "value": value})
    out |= {"quantity": quantity.values, "value": value.values}
    desk.note("", "shots, quantity, value", len(rows), f"{len(counts)} columns", f"{len(rows)} rows", "a column a count, laid out one below the other")  # fmt: skip
    return out, [i for i, _ in rows]


def _counts(
    desk: Desk, columns: dict[str, Column], heads: dict[str, Read], n: int
) -> tuple[dict[str, float], int | None]:
    """The count of each column: its head says it, or a row that is named for shots; and that row. Raises SheetError."""
    found = {k: r.shots for k, r in heads.items() if r.shots is not None}
    dated = [k for k, r in heads.items() if r.shots is None]
    if not dated:
        return found, None
    for i in range(n):
        words = [c.values[i] for c in columns.values() if isinstance(c.values[i], str) and not blank(c.values[i])]  # fmt: skip
        if any(COLUMN_WORDS.get(plain(w), "") == "shots" for w in words):
            row = {k: columns[k].values[i] for k in dated}
            return found | {k: v for k, v in row.items() if isinstance(v, float)}, i
    text = "its columns are dates: say at how many shots each was read, in a row 'shots' below the header, or behind each date, such as '2026-03-01 (2500 shots)'"
    raise refuse(desk.file, text)


def _quantities(
    desk: Desk, columns: dict[str, Column], heads: dict[str, Read], rows: Sequence[tuple[int, str]]
) -> Column:
    """What was read in each row: a column says it, or the heads; else it is asked for."""
    said = columns["quantity"].values if "quantity" in columns else None
    named = [heads[k].what or (said[i] if said else None) for i, k in rows]
    if not all(named):
        asked = desk.ask(
            "fill:quantity", "what was read, and in which unit? Such as C [nF] or gap_mm"
        )
        named = [q or asked or None for q in named]
    base = columns["quantity"] if "quantity" in columns else columns[next(iter(heads))]
    numbers = [base.rows[i] for i, _ in rows]
    return replace(base, values=named, cells=list(named), rows=numbers, marks=[""] * len(rows), lows={})  # fmt: skip
