"""Impulse bit against energy a shot: entered, or fitted from readings, with its band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from reliability.notes import BadInput, CannotAnswer
from reliability.readings import WearReadings
from reliability.records import LifeRecords

Array = NDArray[np.float64]
NAN = float("nan")
FARTHEST_J = 1.5
"""factor beyond the measured energies up to which the power law of the impulse bit is trusted (a choice)"""
COLUMN = "impulse_bit_uNs"
"""the quantity among readings, and the column of a life sheet that may give it"""


@dataclass(frozen=True)
class Impulse:
    """Impulse bit as a power of the energy: reference_uNs * (energy / reference_J)^exponent.

    At low energy the impulse bit is not linear in energy (common practice, no source), so the exponent
    is fitted where readings allow.

    Attributes
    ----------
    reference_uNs, reference_J, exponent : float
    readings : int
        Readings it was fitted from; 0 if entered, and then without a band.
    spread : float
        Standard deviation of ln impulse bit about the fit.
    centre, sum_squares : float
        Mean of ln energy in the readings, and its sum of squares about that.
    measured_J : (float, float)
        Range of energies in the readings; nan if entered.
    band : float
        If entered: share by which the true bit may be below, at the confidence asked for.
    """

    reference_uNs: float
    reference_J: float
    exponent: float = 1.0
    readings: int = 0
    spread: float = 0.0
    centre: float = 0.0
    sum_squares: float = 1.0
    measured_J: tuple[float, float] = (NAN, NAN)
    band: float = 0.0

    def bit_uNs(self, energy_J: float) -> float:
        """Impulse of one shot, micronewton seconds."""
        return float(self.reference_uNs * (energy_J / self.reference_J) ** self.exponent)

    def lower_uNs(self, energy_J: float, confidence: float) -> float:
        """One-sided lower limit of the mean impulse bit at that energy (Student; entered: its band)."""
        if self.readings < 3:
            return self.bit_uNs(energy_J) * (1 - self.band)
        lever = 1 / self.readings + (np.log(energy_J) - self.centre) ** 2 / self.sum_squares
        t = float(stdtrit(self.readings - 2, confidence))
        return float(self.bit_uNs(energy_J) * np.exp(-t * self.spread * np.sqrt(lever)))

    def carries(self, energy_J: Array) -> NDArray[np.bool_]:
        """Whether the readings reach to such energies: within ``FARTHEST_J`` of them (entered: all)."""
        if not self.readings:
            return np.ones(np.shape(energy_J), bool)
        low, high = self.measured_J
        return np.asarray((energy_J >= low / FARTHEST_J) & (energy_J <= high * FARTHEST_J))


def energies(records: LifeRecords) -> dict[str, float]:
    """Energy a shot of each module's bank, C V^2 / 2 (or ``energy_J`` where it is recorded)."""
    own = records.slot == "main_capacitor"
    energy = _energy(records)
    return {
        str(records.module[i]): float(energy[i]) for i in np.flatnonzero(own & ~np.isnan(energy))
    }


def _energy(records: LifeRecords) -> Array:
    """Energy a shot of each record's bank, nan where it is not known."""
    n = len(records)
    empty = np.full(n, np.nan)
    get = records.covariates.get
    parallel = np.nan_to_num(get("bank_parallel", np.ones(n)), nan=1.0)
    series = np.nan_to_num(get("bank_series", np.ones(n)), nan=1.0)
    stored = 0.5e-6 * get("capacitance_uF", empty) * parallel / series * get("charge_V", empty) ** 2
    energy = get("energy_J", empty)
    return np.asarray(np.where(np.isnan(energy), stored, energy))


def fit_impulse(readings: WearReadings, records: LifeRecords) -> Impulse:
    """Power law of the impulse bit from ``impulse_bit_uNs`` readings, by least squares on logs.

    Raises
    ------
    BadInput
        Without such readings.
    CannotAnswer
        With fewer than 4 of known energy, or all at one energy.
    """
    own = readings.of_quantity(COLUMN)
    known = energies(records)
    pairs = [
        (known[str(m)], float(v))
        for m, v in zip(own.module, own.value, strict=True)
        if str(m) in known and v > 0
    ]
    return fit_power(pairs)


def impulse_of_records(records: LifeRecords) -> Impulse | None:
    """The same from a column ``impulse_bit_uNs`` of the life records; None where they have none.

    Raises CannotAnswer as ``fit_impulse`` does.
    """
    bits = records.covariates.get(COLUMN)
    if bits is None or not (bits > 0).any():
        return None
    energy = _energy(records)
    known = (bits > 0) & (energy > 0)
    return fit_power(sorted(set(zip(energy[known].tolist(), bits[known].tolist(), strict=True))))


def fit_power(pairs: Sequence[tuple[float, float]]) -> Impulse:
    """Power law through pairs of energy (J) and impulse bit (uN s). Raises CannotAnswer."""
    if len(pairs) < 4:
        raise CannotAnswer(
            "Fitting the impulse bit needs 4 readings or more on modules whose main capacitor record gives "
            "charge_V and capacitance_uF (or energy_J)."
        )
    x, y = np.log(np.array(pairs)).T
    squares = float(((x - x.mean()) ** 2).sum())
    if squares < 1e-6:
        raise CannotAnswer(
            "All impulse readings are at one energy; enter an exponent, or measure at another."
        )
    slope = float(((x - x.mean()) * (y - y.mean())).sum() / squares)
    residual = y - y.mean() - slope * (x - x.mean())
    spread = float(np.sqrt((residual**2).sum() / (len(x) - 2)))
    return Impulse(
        float(np.exp(y.mean())), float(np.exp(x.mean())), slope, len(x), spread, float(x.mean()), squares,
        (float(np.exp(x.min())), float(np.exp(x.max()))),
    )  # fmt: skip


def read_impulse(text: str) -> Impulse:
    """``bit@energy``, ``bit@energy^exponent``, either followed by ``+-percent%``. Raises BadInput."""
    law, _, band = text.partition("+-")
    bit, at, rest = law.partition("@")
    energy, _, exponent = rest.partition("^")
    try:
        share = float(band.strip().removesuffix("%") or 0.0) / 100
        out = Impulse(float(bit), float(energy), float(exponent or 1.0), band=share)
    except ValueError:
        out = Impulse(0.0, 0.0)
    good = 0 < out.reference_uNs < np.inf and 0 < out.reference_J < np.inf
    if not (at and good and -10 < out.exponent < 10 and 0 <= out.band < 1):
        raise BadInput(
            f"cannot read impulse {text[:60]!r}; allowed: uNs@J, uNs@J^exponent, either with its band, such as "
            "0.65@0.2^1.1+-10%"
        )
    return out
