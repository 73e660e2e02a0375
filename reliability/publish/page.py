"""What a page of the site holds: plain values, whatever they were worked out from."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from reliability.citations import Citation
from reliability.notes import BadInput, Note

_NAME = re.compile(r"[a-z0-9][a-z0-9-]*")
_NUMBER = re.compile(r"(less than |more than )?-?[0-9][0-9.,]*(e[-+]?[0-9]+)?( ?%)?")
_NOTHING = ("", "–")


def _is_numeric(cell: Any) -> bool:
    return not isinstance(cell, str) or cell in _NOTHING or bool(_NUMBER.fullmatch(cell))


@dataclass(frozen=True)
class Figure:
    """A picture as a Vega-Lite description, with its data inside.

    Attributes
    ----------
    title : str
    spec : mapping
        Vega-Lite; data by address are refused, the site must work without network. Empty where the data
        are too many for a page: then it is left out, and said.
    description : str
        What is to be seen, for those who do not see it.
    """

    title: str
    spec: Mapping[str, Any]
    description: str


@dataclass(frozen=True)
class Table:
    """A table of texts and numbers; numbers are shown as given, so round them first.

    ``text`` is a line under its title; a table without title follows the one before.
    """

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    text: str = ""

    def __post_init__(self) -> None:
        if any(len(r) != len(self.head) for r in self.rows):
            raise BadInput(f"table {self.title!r}: a row has not as many cells as the head")

    @property
    def numeric(self) -> tuple[bool, ...]:
        """Which columns hold numbers, shares or nothing only: these stand to the right."""
        return tuple(
            all(_is_numeric(r[i]) for r in self.rows)
            and any(r[i] not in _NOTHING for r in self.rows)
            for i in range(len(self.head))
        )


@dataclass(frozen=True)
class Basis:
    """A line of what a page rests on: what, and its value."""

    what: str
    value: str


@dataclass(frozen=True)
class Page:
    """One decision on one page.

    Attributes
    ----------
    name : str
        File name without ending: lower case letters, digits and hyphens.
    title : str
    sentence : str
        The answer in a sentence.
    text : tuple of str
        Paragraphs below it.
    figures : tuple of Figure
    tables : tuple of Table
    code : tuple of (heading, text)
        Blocks shown letter for letter.
    basis : tuple of Basis
    notes : tuple of Note
    bench : bool
        Whether the page leads to work at the bench; then the cautions stand on it.
    contents : tuple of (page name, title, sentence)
        Other pages, listed with links.
    citations : tuple of Citation
        Contributions and published facts that the page rests on.
    files : tuple of str
        Files of the site to take away, such as ``data/template.csv``.
    """

    name: str
    title: str
    sentence: str
    text: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()
    code: tuple[tuple[str, str], ...] = ()
    basis: tuple[Basis, ...] = ()
    notes: tuple[Note, ...] = ()
    bench: bool = False
    contents: tuple[tuple[str, str, str], ...] = ()
    citations: tuple[Citation, ...] = ()
    files: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise BadInput(
                f"a page's name has lower case letters, digits and hyphens, not {self.name!r}"
            )
