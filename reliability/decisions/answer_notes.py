"""Notes that several decisions share."""

from __future__ import annotations

from collections.abc import Sequence

from reliability.notes import Note
from reliability.slots.carried import Carried, Usable


def carried_notes(carried: Sequence[Carried]) -> list[Note]:
    """What of the operating point is not simply as tested."""
    notes = []
    for c in carried:
        if c.outside > 0 and c.status != "same as tested":
            text = f"{c.slot}: {c.text}."
            notes.append(Note("extrapolated", text))
        elif c.status == "by a sourced prior":
            notes.append(Note("prior_stress", f"{c.slot}: {c.text}."))
    return list(dict.fromkeys(notes))


def left_out_notes(used: Sequence[Usable]) -> list[Note]:
    """Records that do not bear on the operating point, slot by slot; those that might are a note apart."""
    unknown = [text for u in used for text in u.not_recorded]
    other = [text for u in used for text in u.left_out]
    return [
        Note(code, "; ".join(dict.fromkeys(texts)) + ".")
        for code, texts in (("not_recorded", unknown), ("other_parts", other))
        if texts
    ]
