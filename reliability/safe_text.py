"""Text from outside made plain: no escape sequences, no hidden direction marks, bounded."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from typing import Any

_KEPT = {"\n", "\t"}
_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Unicode general categories that print nothing or steer: controls, formats, surrogates, unassigned"""


def for_terminal(text: str) -> str:
    """A text that may be written to a terminal, or stand on a page: what steers it is shown as ``\\x1b``, not obeyed.

    Line feeds and tabs stay. Everything of Unicode categories Cc, Cf, Cs, Co, Cn, Zl and Zp else
    (escape sequences, bidirectional overrides, zero-width marks) is shown by its number.
    """
    if text.isascii() and text.replace("\n", "").replace("\t", "").isprintable():
        return text
    out = []
    for c in text:
        if c in _KEPT or unicodedata.category(c) not in _UNSEEN:
            out.append(c)
        else:
            n = ord(c)
            out.append(f"\\x{n:02x}" if n < 256 else f"\\u{n:04x}" if n < 65536 else f"\\U{n:08x}")
    return "".join(out)


class TerminalSafe:
    """A text stream whose writes cannot steer a terminal; everything else is the stream's own."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write a text made plain by ``for_terminal``."""
        self._stream.write(for_terminal(text))
        return len(text)

    def writelines(self, lines: Iterable[str]) -> None:
        """Write several texts."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def bounded(text: object, most: int = 200) -> str:
    """One line of at most ``most`` characters without control or format characters, blanks joined."""
    raw = str(text)[: 4 * most]
    plain = "".join(
        " " if c.isspace() else c
        for c in raw
        if c.isspace() or unicodedata.category(c) not in _UNSEEN
    )
    line = " ".join(plain.split())
    return line if len(line) <= most else line[: most - 1] + "\u2026"
