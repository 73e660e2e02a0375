"""Notes that several decisions share."""

from __future__ import annotations

from collections.abc import Sequence

from reliability.notes import Note
from reliability.slots.carried import Carried, Usable
from reliability.slots.promise import ModuleModel
from reliability.words import percent_text


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


def early_notes(model: ModuleModel, survival: float) -> list[Note]:
    """Early failures apart from the rest; and how many could have gone unseen among few units."""
    notes = []
    early = model.early_seen()
    if early:
        text = (
            f"Early failures of {', '.join(early)} stand apart from the rest: weak units, or a cause of their own. The "
            "promise allows for them; burn in what flies, and look at what failed early."
        )
        notes.append(Note("early_failures", text))
    name, units = min(((s.name, s.from_new) for s in model.slots), key=lambda s: s[1])
    unseen = 1 - 0.05 ** (1 / max(units, 1))
    if unseen > 1 - survival and any(not s.ages.any() for s in model.slots):
        text = (
            f"{name}: {units:g} units were watched from new. Weak units, up to {percent_text(unseen)} of all, could have gone "
            "unseen among so few; the model counts on fewer. Burn in what flies."
        )
        notes.append(Note("early_unseen", text))
    return notes
