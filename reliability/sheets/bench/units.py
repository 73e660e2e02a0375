"""Units in headers and cells, by a library of units, turned into the sheet's own."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

OWN = {
    "rated_V": "V", "charge_V": "V", "ignition_V": "V", "capacitance_uF": "uF", "energy_J": "J", "peak_A": "A",
    "rate_Hz": "Hz", "period_s": "s", "temp_C": "degC", "pressure_Pa": "Pa",
}  # fmt: skip
COUNTS = ("shots", "shots_from", "shots_good", "shots_failed", "commanded", "misfires", "count")
_BRACKETS = re.compile(r"[\[(]\s*([^\[\]()]{1,24}?)\s*[\])]")
_LARGE = (
    (1e3, r"1[ .,']?000|10\^?3|1e3|k|tsd\.?|tausend|thousands?|milliers|miles|migliaia|tys\.?|tis\.?|\u0442\u044b\u0441\.?|\u5343"),
    (1e4, r"10\^?4|1e4|\u4e07"),
    (1e5, r"10\^?5|1e5|lakhs?|lacs?"),
    (1e6, r"1[ .,']?000[ .,']?000|10\^?6|1e6|(?-i:M)|mio\.?|mln\.?|mill\.?|millions?|millionen|millones|milioni|\u043c\u043b\u043d\.?"),
)  # fmt: skip
_TIMES = tuple(
    (factor, re.compile(rf"(?:x|\u00d7|\*|in)?\s*(?:{words})(?:\s*\w{{0,12}})?", re.I))
    for factor, words in _LARGE
)
"""words for large numbers that counts are written in, and the number"""
_EXACT = {
    "\u00b5F": "uF", "\u03bcF": "uF", "\u00b0C": "degC", "\u00b0F": "degF", "\u00baC": "degC", "\u00baF": "degF", "Torr": "torr",
    "1/s": "Hz", "s-1": "Hz", "s^-1": "Hz", "1/min": "1/minute", "/min": "1/minute", "shots/min": "1/minute", "shots/s": "Hz",
    "\u0412": "V", "\u043a\u0412": "kV", "\u043c\u043a\u0424": "uF", "\u043d\u0424": "nF", "\u043f\u0424": "pF", "\u0424": "F", "\u0414\u0436": "J", "\u0413\u0446": "Hz",
    "Volt": "V", "Volts": "V", "volts": "V", "sec": "s", "min": "minute", "Sek": "s", "\u00b5s": "us",
}  # fmt: skip
_TEMPERATURE = {"C": "degC", "F": "degF", "K": "kelvin", "degC": "degC", "degF": "degF"}
_KNOWN = [
    "V",
    "mV",
    "kV",
    "MV",
    "uF",
    "nF",
    "pF",
    "mF",
    "F",
    "J",
    "mJ",
    "kJ",
    "uJ",
    "A",
    "mA",
    "kA",
    "Hz",
    "kHz",
    "mHz",
    "s",
    "ms",
    "us",
    "ns",
    "minute",
    "h",
    "degC",
    "degF",
    "kelvin",
    "Pa",
    "hPa",
    "kPa",
    "MPa",
    "mPa",
    "mbar",
    "bar",
    "torr",
    "mtorr",
    "atm",
    "ohm",
    "mohm",
    "kohm",
    "g",
    "mg",
    "ug",
    "mm",
    "um",
]


@dataclass(frozen=True)
class Unit:
    """A unit found: its name for the library, as written, and whether its letters' case was mended."""

    name: str
    written: str
    mended: bool = False


@lru_cache(1)
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(cache_folder=None)


def unit_named(text: str, column: str) -> Unit | None:
    """The unit that a text names, if it can be one of that column; None otherwise."""
    t = text.strip().strip(".").replace(" ", "")
    if not t or len(t) > 16:
        return None
    own = OWN.get(column)
    name = _TEMPERATURE.get(t) if column == "temp_C" else None
    name = name or _EXACT.get(t) or (t if t in _KNOWN else None)
    mended = False
    if name is None:
        same = [k for k in _KNOWN if k.lower() == t.lower()]
        same = [k for k in same if own is None or _fits(k, own)]
        if not same and t.lower() in ("mfd", "\u00b5fd", "ufd"):
            same = ["uF"]
        if not same:
            return None
        name, mended = same[0], True
    if own is not None and not _fits(name, own):
        return None
    return Unit(name, text.strip(), mended)


def _fits(name: str, own: str) -> bool:
    r = _registry()
    return bool(r.Unit(name).dimensionality == r.Unit(own).dimensionality)


@lru_cache(256)
def _line(name: str, own: str) -> tuple[float, float]:
    """Slope and offset from a unit to our own."""
    r = _registry()
    zero = float(r.Quantity(0.0, name).to(own).magnitude)
    return float(r.Quantity(1.0, name).to(own).magnitude) - zero, zero


def converted(value: float, name: str, column: str) -> float:
    """A value in the column's own unit, to 12 digits so that 1.2 kV is 1200 V."""
    own = OWN[column]
    if name == own:
        return value
    slope, zero = _line(name, own)
    return float(f"{value * slope + zero:.12g}")


def times(text: str) -> float:
    """The number that a unit text multiplies counts by, such as 1,000 for ``x1000``, ``k`` or ``Tsd.``; 0 for none."""
    t = text.strip()
    return next((factor for factor, words in _TIMES if words.fullmatch(t)), 0.0)


def split_header(header: str) -> tuple[str, str]:
    """A header's name and unit text: ``U [kV]``, ``C (nF)``, ``Voltage / kV``, ``Spannung in kV``, ``charge_kV``, ``x1000 shots``."""
    h = " ".join(header.split())[:120]
    if found := _BRACKETS.search(h):
        name = (h[: found.start()] + " " + h[found.end() :]).strip()
        if name:
            return name, found.group(1)
    for mark in (" / ", "/", " in ", ", "):
        name, found_mark, unit = h.rpartition(mark)
        if found_mark and name and (_unit_like(unit) or times(unit)):
            return name.strip(), unit.strip()
    if found := re.fullmatch(r"(?:x|\u00d7)\s*(1[ .,']?000|k)\s+(\D.*)", h, re.I):
        return found.group(2), "x1000"
    if found := re.fullmatch(r"k[- ]?(shots?|pulses?|schuss|sch\u00fcsse|tirs|cycles)", h, re.I):
        return found.group(1), "x1000"
    name, found_mark, unit = h.rpartition("_") if "_" in h else h.rpartition(" ")
    if found_mark and name and _unit_like(unit) and len(unit) > 1 - (unit in "VFJAC"):
        return name, unit
    if (
        found_mark
        and name
        and (unit.lower() == "k" or re.fullmatch(r"(?:x|\u00d7)1[.,']?000", unit, re.I))
    ):
        return name, "x1000"
    return h, ""


def _unit_like(text: str) -> bool:
    t = text.strip().replace(" ", "")
    return (
        t in _KNOWN
        or t in _EXACT
        or t in _TEMPERATURE
        or t in ("kv", "KV", "nf", "NF", "uf", "UF", "mfd", "MS")
    )
