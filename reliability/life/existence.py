"""Does a maximum of the likelihood exist? Decided before any iteration.

The likelihood in ``(1/sigma, -mu/sigma)`` is concave, so it lacks a maximum exactly where some
direction never lowers it. Such a direction is a count ``c`` at which every unit could have
failed: all exact failures at c, all good counts at or below it, all failed counts at or above it.
The shape then runs to infinity. Where no failure is exact it may also run to 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reliability.records import LifeRecords


@dataclass(frozen=True)
class Existence:
    """Whether a fit exists; if not, ``reason`` (for people) and ``code`` say why."""

    exists: bool
    code: str = ""
    reason: str = ""


def check_existence(records: LifeRecords, shape_free: bool = True) -> Existence:
    """Whether a location-scale model without covariates has a maximum on these records.

    Parameters
    ----------
    records : LifeRecords
    shape_free : bool
        False for the exponential, which needs one failure only.
    """
    failed = records.failed
    if len(records) == 0:
        return Existence(False, "no_records", "There are no records.")
    if not failed.any():
        return Existence(
            False,
            "no_failures",
            "No unit has failed: the data bound the life from below but cannot fix it.",
        )
    informative_good = records.shots_good > records.shots_from
    if not shape_free:
        if not informative_good.any():
            return Existence(
                False,
                "all_left_censored",
                "Every unit failed before its first inspection: the data bound the life from above "
                "only. Inspect earlier.",
            )
        return Existence(True)
    low = records.shots_good.max()
    high = records.shots_failed.min()
    if low <= high:
        exact = records.exact
        if exact.any() and np.unique(records.shots_good[exact]).size == 1 and low == high:
            reason = (
                f"Every failure stands at {high:g} shots and no unit was seen good beyond it: the "
                "spread of life cannot be told from these data."
            )
            return Existence(False, "one_failure_count", reason)
        if not informative_good.any():
            reason = (
                "Every unit failed before its first inspection: the data bound the life from above "
                "only. Inspect earlier."
            )
            return Existence(False, "all_left_censored", reason)
        reason = f"All units could have failed at one and the same count, {_between(low, high)} shots: the spread of life cannot be told from these data. Inspect more often."
        return Existence(False, "one_interval", reason)
    return Existence(True)


def _between(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"between {low:g} and {high:g}"
