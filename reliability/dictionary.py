"""The data dictionary: every column of every sheet, its meaning, unit and what is allowed.

One table for the schemas of bundles, the page of definitions and whoever else describes columns.
Units are symbols of the International System, ``1`` for a plain number.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """What a column of a sheet holds.

    Attributes
    ----------
    name : str
    kind : str
        ``text`` or ``number``.
    meaning : str
        A sentence; what an empty cell means, where cells may be empty.
    unit : str
        ``""`` for texts.
    required : bool
        Whether the column must be there and every cell filled.
    least, most : float or None
        Smallest and largest value allowed.
    above : float or None
        Values must be greater than this.
    allowed : tuple of str
        The only texts allowed; empty: any.
    """

    name: str
    kind: str
    meaning: str
    unit: str = ""
    required: bool = False
    least: float | None = None
    most: float | None = None
    above: float | None = None
    allowed: tuple[str, ...] = ()


def _t(name: str, meaning: str, required: bool = False, allowed: tuple[str, ...] = ()) -> Column:
    return Column(name, "text", meaning, required=required, allowed=allowed)


def _shots(name: str, meaning: str, required: bool = False) -> Column:
    return Column(name, "number", meaning, "shots", required, least=0.0)


def _positive(name: str, unit: str, meaning: str) -> Column:
    return Column(name, "number", meaning, unit, above=0.0)


_WHERE = (
    _t("builder", "Short code of who built or tested the module; no person's name.", True),
    _t("module", "One thruster with its electronics.", True),
    _t("slot", "The place the part fills, such as main_capacitor, igniter, fuel, switch.", True),
)
_UNIT = _t("unit", "The one physical part; empty: not told apart.")

LIFE: tuple[Column, ...] = (
    *_WHERE,
    _UNIT,
    _t("lot", "Batch of the part."),
    _shots("shots_from", "Shots already on the unit when it came under watch; empty: 0."),
    _shots("shots_good", "Highest count at which the unit was known good; 0: never seen good.", True),
    _shots("shots_failed", "Count at which it was found failed; empty: not failed."),
    _t("mode", "Failure mode, several joined by |; unknown if not found; empty: not failed."),
    _t("event", "Same label on several rows of a module: one failure, these units under suspicion."),
    _t("removed", "Why a good unit was taken out; empty: end.", allowed=("end", "failure", "suspect")),
    Column("count", "number", "Identical units in this row; empty: 1.", "1", least=1.0),
    _t("part", "Type of the part."),
    _positive("rated_V", "V", "Rated voltage of one capacitor."),
    _positive("capacitance_uF", "uF", "Capacitance of one capacitor."),
    _positive("bank_parallel", "1", "Capacitors in parallel in the bank."),
    _positive("bank_series", "1", "Capacitors in series in the bank."),
    _positive("charge_V", "V", "Voltage to which the bank is charged before a shot."),
    _positive("energy_J", "J", "Energy of a shot."),
    _positive("peak_A", "A", "Peak current of the discharge."),
    Column(
        "reversal", "number", "Voltage reversal: first opposite peak as a fraction of the charge.", "1",
        least=0.0, most=1.0,
    ),
    _positive("rate_Hz", "Hz", "Shots a second."),
    Column("temp_C", "number", "Temperature of the part during the test.", "degC", above=-273.15),
    Column("pressure_Pa", "number", "Pressure around the part.", "Pa", least=0.0),
    _t("fuel", "Propellant."),
    _t("revision", "Revision of the design."),
    _t("date", "Date of the end of the stretch, as YYYY-MM-DD."),
    _t("note", "Anything else, for people."),
)  # fmt: skip
"""The life sheet: one row a life record."""

WEAR: tuple[Column, ...] = (
    *_WHERE,
    _UNIT,
    _shots("shots", "Shots on the unit at the reading.", True),
    _t("quantity", "What was read; its unit ends the name, such as capacitance_uF.", True),
    Column("value", "number", "The reading, in the unit that the quantity names.", "see quantity", True),
    Column(
        "uncertainty", "number", "Standard uncertainty of the reading, in the same unit; empty: unknown.",
        "see quantity", least=0.0,
    ),
)  # fmt: skip
"""wear.csv: one row a reading."""

MISFIRES: tuple[Column, ...] = (
    *_WHERE,
    _UNIT,
    _shots("shots", "Commanded shots at the event.", True),
    _t("event", "A misfire, or the start or end of the watch.", True, ("misfire", "start", "end")),
    _t("part", "Type of the part."),
)
"""misfires.csv: one row an event; one row ``end`` a unit."""

IGNITION: tuple[Column, ...] = (
    *_WHERE[:2],
    _shots("shots", "Shots on the igniter in this group.", True),
    Column("ignition_V", "number", "Ignition voltage.", "V", True),
    Column("commanded", "number", "Commanded shots of the group.", "1", True, above=0.0),
    Column(
        "misfires", "number", "Those that did not fire; not above commanded.", "1", True, least=0.0
    ),
)
"""ignition.csv: one row a group of shots."""

SHEETS: dict[str, tuple[Column, ...]] = {
    "life.csv": LIFE,
    "wear.csv": WEAR,
    "misfires.csv": MISFIRES,
    "ignition.csv": IGNITION,
}
"""Columns of each file of a bundle, in their usual order."""


def column_of(file: str, name: str) -> Column | None:
    """The definition of a column, None for a column that is the builder's own."""
    return next((c for c in SHEETS.get(file, ()) if c.name == name), None)
