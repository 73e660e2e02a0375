"""The operating point of the session, as far as it bears on one slot's records."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard.controls import Controls, Pairs
from dashboard.shared import pool, state, store
from dashboard.words import plain_text

STRESSES = ("charge_V", "temp_C", "rate_Hz")


def point_of_slot(c: Controls, place: DeltaGenerator, label: str, part: bool = True) -> Pairs:
    """Voltage and part of the slot chosen, each only where its records say it; without the part where that is compared."""
    slot = _slot(c)
    known = {k: v for k, v in levels_of(slot).items() if part or k != "part"}

    def bears(column: str, level: str) -> bool:
        return column in known and (column != "part" or level in known["part"])

    point = _narrowed(c, place, slot, bears)
    if "charge_V" in known:
        point.number(place, "charge_V", label, 50.0)
    if len(known.get("part", [])) > 1:
        point.choice(place, "part", "Part", [str(p) for p in known["part"]])
    return point


def voltage_adjusted_for(c: Controls, place: DeltaGenerator, label: str) -> Pairs:
    """The voltage at which lives of a pool are shown: where it was varied."""
    slot = _slot(c)
    varied = len(levels_of(slot).get("charge_V", [])) > 1
    point = _narrowed(
        c, place, slot, lambda column, level: varied and column == "charge_V", "only the voltage is adjusted for"
    )  # fmt: skip
    if varied:
        point.number(place, "charge_V", label, 50.0)
    return point


def point_besides_voltage(c: Controls, place: DeltaGenerator) -> Pairs:
    """The rest of the operating point, where two voltages are compared."""
    slot = _slot(c)
    known = {k: v for k, v in levels_of(slot).items() if k != "charge_V"}

    def bears(column: str, level: str) -> bool:
        return column in known and (column != "part" or level in known["part"])

    point = _narrowed(c, place, slot, bears, "the two voltages are compared")
    if len(known.get("part", [])) > 1:
        point.choice(place, "part", "Part", [str(p) for p in known["part"]])
    return point


def _slot(c: Controls) -> str:
    given = c.values.get("slot", "")
    return given[0] if isinstance(given, tuple) and given else str(given or "")


def _narrowed(
    c: Controls, place: DeltaGenerator, slot: str, bears: Callable[[str, str], bool], why: str = ""
) -> Pairs:
    point = c.pairs("use")
    aside = point.narrow(bears)
    if aside:
        said = ", ".join(f"{column}={level}" for column, level in aside.items())
        why = why or f"records of {slot} do not tell"
        place.caption(plain_text(f"Set aside here, since {why}: {said}."))
    return point


def levels_of(slot: str) -> dict[str, list[float] | list[str]]:
    """Stresses and parts that a slot's records say, each with its levels."""
    return _levels(str(store().path), state(), slot)


@st.cache_resource(max_entries=64, show_spinner=False)
def _levels(path: str, version: str, slot: str) -> dict[str, list[float] | list[str]]:
    records = pool().life
    if records is None:
        return {}
    own = records.slot == slot
    out: dict[str, list[float] | list[str]] = {}
    for column in STRESSES:
        values = records.covariates.get(column)
        if values is not None:
            found = np.unique(values[own & np.isfinite(values)])
            if found.size:
                out[column] = found.tolist()
    parts = sorted(set(records.part[own].tolist()) - {""})
    if parts:
        out["part"] = parts
    return out
