"""A second opinion without a family, beside a stress model or a comparison of builders, when asked for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reliability.decisions.question import setting
from reliability.life.second_opinion import (
    Design,
    GroupOpinion,
    Parametric,
    StressOpinion,
    cox_of_groups,
    cox_of_stress,
)
from reliability.life.stress import StressFit
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords

Array = NDArray[np.float64]


def opinion_setting() -> Any:
    """Whether a second opinion is wanted; it takes a second or two, hence by name."""
    return setting(
        False,
        "Add a second opinion that supposes no family of lives (Cox regression, modules as clusters).",
    )


def opinion_on_stress(
    fit: StressFit, column: str, confidence: float
) -> tuple[StressOpinion | None, list[Note]]:
    """The hazard against one stress without a family, in strata of the model's categorical terms.

    Where it cannot be had there is a note that says why.
    """
    others = [t for t in fit.terms if t.column != column or t.other is not None]
    plain = [t.column for t in others if t.form == "categorical" and t.other is None]
    left = [t.name for t in others if t.column not in plain]
    exponent = _exponent(fit, column)
    against = None
    if exponent is not None and not left:
        against = Parametric(exponent, 1.0 / fit.sigma, fit.family.name)
    labels = zip(*(map(str, fit.records.column(c)) for c in plain), strict=True)
    strata = np.array([" ".join(row) for row in labels], dtype=object) if plain else None
    design = Design(strata, modules(fit.records), confidence)
    try:
        found = cox_of_stress(fit.records, column, against, design)
    except (BadInput, CannotAnswer) as e:
        return None, [Note("no_second_opinion", f"No second opinion: {str(e).rstrip('.')}.")]
    notes = []
    if left:
        text = f"The second opinion takes no account of {', '.join(left)}; it is not compared with the model."
        notes.append(Note("second_opinion_partial", text))
    return found, notes


def opinion_on_groups(
    records: LifeRecords, adjust: Mapping[str, Array], confidence: float
) -> tuple[GroupOpinion | None, list[Note]]:
    """Builders' hazards against each other without a family; a note where that cannot be had."""
    design = Design(None, modules(records), confidence)
    try:
        return cox_of_groups(records, records.builder, adjust, design), []
    except (BadInput, CannotAnswer) as e:
        return None, [Note("no_second_opinion", f"No second opinion: {str(e).rstrip('.')}.")]


def modules(records: LifeRecords) -> NDArray[np.object_]:
    """The module of each record, by builder: what shares electronics may fail together."""
    both = zip(records.builder.tolist(), records.module.tolist(), strict=True)
    return np.array([f"{b} {m}" for b, m in both], dtype=object)


def _exponent(fit: StressFit, column: str) -> float | None:
    """n of ``life ~ stress^-n``, where the model has that form."""
    for c, value in zip(fit.design, fit.coefficients, strict=True):
        if c.term.column == column and c.term.form == "power" and c.term.other is None:
            return float(value)
    return None
