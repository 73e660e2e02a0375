"""What a page of the site holds: plain values, whatever they were worked out from."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from reliability.citations import Citation
from reliability.notes import BadInput, Note

_NAME = re.compile(r"[a-z0-9][a-z0-9-]*")


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
    """A table of texts and numbers; numbers are shown as given, so round them first."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]

    def __post_init__(self) -> None:
        if any(len(r) != len(self.head) for r in self.rows):
            raise BadInput(f"table {self.title!r}: a row has not as many cells as the head")


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

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise BadInput(
                f"a page's name has lower case letters, digits and hyphens, not {self.name!r}"
            )
