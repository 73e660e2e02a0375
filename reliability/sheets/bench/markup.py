"""Tables in JSON, JSON lines, HTML and Markdown as rows of cells."""

from __future__ import annotations

import json
import math
import re
from html.parser import HTMLParser
from typing import Any

from reliability.sheets.limits import LIMITS
from reliability.sheets.table import refuse

_RULE = re.compile(r":?-{2,}:?")


def markup_rows(name: str, text: str) -> tuple[list[list[Any]], str] | None:
    """Rows of a file of JSON, JSON lines or HTML and what it was; None for any other text.

    Raises
    ------
    SheetError
        If it begins as one of these but holds no table, or passes a limit.
    """
    head = text[:2000].lstrip()
    if head[:1] in ("{", "[") and (rows := _json(name, text)) is not None:
        return rows, "read as JSON, one record a row"
    if head[:1] == "<" and re.search(r"<table\b", text[:200_000], re.I):
        return _html(name, text), "read as HTML, its first table"
    return None


def without_rules(rows: list[list[Any]]) -> list[list[Any]]:
    """Rows of a Markdown table without bars at the ends and the line below its header, which becomes an empty row."""
    out = []
    for r in rows:
        cells = r[1:] if r and not str(r[0]).strip() else r
        full = [str(c).strip() for c in cells if str(c).strip()]
        out.append([] if full and all(map(_RULE.fullmatch, full)) else cells)
    return out


def _json(name: str, text: str) -> list[list[Any]] | None:
    try:
        found = json.loads(text)
    except RecursionError:
        raise refuse(name, "nested too deeply; one object a record is wanted") from None
    except ValueError:
        found = _json_lines(text)
        if found is None:
            return None
    if isinstance(found, dict):
        tables = [v for v in found.values() if isinstance(v, list)]
        found = tables[0] if len(tables) == 1 else [found]
    if not isinstance(found, list) or not found or not all(isinstance(r, dict) for r in found):
        return None
    names = list(dict.fromkeys(k for r in found for k in r))
    if len(names) > LIMITS.columns:
        raise refuse(name, LIMITS.refusal("columns"))
    if len(names) * len(found) > LIMITS.cells:
        raise refuse(name, LIMITS.refusal("cells"))
    return [list(names), *([_cell(name, r.get(k)) for k in names] for r in found)]


def _json_lines(text: str) -> list[Any] | None:
    try:
        return [json.loads(line) for line in text.splitlines() if line.strip()]
    except (ValueError, RecursionError):
        return None


def _cell(name: str, value: Any) -> Any:
    """A value as a cell: numbers and texts as they are, yes and no in words."""
    if isinstance(value, (dict, list)):
        raise refuse(name, "a record holds another object; each value is to be a number or a text")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        try:
            return float(value)
        except OverflowError:
            raise refuse(name, "a number of more than 300 digits") from None
    if isinstance(value, float) and not math.isfinite(value):
        raise refuse(name, f"{value} is not a number of anything")
    return value


class _Tables(HTMLParser):
    """The first table's cells; scripts and styles are no text."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[Any]] = []
        self.cells = 0
        self.into: list[str] | None = None
        self.open = self.done = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Begin a table, a row or a cell."""
        if tag == "table":
            self.open = not self.done
        elif self.open and tag == "tr":
            self._end_cell()
            self.rows.append([])
        elif self.open and tag in ("td", "th"):
            self._end_cell()
            self.into = []
        elif self.into is not None and tag == "br":
            self.into.append(" ")

    def handle_endtag(self, tag: str) -> None:
        """End a cell, and the first table."""
        if tag in ("td", "th", "tr", "table"):
            self._end_cell()
        if tag == "table" and self.open:
            self.open, self.done = False, True

    def handle_data(self, data: str) -> None:
        """A piece of a cell's text."""
        if self.into is not None:
            self.into.append(data)

    def _end_cell(self) -> None:
        if self.into is None:
            return
        if not self.rows:
            self.rows.append([])
        self.rows[-1].append(" ".join("".join(self.into).split()))
        self.cells += 1
        self.into = None


def _html(name: str, text: str) -> list[list[Any]]:
    if re.search(r"\b(?:row|col)span\s*=\s*[\"']?\s*0*(?:[2-9]|1\d)", text, re.I):
        raise refuse(name, "its table has cells over several rows or columns; save it as CSV")
    parser = _Tables()
    for at in range(0, len(text), 65536):
        parser.feed(text[at : at + 65536])
        if parser.cells > LIMITS.cells:
            raise refuse(name, LIMITS.refusal("cells"))
    if not parser.rows:
        raise refuse(name, "a table without rows")
    if max(map(len, parser.rows)) > LIMITS.columns:
        raise refuse(name, LIMITS.refusal("columns"))
    return parser.rows
