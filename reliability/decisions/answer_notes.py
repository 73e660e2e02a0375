"""Notes that several decisions share."""

from __future__ import annotations

from collections.abc import Sequence

from reliability.notes import Note
from reliability.slots.carried import Carried, Usable
from reliability.slots.promise import Cut, ModuleModel
from reliability.slots.suspects import SuspectedModel
from reliability.words import shots_text


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


def suspect_notes(model: ModuleModel, survival: float, cut: Cut) -> list[Note]:
    """How the failures with several suspects were shared out, and what not knowing costs the bound."""
    if not isinstance(model, SuspectedModel):
        return []
    reckoned = ", ".join(f"{v:.1f} to {n}" for n, v in sorted(model.reckoned().items()))
    k = len(model.events)
    here, known = model.promise(survival, cut), model.as_if_known(survival, cut)
    text = (
        f"{k} failure{'s' if k > 1 else ''} had several suspects; as estimated {reckoned}. The bound allows for not knowing "
        f"which: {shots_text(here)} shots, where known causes in these shares would give {shots_text(known)}."
    )
    return [Note("suspects", text)]


def few_notes(failures: Sequence[tuple[str, float]]) -> list[Note]:
    """What holds the shape of slots with few failures, and of those with none."""
    few = [n for n, r in failures if 0 < r <= 3]
    none = [n for n, r in failures if r == 0]
    notes = []
    if few:
        text = f"3 failures or fewer of {', '.join(few)}: a prior holds the shape there (lognormal, median 1.3, 95 % in 0.4 to 4.2; a choice, by simulation)."
        notes.append(Note("few_failures", text))
    if none:
        text = f"No failure is known of {', '.join(none)}: the bound allows what their exposure cannot exclude; the estimate takes them as lasting."
        notes.append(Note("no_failures_slot", text))
    return notes
