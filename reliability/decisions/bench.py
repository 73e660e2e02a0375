"""The bench that a test runs on: its pace, stands and costs; and a plan as a sheet to fill in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from pydantic import model_validator

from reliability.decisions.question import Question, refuse_unless, setting
from reliability.notes import BadInput, Note
from reliability.records import LifeRecords
from reliability.words import bench_text, so_many_shots

SECONDS_A_DAY, HOURS_A_DAY, DAYS_A_YEAR = 86400.0, 24.0, 365.25
SETUP_HOURS = 1.0
"""to mount units, pump down and vent again, each time the stands are filled (common practice, no source)"""
INF = float("inf")
LONGEST_DAYS = 3652.5
"""bench days of the longest plan where it is not said how many there are: ten years (a choice)"""
FEW_SHOTS = 10
"""shots of a plan's units below which it is asked whether they are single shots (a choice)"""
ROUNDING = 1e-9
"""by which a longest test stays below its limit"""


@dataclass(frozen=True)
class Bench:
    """What a test takes.

    Attributes
    ----------
    rate_Hz : float
        Shots a second (about one in three seconds is usual; common practice).
    stands : int
        Units that can run at once.
    unit_cost, day_cost : float
        Price of a unit and of a bench day, any currency.
    setup_hours : float
        To mount and pump down, each time the stands are filled: without it the shortest tests would
        always seem the best.
    """

    rate_Hz: float = 1 / 3
    stands: int = 1
    unit_cost: float = 0.0
    day_cost: float = 0.0
    setup_hours: float = SETUP_HOURS

    def days(self, units: int, shots: float) -> float:
        """Bench days for so many units of so many shots each."""
        firing = shots / self.rate_Hz / SECONDS_A_DAY
        return self._fills(units) * (self.setup_hours / HOURS_A_DAY + firing)

    def longest(self, units: int, days: float) -> float:
        """Shots that each of so many units can run within so many days; 0 where setting them up takes longer."""
        firing = days / self._fills(units) - self.setup_hours / HOURS_A_DAY
        return max(firing, 0.0) * self.rate_Hz * SECONDS_A_DAY

    def _fills(self, units: int) -> float:
        return float(np.ceil(units / self.stands))

    def cost(self, units: int, shots: float) -> float:
        """Cost of such a test."""
        return units * self.unit_cost + self.days(units, shots) * self.day_cost


class OnBench(Question):
    """Settings of the bench."""

    rate_hz: float = setting(1 / 3, "Shots a second on the bench.", unit="shots/s", gt=0)
    stands: int = setting(1, "Units that can run at once.", ge=1, le=10_000)
    setup_hours: float = setting(
        SETUP_HOURS,
        "Hours to mount units and pump down, each time the stands are filled.",
        unit="h",
        ge=0,
    )
    unit_cost: float = setting(0.0, "Price of a unit, any currency.", ge=0)
    day_cost: float = setting(0.0, "Price of a bench day.", ge=0)

    def bench(self) -> Bench:
        """The bench."""
        return Bench(self.rate_hz, self.stands, self.unit_cost, self.day_cost, self.setup_hours)


class Limited(OnBench):
    """A bench with limits that no plan exceeds."""

    days: float | None = setting(None, "Bench days there are: no plan has more.", unit="days", gt=0)
    budget: float | None = setting(None, "Money there is: no plan costs more.", ge=0)

    @model_validator(mode="after")
    def _priced(self) -> Limited:
        priced = self.budget is None or self.unit_cost > 0 or self.day_cost > 0
        refuse_unless(
            priced,
            "budget",
            "money limits nothing until a unit (unit_cost) or a bench day (day_cost) has a price",
        )
        return self

    @property
    def most_days(self) -> float:
        """Bench days that no plan exceeds, said or not."""
        return LONGEST_DAYS if self.days is None else self.days

    def longest(self, units: int) -> float:
        """Most shots that each of so many units may run; 0 where the units alone cost too much."""
        bench, days = self.bench(), self.most_days
        if self.budget is not None:
            left = self.budget - units * bench.unit_cost
            days = min(days, left / bench.day_cost if bench.day_cost else INF) if left >= 0 else 0.0
        return bench.longest(units, days) * (1 - ROUNDING)

    def limits_in_words(self, *others: tuple[float | None, str]) -> str:
        """The limits as a sentence has them, ``others`` first."""
        given = (*others, (self.days, "bench days"), (self.budget, "of money"))
        said = [(v, name.removesuffix("s") if v == 1 else name) for v, name in given]
        return " and ".join(f"{v:,.6g} {name}" for v, name in said if v is not None)

    def exceeded_in_words(self, *others: tuple[float | None, str]) -> str:
        """The same where no plan keeps them: with the days that no plan exceeds, where none were said."""
        said = self.limits_in_words(*others)
        if self.days is not None:
            return said
        years = f"{LONGEST_DAYS / DAYS_A_YEAR:.0f} years of bench, the most where no days are given"
        return f"{said} and {years}" if said else years


def bench_and_money(days: float, cost: float) -> str:
    """What a test takes, in a sentence; the money where anything has a price."""
    return bench_text(days) + (f" and {cost:,.4g} of money" if cost else "")


def few_shots_notes(shots: float) -> tuple[Note, ...]:
    """That a plan is of single shots, where it has so few that the sheets may count something else."""
    if not shots < FEW_SHOTS:
        return ()
    text = (
        f"The plan is of {so_many_shots(shots)} a unit: a plan counts single shots, and so does its bench time. Where the "
        "sheets count thousands, or hours, give them in shots first."
    )
    return (Note("few_shots", text),)


def one_slot(records: LifeRecords) -> LifeRecords:
    """The records, if they are of one slot: a plan tests one kind of part. Raises BadInput."""
    slots = sorted(set(records.slot.tolist()))
    if len(slots) > 1:
        raise BadInput(f"these records are of several slots; choose one: slot {', '.join(slots)}")
    return records


def plan_row(
    unit: int, slot: str, shots_from: float = 0.0, stress: Mapping[str, float] | None = None
) -> dict[str, object]:
    """A row of a plan's empty life sheet, ready to fill in."""
    return {
        "builder": "me", "module": f"plan-{unit + 1:02d}", "slot": slot, "unit": f"u{unit + 1}",
        "shots_from": shots_from or "", "shots_good": "", "shots_failed": "", "mode": "", **(stress or {}),
    }  # fmt: skip
