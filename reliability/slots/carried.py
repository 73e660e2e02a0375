"""What of an operating point the records of a slot carry, stress by stress; what they do not is refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from reliability.filters import whole_units
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.exposure import SAME_VOLTAGE, voltages_differ
from reliability.slots.first_tests import first_test_text
from reliability.words import (
    capital,
    level_number,
    range_text,
    stress_level,
    volts_text,
)

Status = Literal["same as tested", "modelled", "by a sourced prior", "not recorded"]
Level = float | str
NAN = float("nan")

FARTHEST = 1.5
"""factor beyond the tested voltages up to which the power law is trusted (a choice)"""
SPREAD = 1.05
"""least ratio of tested voltages that tells an exponent (a choice)"""
FAILURES = 3
"""least failures that tell an exponent (a choice)"""
NEAR_KELVIN = 5.0
"""kelvin beyond the tested temperatures within which they count as tested (a choice)"""
NEAR_RATE = 3.0
"""factor beyond the tested rates within which they count as tested (a choice)"""


@dataclass(frozen=True)
class Carried:
    """How the records of a slot carry one stress of the operating point.

    Attributes
    ----------
    slot, stress : str
        ``stress`` is a column: ``charge_V``, ``temp_C``, ``rate_Hz``, ``part``.
    status : str
        ``same as tested``; ``modelled`` from tests at several levels; ``by a sourced prior`` (tests do
        not tell how life depends on it: the prior's spread is inside the bound); ``not recorded``.
    level : number or str
        Of the operating point.
    outside : float
        How far outside the tests, in spans of the tested levels (of logs for a voltage); 0 inside.
    text : str
        The same in words.
    """

    slot: str
    stress: str
    status: Status
    level: Level
    outside: float
    text: str


@dataclass(frozen=True)
class Usable:
    """The records of a slot that carry an operating point.

    Attributes
    ----------
    records : LifeRecords
    use_V : float
        Voltage that the model is asked for; nan where the voltage does not matter.
    carried : tuple of Carried
    left_out, not_recorded : tuple of str
        Records of the slot that do not bear on the operating point, in words: of other parts; with a
        part or voltage that is not recorded.
    """

    records: LifeRecords
    use_V: float
    carried: tuple[Carried, ...]
    left_out: tuple[str, ...] = ()
    not_recorded: tuple[str, ...] = ()


class NotCarried(CannotAnswer):
    """The records do not carry the operating point; the message says why, and what record would help."""


UNSEEN = "No unit was seen working beyond its start; add records of longer tests."


def refuse_unseen(records: LifeRecords) -> None:
    """Raise CannotAnswer where no unit was seen working: how early those that failed did so is not known."""
    if not (records.shots_good > records.shots_from).any():
        raise CannotAnswer(UNSEEN)


def _untested(why: str, test: str) -> NotCarried:
    """Not carried for want of a test: why, which test, and how far it would carry."""
    return NotCarried(f"{why} {test}: {first_test_text()}.")


def usable(slot: str, records: LifeRecords, point: Mapping[str, Level]) -> Usable:
    """Records of a slot for an operating point, and what of it they carry.

    Parameters
    ----------
    slot : str
    records : LifeRecords
        Of the slot; those of the module to be promised left out.
    point : mapping of column to level
        ``charge_V``, ``temp_C``, ``rate_Hz``, ``part`` as far as they are known.

    Raises
    ------
    NotCarried
    """
    if not len(records) or not (records.shots_good > records.shots_from).any():
        raise NotCarried(
            f"No unit of {slot} was seen working in the pool; test one, or leave the slot out."
        )
    said = []
    of_part, part = _part(slot, records, point)
    said += part
    kept, use_V, voltage = _voltage(slot, of_part, point)
    said += voltage
    said += _temperature(slot, kept, point) + _rate(slot, kept, point)
    other: list[str] = []
    unknown: list[str] = []
    if len(of_part) < len(records):
        unnamed, asked = records.part == "", str(point.get("part", ""))
        unknown += _left_out(slot, records.select(unnamed), "whose part is not recorded")
        others = records.select(~unnamed & (records.part != asked))
        other += _left_out(slot, others, f"of parts other than {asked}")
    if len(kept) < len(of_part):
        known = np.isfinite(of_part.covariates["charge_V"])
        unknown += _left_out(slot, of_part.select(~known), "whose charge voltage is not recorded")
    return Usable(kept, use_V, tuple(said), tuple(other), tuple(unknown))


def _left_out(slot: str, records: LifeRecords, which: str) -> list[str]:
    if not len(records):
        return []
    return [f"{slot}: units {which} are left out ({records.units:g}, failed {records.failures:g})"]


def _part(
    slot: str, records: LifeRecords, point: Mapping[str, Level]
) -> tuple[LifeRecords, list[Carried]]:
    parts = sorted(set(records.part.tolist()) - {""})
    asked = str(point.get("part", "") or "")
    if not parts:
        return records, []
    if not asked:
        if len(parts) > 1 or (records.part == "").any() or "part" in point:
            raise NotCarried(
                f"{slot}: the pool has parts {', '.join(parts)}, and it is not said which is meant; record the part, "
                f"or choose one (use part={parts[0]})."
            )
        return records, []
    own = whole_units(records, "part", records.part == asked)
    if not len(own) or not (own.shots_good > own.shots_from).any():
        raise _untested(
            f"{slot}: part {asked} was not tested; tests are of {', '.join(parts)}.",
            f"Choose one that was, or test some units of {asked}",
        )
    text = f"{own.units:g} units of part {asked}, {own.failures:g} failed"
    return own, [Carried(slot, "part", "same as tested", asked, 0.0, text)]


def _voltage(
    slot: str, records: LifeRecords, point: Mapping[str, Level]
) -> tuple[LifeRecords, float, list[Carried]]:
    volts = records.covariates.get("charge_V")
    known = np.zeros(len(records), bool) if volts is None else np.isfinite(volts)
    if volts is None or not known.any():
        return records, NAN, []
    own = whole_units(records, "charge_V", known)
    tested = own.covariates["charge_V"]
    low, high = float(tested.min()), float(tested.max())
    same = not voltages_differ(tested)
    asked = point.get("charge_V")
    if asked is None:
        if same and known.all():
            return (
                own,
                NAN,
                [
                    Carried(
                        slot,
                        "charge_V",
                        "not recorded",
                        NAN,
                        0.0,
                        f"all tests at {volts_text(low)}",
                    )
                ],
            )
        raise NotCarried(
            f"{slot}: the charge voltage is not known, and tests ran at {level_number(low)} to {volts_text(high)}; record charge_V, "
            f"or say it (use charge_V={low:g})."
        )
    use = float(asked)
    where = f"{volts_text(low)}" if same else f"{level_number(low)} to {volts_text(high)}"
    if same and abs(np.log(use / low)) < SAME_VOLTAGE:
        text = f"tested at {where}"
        return own, NAN, [Carried(slot, "charge_V", "same as tested", use, 0.0, text)]
    refuse_far("charge_V", use, low, high, slot)
    span = np.log(high / low) if not same else np.log(SPREAD)
    outside = float(max(np.log(low / use), np.log(use / high), 0.0) / span)
    told = high >= low * SPREAD and own.failures >= FAILURES and _failures_spread(own)
    place = _place(use, low, high)
    if told:
        text = f"{volts_text(use)} is {place} the tested {where}; life ~ V^-n fitted to them"
        return own, use, [Carried(slot, "charge_V", "modelled", use, outside, text)]
    text = (
        f"{volts_text(use)} is {place} the tested {where}, which do not tell how life depends on voltage: the exponent "
        "comes from a prior (7 with sd 4, as of ceramic and pulse film capacitors; of other parts it may be 0), its spread is in the bound"
    )
    return own, use, [Carried(slot, "charge_V", "by a sourced prior", use, outside, text)]


def _place(use: float, low: float, high: float) -> str:
    """Where a voltage stands to those tested, in words: ``inside``, ``12 % below``."""
    nearest = min(max(use, low), high)
    if use == nearest:
        return "inside"
    return f"{abs(use / nearest - 1):.0%} {'below' if use < low else 'above'}".replace("%", " %")


def _beyond_trust(column: str, level: float, low: float, high: float) -> bool:
    """Whether a level is farther from the tests than any law is trusted: a temperature by ``NEAR_KELVIN``, others ``FARTHEST`` times."""
    if column == "temp_C":
        return max(low - level, level - high) > NEAR_KELVIN
    # a level need not be above 0: away from the tests is towards 0 for some, away from it for others
    most = high * FARTHEST if high > 0 else high / FARTHEST
    least = low / FARTHEST if low > 0 else low * FARTHEST
    return not least <= level <= most


def refuse_far(
    column: str, level: float, low: float, high: float, slot: str = "", instead: str = ""
) -> None:
    """Refuse a level farther from those tested, ``low`` to ``high``, than any law is trusted.

    ``instead`` says what to do; unless given, a test there is advised, and what it would carry.

    Raises
    ------
    NotCarried
    """
    if not _beyond_trust(column, level, low, high):
        return
    limit = f"{NEAR_KELVIN:g} K" if column == "temp_C" else f"{FARTHEST:g} times"
    said = stress_level(column, level)
    why = f"{said} is more than {limit} beyond the tested {range_text(column, low, high)}; no law is trusted that far."
    why = f"{slot}: {why}" if slot else capital(why)
    if instead:
        raise NotCarried(f"{why} {instead}")
    raise _untested(why, f"Test some units at or near {said}")


def _failures_spread(records: LifeRecords) -> bool:
    """Whether failures were seen at two voltages that differ enough."""
    v = records.covariates["charge_V"][records.failed]
    return bool(v.size and v.max() >= v.min() * SPREAD)


def _temperature(slot: str, records: LifeRecords, point: Mapping[str, Level]) -> list[Carried]:
    low, high = _range(records, "temp_C")
    asked = point.get("temp_C")
    if asked is None or not np.isfinite(low):
        return []
    use = float(asked)
    beyond = max(low - use, use - high, 0.0)
    if _beyond_trust("temp_C", use, low, high):
        raise _untested(
            f"{slot}: {use:g} deg C lies {beyond:g} K outside the tested {low:g} to {high:g} deg C, and how life depends on "
            "temperature is not known from these records.",
            f"Test some units at {use:g} deg C",
        )
    text = f"tested at {low:g} to {high:g} deg C"
    return [Carried(slot, "temp_C", "same as tested", use, beyond / max(high - low, 1.0), text)]


def _rate(slot: str, records: LifeRecords, point: Mapping[str, Level]) -> list[Carried]:
    low, high = _range(records, "rate_Hz")
    asked = point.get("rate_Hz")
    if asked is None or not np.isfinite(low):
        return []
    use = float(asked)
    if use > high * NEAR_RATE or use < low / NEAR_RATE:
        raise _untested(
            f"{slot}: {use:.3g} shots a second is more than {NEAR_RATE:g} times beyond the tested {low:.3g} to {high:.3g}.",
            "Test some units at that pace",
        )
    text = f"tested at {low:.3g} to {high:.3g} shots a second"
    return [Carried(slot, "rate_Hz", "same as tested", use, 0.0, text)]


def _range(records: LifeRecords, column: str) -> tuple[float, float]:
    v = records.covariates.get(column)
    if v is None or np.isnan(v).all():
        return NAN, NAN
    return float(np.nanmin(v)), float(np.nanmax(v))
