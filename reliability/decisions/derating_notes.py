"""What to know of an allowed level: parts mixed, bank, extrapolation, rating, other builders."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reliability.decisions.bank import Bank
from reliability.decisions.operating import OfOnePart
from reliability.life.families import normal_quantile
from reliability.life.pooling import fit_pooled
from reliability.life.stress import StressFit, Term
from reliability.notes import CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.words import level_text, range_text, shots_text, so_many_shots, volts_text


def failed_suspects_note(records: LifeRecords) -> list[Note]:
    """That failures with several suspects count as failures, where there are such."""
    k = int(((records.event != "") & records.failed).sum())
    if not k:
        return []
    text = (
        f"Suspects among the units: {k}. One of several units failed, and it is not known which; suspects count as failed here, which "
        "is on the safe side; the life of the slot (life) and the module's share them out."
    )
    return [Note("suspects_failed", text)]


def one_part_note(one: OfOnePart) -> tuple[Note, ...]:
    """Which of several parts the level is of."""
    if not one.left_out:
        return ()
    text = (
        f"The level is of part {one.part}; left out are {one.left_out}. Each part by itself: derate --compare; several "
        "chosen by name are mixed."
    )
    return (Note("one_part", text),)


def parts_note(records: LifeRecords, terms: Sequence[Term]) -> list[Note]:
    """Where parts of several kinds stand for one: the level is of none of them."""
    parts = sorted(set(records.part.tolist()) - {""})
    if len(parts) < 2 or any(t.column == "part" for t in terms):
        return []
    text = (
        f"Parts {', '.join(parts)} are mixed here; the level is of their mixture and may be too high for the weakest. Choose "
        "one part, or ask for each by itself (derate --compare)."
    )
    return [Note("parts_mixed", text)]


def bank_notes(bank: Bank, survival: float) -> list[Note]:
    """What a bank other than those recorded asks of its capacitors."""
    if bank.as_recorded:
        return []
    own = bank.recorded[0] * bank.recorded[1]
    of = "a capacitor" if own == 1 else f"a bank of {own} as recorded"
    text = (
        f"{bank.parallel} in parallel, {bank.series} in series: all {bank.units} must survive, so {of} needs "
        f"survival {bank.record_survival(survival):.4g}."
    )
    if bank.series > 1:
        text += (
            " A short in a string is taken to end the bank; sharing is equal but for a margin of "
            f"{bank.unequal:.0%}."
        )
    return [Note("bank", text)]


def above_rating(level: float, rated: float) -> list[Note]:
    """A warning where the allowed voltage of a capacitor is above its rating (nan: not known)."""
    if not level > rated:
        return []
    text = f"The allowed voltage {volts_text(level)} is above the rating of {volts_text(rated)}: stay at or below the rating."
    return [Note("above_rating", text)]


def builder_margin(fit: StressFit, confidence: float) -> tuple[float, Note]:
    """Factor on the required life for a builder not seen, and what it rests on."""
    groups = sorted(set(fit.records.builder.tolist()))
    if len(groups) < 2:
        raise CannotAnswer("Allowing for another builder needs records of two builders or more.")
    pooled = fit_pooled(fit.records, fit.family, fit.records.builder, fit.x, fit.phi, confidence)
    spread = pooled.tau_mean * np.sqrt(1 + 1 / len(groups))
    factor = float(np.exp(normal_quantile(confidence) * spread))
    text = (
        f"For a builder not in the pool the required life is raised {factor:.2f} times: {len(groups)} builders' log "
        f"lives spread by {pooled.tau_mean:.2f} about the pool (random effect, most likely {pooled.tau:.2f})."
    )
    return factor, Note("builder_effect", text)


@dataclass(frozen=True)
class Found:
    """An allowed level of a single unit, nan where there is none.

    ``open_end`` is set where even the highest level looked at is allowed; ``least`` is the lowest level looked
    at and the bound on life there; ``rated`` is nan where it is not known or the stress is no voltage.
    """

    column: str
    tested: tuple[float, float]
    level: float
    open_end: bool
    least: tuple[float, float]
    rated: float


def allowed_notes(found: Found, shots: float) -> list[Note]:
    """What to know of an allowed level, ``shots`` having been required."""
    column, level = found.column, found.level
    low, high = found.tested
    if not np.isfinite(level):
        at, bound = found.least
        text = (
            f"Even at {level_text(column, at)}, the lowest that tests at "
            f"{range_text(column, low, high)} are trusted for, the bound on life is "
            f"{so_many_shots(bound)}, against {shots_text(shots)} required. Test more units, longer, at lower "
            "stress; or ask for less."
        )
        return [Note("none_allowed", text)]
    notes: list[Note] = []
    if found.open_end:
        text = f"Even {level_text(column, level)}, well above all tests, meets the requirement; tests say no more."
        notes.append(Note("beyond_search", text))
    if low == high and level != low:
        apart = f"{abs(1 - level / low):.0%} {'below' if level < low else 'above'}"
        text = f"{level_text(column, level)} was not tested: {level_text(column, low)} was, it is {apart}; confirm with a test there."
        notes.append(Note("extrapolated", text))
    elif level < low or level > high:
        width = high - low
        beyond = (low - level if level < low else level - high) / width
        text = (
            f"{level_text(column, level)} lies outside the tested {range_text(column, low, high)}, by {beyond:.1f} times "
            "the tested span"
        )
        text += (
            "; more than once the span is a guess, not a result. Test there."
            if beyond > 1
            else "; confirm with a test there."
        )
        notes.append(Note("extrapolated", text))
    return notes + above_rating(level, found.rated)
