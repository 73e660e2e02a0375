"""A finding about a sheet: what looks odd, how grave, in which rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SEVERITIES = ("look", "doubt", "grave")


@dataclass(frozen=True)
class Finding:
    """One finding.

    Attributes
    ----------
    code : str
    severity : str
        ``look`` (worth a look), ``doubt`` or ``grave``.
    text : str
        What was found and what to do.
    rows : tuple of int
        Rows of the sheet (header = 1), the first twenty.
    """

    code: str
    severity: str
    text: str
    rows: tuple[int, ...] = ()


def rows_of(mask: np.ndarray) -> tuple[int, ...]:
    """Rows of the sheet (header = 1) that a mask marks, the first twenty."""
    return tuple(int(i) + 2 for i in np.flatnonzero(mask)[:20])
