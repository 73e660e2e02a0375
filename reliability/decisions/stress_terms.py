"""Which stresses a model of the records has, which is solved for, and where the others are held."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from reliability.decisions.operating import refuse_idle
from reliability.decisions.question import refuse_unless
from reliability.life.stress import OneLevel, StressFit, Term, label_of
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.carried import refuse_far

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
    NoEffect
        For a level of a column that is no term of the model.
    BadInput
        For a level that is none, or a label that no record has.
    NotCarried
        For a level farther from the tests than any law is trusted.
    """
    parts = [p for t in fit.terms for p in (t, *([t.other] if t.other else []))]
    refuse_unless(
        column not in use, f"use {column}", f"{column} is what is solved for; compare it with the level allowed"
    )  # fmt: skip
    terms = ", ".join(sorted(t.name for t in fit.terms))
    refuse_idle(use, {p.column for p in parts}, fit.records, f"the stress model ({terms})")
    held = (p for p in parts if p.column != column)
    return {
        p.column: _label_held(fit, p.column, use)
        if p.form == "categorical"
        else _number_held(fit, p.column, use)
        for p in held
    }


def _label_held(fit: StressFit, column: str, use: Mapping[str, float | str]) -> str:
    """The label asked for, else the commonest."""
    values = fit.records.column(column)
    if column not in use:
        labels, counts = np.unique(np.array([label_of(v) for v in values]), return_counts=True)
        return str(labels[counts.argmax()])
    known = sorted({label_of(v) for v in values})
    asked = label_of(use[column])
    if asked not in known:
        raise BadInput(f"no {column} {asked[:40]!r} in the records; there are: {', '.join(known)}")
    return asked


def _number_held(fit: StressFit, column: str, use: Mapping[str, float | str]) -> float:
    """The level asked for, where the tests carry it, else the median tested."""
    if column not in use:
        return float(np.median(np.asarray(fit.records.column(column), float)))
    try:
        level = float(use[column])
    except ValueError:
        raise BadInput(f"{column} must be a number, not {use[column]!r}") from None
    refuse_far(column, level, *fit.tested(column))
    return level
