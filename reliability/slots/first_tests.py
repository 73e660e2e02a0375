"""What a first test carries by itself, where the records carry nothing: the promise after units that all lasted."""

from __future__ import annotations

from functools import cache

import numpy as np

from reliability.records import LifeRecords
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.promise import ModuleModel

SURVIVAL, CONFIDENCE = 0.9, 0.95
SHOTS = 1000.0
FEW, MORE = 5, 20
"""units of the tests that are told of (choices)"""
PACE_HZ = 1 / 3
"""of usual tests (common practice)"""


@cache
def carried_by_good(units: int) -> float:
    """Share of a test's shots that its units, all good at its end, carry by themselves at 90 % and 95 %."""
    good = LifeRecords.of(np.full(units, SHOTS), np.full(units, np.inf))
    model = ModuleModel([slot_data("slot", good, Asked(float("nan")))])
    return model.promise(SURVIVAL, CONFIDENCE) / SHOTS


def first_test_text() -> str:
    """The same in words."""
    few, more = (SHOTS * carried_by_good(n) for n in (FEW, MORE))
    hours = FEW * SHOTS / PACE_HZ / 3600
    return (
        f"{FEW} units good there for {SHOTS:,.0f} shots each ({hours:.2g} hours of firing in all) would carry {few:,.0f} shots by "
        f"themselves (90 % survival at 95 % confidence), {MORE} units {more:,.0f}"
    )
