"""The bench that a test runs on: its pace, stands and costs; and a plan as a sheet to fill in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reliability.decisions.question import Question, setting
from reliability.notes import BadInput
from reliability.records import LifeRecords

SECONDS_A_DAY = 86400.0


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
    """

    rate_Hz: float = 1 / 3
    stands: int = 1
    unit_cost: float = 0.0
    day_cost: float = 0.0

    def days(self, units: int, shots: float) -> float:
        """Bench days for so many units of so many shots each."""
        return float(np.ceil(units / self.stands) * shots / self.rate_Hz / SECONDS_A_DAY)

    def cost(self, units: int, shots: float) -> float:
        """Cost of such a test."""
        return units * self.unit_cost + self.days(units, shots) * self.day_cost


class OnBench(Question):
    """Settings of the bench."""

    rate_hz: float = setting(1 / 3, "Shots a second on the bench.", unit="shots/s", gt=0)
    stands: int = setting(1, "Units that can run at once.", ge=1, le=10_000)
    unit_cost: float = setting(0.0, "Price of a unit, any currency.", ge=0)
    day_cost: float = setting(0.0, "Price of a bench day.", ge=0)

    def bench(self) -> Bench:
        """The bench."""
        return Bench(self.rate_hz, self.stands, self.unit_cost, self.day_cost)


def one_slot(records: LifeRecords) -> LifeRecords:
    """The records, if they are of one slot: a plan tests one kind of part. Raises BadInput."""
    slots = sorted(set(records.slot.tolist()))
    if len(slots) > 1:
        raise BadInput(f"these records are of several slots; choose one: slot {', '.join(slots)}")
    return records


def plan_rows(
    units: int, builder: str, slot: str, stress: Sequence[dict[str, float]] = ()
) -> list[dict[str, object]]:
    """An empty life sheet for a plan: one row a unit, ready to fill in."""
    out = []
    for i in range(units):
        row: dict[str, object] = {
            "builder": builder, "module": f"plan-{i + 1:02d}", "slot": slot, "unit": f"u{i + 1}",
            "shots_from": "", "shots_good": "", "shots_failed": "", "mode": "",
        }  # fmt: skip
        row |= stress[i] if i < len(stress) else {}
        out.append(row)
    return out
