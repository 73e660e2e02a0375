"""Notes that several decisions share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from reliability.notes import CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.slots.carried import Carried, Usable
from reliability.slots.draws import SHAPE_MEDIAN, SHAPE_MEDIAN_SD
from reliability.slots.promise import FALLING, ModuleModel
from reliability.words import counted, percent_text, shots_text, so_many_shots

LITTLE = 0.05
"""difference of logs of two bounds below which they are said to be much the same (a choice)"""
MAY_FALL = 0.1
"""probability, after the records, of a shape of ``FALLING`` or less where the promise is held down, from which it is said, and
above 1 less which they show it; a choice, by simulation (tests/benchmarks/falling.py)"""
UNSEEN = 0.05
"""chance that a share of weak units larger than said showed none"""


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


def no_voltage_notes(records: LifeRecords) -> list[Note]:
    """That no record of the main capacitor says its voltage."""
    own = records.select(records.slot == "main_capacitor")
    volts = own.covariates.get("charge_V")
    if not len(own) or (volts is not None and np.isfinite(volts).any()):
        return []
    text = (
        "No record of the main capacitor says its charge voltage: the promise is for voltages as these units ran at, "
        "whatever they were. Record charge_V."
    )
    return [Note("no_voltage", text)]


def looked_bad_notes(raw: LifeRecords) -> tuple[Note, ...]:
    """Which of the records as they were given count as failed because their units looked bad."""
    bad = raw.suspects_failed().failed & ~raw.failed
    if not bad.any():
        return ()
    k = raw.count[bad].sum()
    text = (
        f"{k:g} unit{'s' if k != 1 else ''} taken out because {'they' if k != 1 else 'it'} looked bad count{'' if k != 1 else 's'} as failed "
        "there, which is the safe side."
    )
    return (Note("looked_bad", text),)


def unclear_notes(model: ModuleModel, survival: float, confidence: float) -> list[Note]:
    """How failures with several suspects, or of unknown mode, were shared out, and what not knowing costs the bound."""
    of = ((True, model.suspected(), "had several suspects", "suspects"),
          (False, model.of_unknown_mode(), "of unknown mode, or of one of several", "unknown_cause"))  # fmt: skip
    found = [(by, k, what, code) for by, k, what, code in of if k]
    if not found:
        return []
    cost = what_unclear_costs(
        model.promise(survival, confidence), model.as_if_known().promise(survival, confidence)
    )
    notes = []
    for by_suspects, k, what, code in found:
        reckoned = ", ".join(
            f"{v:.1f} to {n}" for n, v in sorted(model.reckoned(by_suspects).items())
        )
        text = f"{k} failure{'s' if k > 1 else ''} {what}; as estimated {reckoned}."
        notes.append(Note(code, f"{text} {cost}"))
    return notes


def what_unclear_costs(here: float, known: float) -> str:
    """What not knowing the causes of failures costs a bound: beside it that with the likeliest ones known."""
    if here > 0 and known > 0 and abs(np.log(here / known)) < LITTLE:
        return f"Not knowing which hardly moves the bound: {so_many_shots(here)}, {shots_text(known)} with the likeliest taken for known."
    return (
        f"The bound allows for not knowing which: {so_many_shots(here)}, where the likeliest known to be it would give "
        f"{shots_text(known)}."
    )


def early_text(slots: Sequence[str]) -> str:
    """What comes before an answer where early failures stand apart; empty where they do not."""
    names = ", ".join(s.replace("_", " ") for s in slots)
    return f"Early failures of the {names} stand apart from the rest. " if slots else ""


def declared_text(declared: bool) -> str:
    """What comes before an answer where early failures are declared out; empty where they are not."""
    return "With early failures declared out (burned in): " if declared else ""


def refuse_burned_in(model: ModuleModel) -> None:
    """Raise CannotAnswer where it is declared that no hazard falls and the records of a slot contradict it.

    They do where weak units stand apart, or where the odds for a shape below 1 are three to one or more
    (``ModuleModel.speaks_against_burn_in``).
    """
    against = model.speaks_against_burn_in() if model.burned_in else []
    if against:
        names = ", ".join(s.replace("_", " ") for s in against)
        raise CannotAnswer(
            f"no_early_failures is contradicted by the records: early failures of the {names} were seen. Leave the declaration out; or "
            "burn units in, and record them from then on (shots_from)."
        )


def burned_in_notes(model: ModuleModel) -> list[Note]:
    """What the declaration leaves out."""
    if not model.burned_in:
        return []
    text = (
        "No early failures, as declared: weak units, and shapes below 1, are left out of the bound; chance beside wear-out stays, and "
        "a constant hazard counts for more. If some hazard falls with shots all the same, the bound is too long."
    )
    return [Note("burned_in", text)]


def unseen_weak(model: ModuleModel, survival: float) -> float:
    """Share of weak units that may have gone unseen among those watched from new, where it could break the
    promise of a new unit; else 0."""
    if model.burned_in:
        return 0.0
    units = min(s.from_new for s in model.slots)
    unseen = 1 - UNSEEN ** (1 / max(units, 1))
    fresh = any(not s.ages.any() for s in model.slots)
    return unseen if fresh and unseen > 1 - survival and not model.early_seen() else 0.0


def unseen_text(share: float) -> str:
    """What a promise of new units takes for granted where weak ones may have gone unseen; empty where nothing."""
    return (
        f" That counts on burnt-in units: up to {percent_text(share)} weak ones could have gone unseen."
        if share
        else ""
    )


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
    hidden = unseen_weak(model, survival)
    if hidden:
        name, units = min(((s.name, s.from_new) for s in model.slots), key=lambda s: s[1])
        text = (
            f"{name}: {counted(units, 'unit')} {'was' if units == 1 else 'were'} watched from new. Weak units, up to {percent_text(hidden)} of all, could have gone "
            "unseen among so few; the model counts on fewer. Burn in what flies."
        )
        notes.append(Note("early_unseen", text))
    return notes


def group_notes(model: ModuleModel) -> list[Note]:
    """Whether the bound allows for builders and lots that differ."""
    apart = model.grouped()
    return apart_notes(apart, [s.name for s in model.slots if s.name in apart and s.flown < 0])


def apart_notes(apart: Sequence[str], new: Sequence[str]) -> list[Note]:
    """That builders and lots of slots may differ, those ``new`` being of one not tested."""
    if not apart:
        return []
    which = f"; of {', '.join(new)} for one not tested" if new else ""
    text = f"Builders and lots of {', '.join(apart)} may differ: the bound allows for as much as the records show or hide{which}."
    return [Note("groups", text)]


def alone_notes(promised: float, alone: Sequence[tuple[str, float]]) -> list[Note]:
    """Slots that by themselves would be promised less than the module, and why."""
    less = [f"{n} {shots_text(v)}" for n, v in alone if np.log1p(v) < np.log1p(promised) - LITTLE]
    if not less:
        return []
    text = (
        f"Less than the module by their own records alone: {', '.join(less)}. In the module the shapes of its other slots speak for "
        f"them too; who does not take the slots for alike (a shape common to all, spread by some 0.2 to 0.7 of its log) goes by the least."
    )
    return [Note("slot_alone_less", text)]


def falling_notes(model: ModuleModel, promised: float, confidence: float) -> list[Note]:
    """That hazards may fall with shots, of which promises are kept less often than is said; and what to do."""
    if not promised > 0 or not any(s.failures for s in model.slots):
        return []
    falls = model.falls(promised, confidence)
    if not MAY_FALL <= falls <= 1 - MAY_FALL:
        return []
    text = (
        f"Hazards may fall with shots where this promise is held down (shape {FALLING:g} or less: probability {percent_text(falls)}). Of "
        "simulated modules in nearly all of whose slots they do (shapes 0.7 to 0.84), and whose records say so much, promises said at "
        "95 % were kept in 91 to 93 %, said at 97 % in 95 to 96 %; of other modules in 91 % or more, 98 % on average. Who needs to be "
        "sure asks for 97 %; more failures, or good units, of the slot that holds it down tell more."
    )
    return [Note("may_fall", text)]


def few_notes(failures: Sequence[tuple[str, float]]) -> list[Note]:
    """What holds the shape of slots with few failures, and of those with none."""
    few = [n for n, r in failures if 0 < r <= 3]
    none = [n for n, r in failures if r == 0]
    notes = []
    if few:
        text = f"3 failures or fewer of {', '.join(few)}: a prior holds the shape there (about a median common to all slots; of that lognormal, median {SHAPE_MEDIAN}, sd of the log {SHAPE_MEDIAN_SD}; a choice, by simulation)."
        notes.append(Note("few_failures", text))
    if none:
        text = f"No failure is known of {', '.join(none)}: the bound allows what their exposure cannot exclude; the estimate takes them as lasting."
        notes.append(Note("no_failures_slot", text))
    return notes
