"""One column of a bench's file read as numbers, texts or dates."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from reliability.safe_text import bounded
from reliability.sheets.bench.desk import Desk
from reliability.sheets.bench.headers import Header, blank
from reliability.sheets.bench.languages import MONTHS
from reliability.sheets.bench.numerals import (
    Numeral,
    decided,
    numeral,
    span,
    style_of,
    value_of,
)
from reliability.sheets.bench.units import COUNTS, OWN, Unit, converted, times, unit_named
from reliability.sheets.bench.vocabulary import COLUMN_WORDS, plain

NUMBERS = (
    *OWN, *COUNTS, "bank_parallel", "bank_series", "reversal", "value", "uncertainty",
)  # fmt: skip
_NOTHING = {
    "-",
    "--",
    "\u2013",
    "\u2014",
    "/",
    "n/a",
    "na",
    "n.a.",
    "?",
    "k.a.",
    "nil",
    "none",
    ".",
}
_take_apart = lru_cache(65536)(numeral)


@dataclass
class Column:
    """A column while it is read: header, cells of the table's rows, and what came of them.

    ``lows`` holds the lower end where a cell is a range of counts; the upper one is its value.
    """

    header: Header
    cells: list[Any]
    rows: Sequence[int]
    values: list[Any]
    marks: list[str]
    lows: dict[int, float] = field(default_factory=dict)

    @property
    def name(self) -> str:
        return self.header.written


def empty_cells(desk: Desk, c: Column) -> None:
    """Signs for nothing, such as a dash, become empty cells."""
    hit = [i for i, v in enumerate(c.cells) if isinstance(v, str) and v.strip().lower() in _NOTHING]
    if hit:
        desk.note(
            c.name, c.header.column, len(hit), c.cells[hit[0]], "(empty)", "a sign for nothing"
        )
        for i in hit:
            c.cells[i] = None


_FOOTNOTE = re.compile(
    r"(?!10\D)(\d[\d.,'\u2019\u00a0\u2007\u2009\u202f ]*?)(?:[*\u2020\u2021\u00a7\u00b9\u00b2\u00b3]{1,3}|\s+\d\))"
)


def footnotes(desk: Desk, c: Column) -> None:
    """Marks of footnotes behind counts are taken off, and said; a power such as 10\u00b3 is left alone."""
    if c.header.column not in COUNTS:
        return
    hit = []
    for i, v in enumerate(c.cells):
        m = _FOOTNOTE.fullmatch(v.strip()) if isinstance(v, str) and len(v) <= 80 else None
        if m and numeral(m[1]) is not None:
            hit.append((i, v, m[1]))
    for i, _, number in hit:
        c.cells[i] = number
    if hit:
        _, before, after = hit[0]
        desk.note(c.name, c.header.column, len(hit), before, after, "a mark of a footnote")


def _apart(c: Column) -> list[Numeral | None]:
    return [
        _take_apart(v) if isinstance(v, str) and len(v) <= 80 and not blank(v) else None
        for v in c.cells
    ]


def own_decimal(c: Column) -> tuple[str, bool]:
    """The decimal mark that the column's own numbers decide ("" if none), and whether one is in doubt."""
    s = style_of(_apart(c))
    return ("" if s.mixed else s.decimal), bool(s.doubtful)


def read_numbers(desk: Desk, c: Column, elsewhere: str, extra: bool = False) -> bool:
    """Read a column's cells as numbers in our unit. ``elsewhere``: decimal mark of the other columns, "" if open.

    An extra column that is no column of numbers is left as it is: False.
    """
    parts = _apart(c)
    if extra and not all((p is not None and not p.tail and not p.mark) or blank(v) or (isinstance(v, (int, float)) and not isinstance(v, bool))
                         for p, v in zip(parts, c.cells, strict=True)):  # fmt: skip
        return False
    decimal = _decimal(desk, c, parts, elsewhere)
    many, unit = _header_unit(desk, c) if not extra else (0.0, None)
    cell_units: Counter[str] = Counter()
    told: set[str] = set()
    marked = 0
    bare: list[float] = []
    example: tuple[Any, float] | None = None
    changed = 0
    for i, (v, p) in enumerate(zip(c.cells, parts, strict=True)):
        if blank(v):
            continue
        row = c.rows[i] + 1
        if isinstance(v, (int, float)) and not isinstance(v, bool):
            x, tail = float(v), ""
        elif isinstance(v, str) and c.header.column == "shots" and (ends := span(v)):
            _range(desk, c, i, ends, (decimal, many))
            continue
        elif p is None:
            _unreadable(desk, c, row, v)
            continue
        else:
            if not decimal and decided(p).startswith("?"):
                continue  # never guessed: empty until answered
            try:
                x, tail = value_of(p, decimal), p.tail
            except ValueError:
                _unreadable(desk, c, row, v)
                continue
            if p.mark:
                c.marks[i] = p.mark
                marked += 1
        scaled = _cell_unit(c, tail, x, unit, many, cell_units)
        if scaled is None:
            _unreadable(desk, c, row, v)
            continue
        c.values[i] = scaled
        if not tail and scaled > 0:
            bare.append(scaled)
        if not _same(v, scaled):
            changed += 1
            example = example or (v, scaled)
    if example is not None:
        why = _why(decimal, unit, many, cell_units)
        desk.note(c.name, c.header.column, changed, example[0], f"{example[1]:.12g}", why)
    _large_and_bare(desk, c, cell_units, bare)
    for name in cell_units:
        if name.startswith("?") and name not in told:
            desk.ask(
                f"agreed:unit {name[1:]}",
                f"{c.name}: cells say {name[1:]!r}; read as a unit of odd letters",
                ("yes",),
                "yes",
            )
    if (
        c.header.column in OWN
        and unit is None
        and not cell_units
        and c.header.written != c.header.column
        and not extra
    ):
        _no_unit(desk, c)
    _other_marks(desk, c, marked)
    return True


def _large_and_bare(desk: Desk, c: Column, cell_units: Counter[str], bare: Sequence[float]) -> None:
    """Counts of which some say ``k`` and others nothing: those without may be meant in thousands too."""
    many = max((times(u) for u in cell_units), default=0.0) if c.header.column in COUNTS else 0.0
    small = [x for x in bare if x < many]
    if small:
        text = (
            f"{c.name}: some cells say {next(iter(cell_units))!r}, {len(small)} others are as small as {min(small):g} "
            "and say nothing: taken as they stand, in single shots?"
        )
        desk.ask(f"agreed:bare {c.name} {desk.content}", text, ("yes",), "", True)


def _range(
    desk: Desk, c: Column, i: int, ends: tuple[Numeral, Numeral], how: tuple[str, float]
) -> None:
    """A range of counts: its ends kept apart, or nothing while its decimal mark is open."""
    decimal, many = how
    found = []
    for p in ends:
        if not decimal and decided(p).startswith("?"):
            return
        try:
            x = _cell_unit(c, p.tail, value_of(p, decimal), None, many, Counter())
        except ValueError:
            x = None
        found.append(x)
    low, high = found
    # "4-4.5k" means thousands at both ends, or not: not to be guessed
    if low is None or high is None or low >= high or ends[1].tail:
        _unreadable(desk, c, c.rows[i] + 1, c.cells[i])
        return
    c.lows[i], c.values[i], c.marks[i] = low, high, "-"


def _same(written: Any, value: float) -> bool:
    """Whether a plain reader of numbers would have read the same."""
    try:
        return float(written) == value
    except (TypeError, ValueError):
        return False


def _why(decimal: str, unit: Unit | None, many: float, cell_units: Counter[str]) -> str:
    out = []
    if decimal == ",":
        out.append("decimal comma")
    elif decimal == ".":
        out.append("decimal point")
    if unit is not None:
        out.append(f"unit of the header: {unit.written}")
    if many:
        out.append(f"times {many:,.0f}")
    if cell_units:
        out.append("units in cells: " + ", ".join(sorted(k.lstrip("?") for k in cell_units)))
    return "; ".join(out) or "number written plainly"


def _unreadable(desk: Desk, c: Column, row: int, v: Any) -> None:
    if isinstance(v, (dt.date, dt.datetime, dt.time)):
        desk.fault(
            row,
            c.name,
            f"a date ({v}) where a number is wanted: spreadsheets turn 4.12 into a date; type the number anew",
        )
    else:
        desk.fault(
            row,
            c.name,
            f"{bounded(v, 40)!r} is not a number of {c.header.column}; correct the cell or leave the column out",
        )


def _decimal(desk: Desk, c: Column, parts: list[Numeral | None], elsewhere: str) -> str:
    s = style_of(parts)
    given = desk.given(f"decimal:{c.name}")
    if s.mixed and s.doubtful:
        return desk.ask(
            f"decimal:{c.name}", f"{c.name} uses point and comma as decimal mark, and {s.doubtful[0]!r} can be read both ways: which mark is its decimal?",
            (".", ","), grave=True,
        )  # fmt: skip
    if s.mixed:
        desk.ask(
            f"agreed:mixed {c.name}",
            f"{c.name} uses both point and comma as decimal mark; each number is read by its own",
            ("yes",),
            "yes",
        )
        return ""
    if not s.doubtful:
        return s.decimal
    if given in (".", ","):
        if s.decimal and given != s.decimal:
            return desk.ask(
                f"agreed:decimal {c.name}", f"{c.name}: the mapping says decimal {given!r}, its own numbers say {s.decimal!r}", (".", ","), grave=True
            )  # fmt: skip
        return given
    if s.decimal:
        return s.decimal
    shown = s.doubtful[0]
    mark = "." if "." in shown else ","
    whole, part = shown.replace(mark, ""), shown.replace(",", ".")
    other = "," if mark == "." else "."
    text = f"{c.name}: is {shown!r} {whole} (decimal {other!r}) or {part} (decimal {mark!r})? All {len(s.doubtful)} such numbers have three digits behind the mark"
    if elsewhere:
        text += f"; the file's other columns use {elsewhere!r}"
    elif any(q.grave and i.startswith("decimal:") for i, q in desk.questions.items()):
        return ""  # one answer for a file: it is suggested here then
    return desk.ask(f"decimal:{c.name}", text + ".", (".", ","), elsewhere, grave=not elsewhere)


def _header_unit(desk: Desk, c: Column) -> tuple[float, Unit | None]:
    column = c.header.column
    given = desk.given(f"units:{c.name}")
    text = given or c.header.unit
    if not text:
        return 0.0, None
    if column in COUNTS:
        if factor := times(text):
            return factor, None
        if plain(text) not in COLUMN_WORDS and text not in ("1", "-", "#", "n"):
            answer = desk.ask(
                f"units:{c.name}",
                f"{c.name}: {text!r} is no unit of shots",
                ("1", "k", "M"),
                "",
                True,
            )
            return times(answer), None
        return 0.0, None
    if column not in OWN:
        return 0.0, None
    unit = unit_named(text, column)
    if unit is None:
        answer = desk.ask(
            f"units:{c.name}",
            f"{c.name}: {text!r} is no unit of {column} that is known here; which is it?",
            (),
            "",
            True,
        )
        unit = unit_named(answer, column) if answer else None
    elif unit.mended:
        desk.ask(f"units:{c.name}", f"{c.name}: {text!r} is read as {unit.name}", (), unit.name)
    return 0.0, unit


def _cell_unit(
    c: Column, tail: str, x: float, unit: Unit | None, many: float, seen: Counter[str]
) -> float | None:
    """A number in our unit; None if what follows it is no unit of this column."""
    column = c.header.column
    if not tail:
        if column == "reversal" and c.header.unit == "%":
            return float(f"{x / 100:.12g}")
        if many:
            return float(f"{x * many:.12g}")
        return converted(x, unit.name, column) if unit is not None else x
    if column in COUNTS:
        words = plain(tail).split()
        if factor := times(tail) if words else 0.0:
            seen[tail] += 1
            return float(f"{x * factor:.12g}")
        if words and all(COLUMN_WORDS.get(w) in ("shots", "count") for w in words):
            seen[tail] += 1
            return float(f"{x * many:.12g}") if many else x
        return None
    if column not in OWN:
        return float(f"{x / 100:.12g}") if column == "reversal" and tail == "%" else None
    own = unit_named(tail, column)
    if own is None:
        return None
    seen[("?" if own.mended else "") + own.written] += 1
    return converted(x, own.name, column)


def _no_unit(desk: Desk, c: Column) -> None:
    """No unit is written anywhere: asked about, without a suggestion where the numbers are odd for ours."""
    from reliability.sheets.doubts import plausible

    own = OWN[c.header.column]
    given = desk.given(f"units:{c.name}")
    if given:
        return
    found = [v for v in c.values if v is not None]
    if not found:
        return
    odd = not all(plausible(c.header.column, v) for v in found)
    text = f"{c.name} has no unit; its numbers run from {min(found):g} to {max(found):g}"
    if odd:
        desk.ask(f"units:{c.name}", f"{text}, odd for {own}: which unit is it?", (), "", True)
        c.values[:] = [None] * len(c.values)
    else:
        desk.ask(f"units:{c.name}", f"{text} and are read as {own}", (), own)


def _other_marks(desk: Desk, c: Column, marked: int) -> None:
    if not marked:
        return
    about = sum(m == "~" for m in c.marks)
    if about:
        desk.ask(
            f"agreed:about {c.name}",
            f"{c.name}: {about} numbers are only about right ('~', 'ca.'); taken as they stand",
            ("yes",),
            "yes",
        )
    if c.header.column not in ("shots", "shots_good", "shots_failed"):
        for i, m in enumerate(c.marks):
            if m in ("<", ">"):
                desk.fault(
                    c.rows[i] + 1,
                    c.name,
                    f"{bounded(c.cells[i], 40)!r} is a bound; {c.header.column} takes a number",
                )


_DATES = (
    ("%Y-%m-%d", ""),
    ("%d.%m.%Y", ""),
    ("%d.%m.%y", ""),
    ("%Y/%m/%d", ""),
)


def read_dates(desk: Desk, c: Column) -> None:
    """Dates as year-month-day where they can be told; day or month first is asked about."""
    slashed = [
        re.fullmatch(r"(\d{1,2})([/-])(\d{1,2})\2(\d{4}|\d{2})", str(v).strip()) for v in c.cells
    ]
    firsts = [int(m[1]) for m in slashed if m]
    seconds = [int(m[3]) for m in slashed if m]
    order = ""
    if firsts and max(firsts) > 12 and max(seconds) > 12:
        _two_orders(desk, c, slashed)
    if firsts:
        order = "day" if max(firsts) > 12 else "month" if max(seconds) > 12 else ""
        if not order:
            order = desk.ask(
                f"agreed:dates {c.name}",
                f"{c.name}: is {c.cells[[bool(m) for m in slashed].index(True)]!r} day or month first?",
                ("day", "month"),
                "day",
            )
    changed = 0
    example: tuple[str, str] | None = None
    _day_counts(desk, c)
    for i, v in enumerate(c.cells):
        if blank(v):
            continue
        done = _date(v, slashed[i], order)
        c.values[i] = done
        if done != str(v).strip():
            changed += 1
            example = example or (str(v), done)
    if example:
        desk.note(c.name, "date", changed, *example, "dates as year-month-day")


def _two_orders(desk: Desk, c: Column, slashed: Sequence[re.Match[str] | None]) -> None:
    """Dates of which some can only have the day first and others only the month: the others cannot be told."""
    for i, m in enumerate(slashed):
        if m and int(m[3]) > 12:
            text = f"{bounded(c.cells[i], 20)!r} has the month first, other dates have the day first; write all one way, such as 2026-03-14"
            desk.fault(c.rows[i] + 1, c.name, text)


def _day_counts(desk: Desk, c: Column) -> None:
    """Dates that a spreadsheet gave away as its count of days (1900 system) become dates; asked about."""
    first, last = 20_000, 80_000  # 1954 to 2119
    full = [(i, str(v).strip()) for i, v in enumerate(c.cells) if not blank(v)]
    days = [(i, int(float(t))) for i, t in full if re.fullmatch(r"\d{5}(?:\.\d{1,10})?", t)]
    if not days or len(days) < len(full) or not all(first <= d <= last for _, d in days):
        return
    zero = dt.date(1899, 12, 30)
    shown = (zero + dt.timedelta(days=days[0][1])).isoformat()
    text = f"{c.name}: {full[0][1]} is read as a spreadsheet's count of days, {shown}"
    if desk.ask(f"agreed:days {c.name}", text, ("yes", "no"), "yes") == "yes":
        for i, d in days:
            c.cells[i] = zero + dt.timedelta(days=d)


_NAMED = re.compile(
    r"(?P<day>\d{1,2})(?:\.|er|st|nd|rd|th)?[ -]*(?:de )?(?P<month>[^\W\d_]{3,12})\.?,?[ -]*(?:de )?(?P<year>\d{4})"
    r"|(?P<first>[^\W\d_]{3,12})\.? (?P<next>\d{1,2})(?:st|nd|rd|th)?,? (?P<last>\d{4})"
)


def _by_name(text: str) -> str:
    """A date whose month is a word, such as ``3 mai 2026`` or ``May 3, 2026``; "" if it is none."""
    m = _NAMED.fullmatch(text)
    month = MONTHS.get(plain(m["month"] or m["first"]), 0) if m else 0
    if not m or not month:
        return ""
    try:
        return dt.date(int(m["year"] or m["last"]), month, int(m["day"] or m["next"])).isoformat()
    except ValueError:
        return ""


def _date(v: Any, slashed: re.Match[str] | None, order: str) -> str:
    if isinstance(v, (dt.datetime, dt.date)):
        return v.strftime("%Y-%m-%d")
    text = bounded(v, 200).strip()
    if re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:", text):
        text = text[:10]
    elif re.fullmatch(
        r"\d{4}\D+\d{1,2}\D+\d{1,2}\D?", text
    ):  # 2026. 5. 3. or with characters for year, month, day
        text = "-".join(re.findall(r"\d+", text))
    elif named := _by_name(text):
        return named
    if slashed:
        a, b, y = int(slashed[1]), int(slashed[3]), int(slashed[4])
        day, month = (a, b) if order == "day" else (b, a)
        try:
            return dt.date(y if y > 99 else 2000 + y, month, day).isoformat()
        except ValueError:
            return text
    for form, _ in _DATES:
        try:
            return dt.datetime.strptime(text, form).date().isoformat()
        except ValueError:
            continue
    return text


def read_texts(c: Column) -> None:
    """Cells as trimmed texts; whole numbers of a spreadsheet without their '.0'."""
    for i, v in enumerate(c.cells):
        if blank(v):
            continue
        if isinstance(v, float) and v.is_integer():
            v = int(v)
        if isinstance(v, (dt.datetime, dt.date)):
            v = v.strftime("%Y-%m-%d")
        c.values[i] = str(v).strip()
