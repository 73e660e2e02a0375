"""Bounds on a mean life when the hazard is constant (exponential), from total shots and failures."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import chdtri

from reliability.notes import BadInput


@dataclass(frozen=True)
class MeanLife:
    """Mean life with one-sided limits, each at ``confidence``.

    Attributes
    ----------
    estimate, lower, upper : float
        Shots; infinite without a failure (the lower limit is always finite).
    confidence : float
    """

    estimate: float
    lower: float
    upper: float
    confidence: float


def mean_life(
    total: float, failures: int, confidence: float = 0.95, ended_by: str = "shots"
) -> MeanLife:
    """Chi-square limits of a mean life.

    Parameters
    ----------
    total : float
        Shots on all units together, failed units replaced or not.
    failures : int
    confidence : float
        One-sided.
    ended_by : str
        ``shots``: the test ended at a planned count, the lower limit is on the safe side (2r + 2 degrees of
        freedom); ``failure``: it ended at the last failure, both limits are exact (2r).

    Raises
    ------
    BadInput

    Notes
    -----
    2 T / mean is chi-square: Epstein & Sobel (1953); NIST/SEMATECH e-Handbook 8.4.5.1.
    """
    if not total > 0 or failures < 0 or not 0.5 <= confidence < 1:
        raise BadInput("total shots above 0, failures 0 or more, confidence from 0.5 to below 1")
    if ended_by not in ("shots", "failure"):
        raise BadInput(f"{ended_by!r}: a test is ended by shots or by a failure")
    if ended_by == "failure" and failures == 0:
        raise BadInput("a test without a failure was not ended by one")
    more = 2 if ended_by == "shots" else 0
    lower = 2 * total / float(chdtri(2 * failures + more, 1 - confidence))
    if failures == 0:
        return MeanLife(float("inf"), lower, float("inf"), confidence)
    upper = 2 * total / float(chdtri(2 * failures, confidence))
    return MeanLife(total / failures, lower, upper, confidence)


def needed_shots(failures: int, confidence: float) -> float:
    """Total shots, in units of the mean life to be shown, that a test with so many failures allowed needs.

    chi-square(confidence; 2r + 2) / 2: NIST/SEMATECH e-Handbook 8.3.1.2.
    """
    return 1.0 / mean_life(1.0, failures, confidence).lower
