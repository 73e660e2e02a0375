"""What stands beside the headline of a life: the slot's own model where the headline is another's, and siblings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reliability.decisions.answer_notes import LITTLE
from reliability.decisions.life_answer import LifeAnswer
from reliability.decisions.own_model import Asking, OfSlot
from reliability.decisions.siblings import SEVERAL_CAUSES, Looked, Wish, look_at, sibling_notes
from reliability.notes import Note
from reliability.records import LifeRecords
from reliability.slots.promise import ModuleModel
from reliability.words import shots_text, so_many_shots

MOST_UNITS, MOST_FAILURES = 5000, 300
"""more than these, and both bounds say much the same (a choice, for time)"""


def beside_headline(found: LifeAnswer, of: OfSlot, pool: LifeRecords, q: Asking) -> LifeAnswer:
    """The answer with its second line, and with what the slot's own model says where the headline is calibrated.

    Parameters
    ----------
    found : LifeAnswer
    of : OfSlot
        What it rests on.
    pool : LifeRecords
        All records at hand, of any slot.
    q : Asking
    """
    if not found.quantiles or of.mixed:
        return found
    if q.mode:
        if of.shared:
            why = [Looked(str(of.records.slot[0]), None, SEVERAL_CAUSES)]
            return replace(found, notes=found.notes + sibling_notes(why))
        pool = pool.of_mode(q.mode)
    wish, own = Wish(1 - q.fraction[0], q.confidence), of.own
    looked = look_at(own.whole, own.place, of.asked, pool, wish)
    notes = found.notes + own_model_note(found, own.model) + sibling_notes([looked])
    return replace(found, as_siblings=looked.found if looked else None, notes=notes)


def own_model_note(found: LifeAnswer, model: ModuleModel) -> tuple[Note, ...]:
    """Where the headline is another bound: the slot's own model by which modules are promised, and why it differs."""
    slot, b = model.slots[0], found.quantiles[0]
    small = slot.units.end.size <= MOST_UNITS and slot.failures <= MOST_FAILURES
    by_prior = found.bound == "prior" or bool(found.problem)
    if not (found.bound == "calibrated" or by_prior) or not small:
        return ()
    own = model.promise(1 - b.fraction, found.confidence)
    if not (own > 0 and b.lower > 0) or abs(np.log(own / b.lower)) < LITTLE:
        return ()
    here = (
        "another prior holds the shape, and nothing else is reckoned."
        if by_prior
        else "the shape is free and the bound calibrated, which is kept at falling hazards too (the other in 91 % at shape 0.7, "
        "where 95 % is said). Neither is the safer one everywhere."
    )
    text = (
        f"module and flight promise by the slot's own model, by which this bound would be {so_many_shots(own)}, not {shots_text(b.lower)}. "
        f"There a prior holds the shape, early failures or chance may stand beside wear-out, and one failure more is reckoned; here {here}"
    )
    return (Note("own_model", text),)
