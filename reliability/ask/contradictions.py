"""Contradictions: what files named together, or stored sheets, say against each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reliability.ask.giving import Looked
from reliability.ask.sources import AnySource, Stored
from reliability.notes import BadInput
from reliability.sheets.life import LifeSheet
from reliability.sheets.side import SideSheet
from reliability.sheets.table import SheetFault
from reliability.store.readings import stored_reading_contradictions, together_faults


def against_each_other(found: Sequence[Looked]) -> list[SheetFault]:
    """What sound files say against each other: contradictions, both rows named."""
    sheets = [s for f in found for s in f.sheets]
    lives = [s for s in sheets if isinstance(s, LifeSheet)]
    sides = [(f.reading.file, n, c) for f in found for n, c in f.other.items()]
    sides += [(s.file, s.name, s.content) for s in sheets if isinstance(s, SideSheet)]
    return together_faults(lives, sides)


@dataclass(frozen=True)
class Contradictions:
    """What stored sheets say against each other, and how to mend it.

    Attributes
    ----------
    life, readings : tuple of str
        Life records against each other; readings and misfires against life records.
    """

    life: tuple[str, ...]
    readings: tuple[str, ...]

    @property
    def mend(self) -> str:
        """How to mend them."""
        return (
            "To mend: correct the file, then 'shotlife add FILE --supersedes N' with the number of its contribution; "
            "or leave one of the two out by 'shotlife records --decline N'. Nothing is deleted."
        )


def contradictions_of(source: AnySource) -> Contradictions:
    """Contradictions in a store from before they were refused. Raises BadInput, StoreError."""
    if not isinstance(source, Stored):
        raise BadInput("contradictions are listed of a store; files that contradict are refused")
    if not source.box.exists:
        return Contradictions((), ())
    return Contradictions(
        tuple(source.box.contradictions()), tuple(stored_reading_contradictions(source.box))
    )
