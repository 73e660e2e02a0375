"""Which stresses a model of the records has, which is solved for, and where the others are held."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from reliability.life.stress import OneLevel, StressFit, Term
from reliability.notes import BadInput, CannotAnswer, NoEffect
from reliability.records import LifeRecords

KELVIN = 20.0
RATIO = 1.05
"""least range of temperatures, and ratio of other stresses, that is a stress and not scatter (choices)"""


def is_stress(name: str, values: np.ndarray) -> bool:
    """Whether a column was varied enough to tell an effect; a few kelvin or volts are scatter."""
    known = values[~np.isnan(values)]
    if np.unique(known).size < 2:
        return False
    low, high = float(known.min()), float(known.max())
    return high - low >= KELVIN if name == "temp_C" else high >= RATIO * low


USUAL = {"charge_V": "power", "energy_J": "power", "peak_A": "power", "temp_C": "arrhenius"}
"""stresses whose form is known"""


def varied_terms(records: LifeRecords, columns: Iterable[str] = USUAL) -> list[Term]:
    """Terms of those of these columns that were varied."""
    given = ((name, records.covariates.get(name)) for name in columns)
    return [Term(name, USUAL[name]) for name, v in given if v is not None and is_stress(name, v)]


def default_terms(records: LifeRecords) -> list[Term]:
    """Stress terms that the data themselves suggest: those known columns that vary.

    Voltage, energy and peak current go together: the first of them speaks for all.

    Raises
    ------
    OneLevel
        Where the charge voltage is recorded, but was not varied, and no other stress was.
    CannotAnswer
    """
    varied = varied_terms(records)
    power = [t for t in varied if t.form == "power"]
    out = [t for t in varied if t.form != "power" or t is power[0]]
    if not out:
        volts = records.covariates.get("charge_V", np.array([]))
        if np.isfinite(volts).any():
            raise OneLevel(Term("charge_V", "power"), float(np.nanmedian(volts)))
        for name, v in records.covariates.items():
            if is_stress(name, v) and (v[~np.isnan(v)] > 0).all():
                return [Term(name, "power")]
        raise CannotAnswer(
            "No stress column varies in these records, so life cannot be related to stress. Add "
            "charge_V to the sheets, and test some units at another voltage."
        )
    return out


def solved_for(terms: Sequence[Term]) -> str:
    """The stress to allow a level of: the charge voltage, else the first numeric one."""
    numeric = [t.column for t in terms if t.form != "categorical"]
    if not numeric:
        raise BadInput("none of the stress terms is numeric; there is no level to allow")
    return "charge_V" if "charge_V" in numeric else numeric[0]


def fixed_levels(
    fit: StressFit, column: str, use: Mapping[str, float | str]
) -> dict[str, float | str]:
    """Levels of the stresses that are not solved for.

    Raises
    ------
    BadInput
        For a level of a column that is no term of the model: it would change nothing.
    """
    held = {p.column for t in fit.terms for p in (t, *([t.other] if t.other else []))}
    for name in use:
        if name == column:
            raise NoEffect(
                f"use {name} has no effect here: {name} is what is solved for; compare it with the level allowed"
            )
        if name not in held:
            terms = ", ".join(sorted(t.name for t in fit.terms))
            raise NoEffect(
                f"use {name} has no effect here: it is no term of the stress model ({terms}); add it as a stress, or "
                "choose records that were tested at it"
            )
    out: dict[str, float | str] = {}
    for term in fit.terms:
        for part in (term, *([term.other] if term.other else [])):
            if part.column == column:
                continue
            values = fit.records.column(part.column)
            if part.column in use:
                out[part.column] = use[part.column]
            elif part.form == "categorical":
                labels, counts = np.unique(np.array([str(v) for v in values]), return_counts=True)
                out[part.column] = str(labels[counts.argmax()])
            else:
                out[part.column] = float(np.median(np.asarray(values, float)))
            if part.form == "categorical":
                known = sorted({f"{v:g}" if isinstance(v, float) else str(v) for v in values})
                if str(out[part.column]) not in known:
                    raise BadInput(
                        f"no {part.column} {out[part.column]!r} in the records; there are: {', '.join(known)}"
                    )
                out[part.column] = str(out[part.column])
            else:
                try:
                    out[part.column] = float(out[part.column])
                except ValueError:
                    raise BadInput(
                        f"{part.column} must be a number, not {out[part.column]!r}"
                    ) from None
    return out
