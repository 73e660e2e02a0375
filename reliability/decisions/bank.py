"""The bank and its discharge: energy, how many units must survive, what one shot asks of a part."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from reliability.records import LifeRecords

NAN = float("nan")


@dataclass(frozen=True)
class Bank:
    """Arrangement of equal capacitors.

    Attributes
    ----------
    capacitance_uF : float
        Of one capacitor, microfarads; nan if unknown.
    parallel : int
        Strings in parallel; the first short of any ends the bank.
    series : int
        Capacitors in a string, each taking an equal part of the charge voltage. A short of one
        moves its voltage to the others; the bank is taken to have failed then.
    unequal : float
        Stated margin for unequal sharing in a string: the worst capacitor takes (1 + unequal)
        times its equal part.
    as_recorded : bool
        The life records are those of whole banks arranged like this one: then one record's
        survival is the bank's, and its charge voltage the bank's.
    """

    capacitance_uF: float = float("nan")
    parallel: int = 1
    series: int = 1
    unequal: float = 0.0
    as_recorded: bool = False

    @property
    def total_uF(self) -> float:
        """Capacitance of the whole bank."""
        return self.capacitance_uF * self.parallel / self.series

    @property
    def units(self) -> int:
        """Capacitors that must all survive."""
        return 1 if self.as_recorded else self.parallel * self.series

    def energy(self, charge_V: float) -> float:
        """Stored energy at a charge voltage of the bank, joules: C V^2 / 2."""
        return 0.5 * self.total_uF * 1e-6 * charge_V**2

    def unit_voltage(self, charge_V: float) -> float:
        """Voltage on the worst capacitor of a string."""
        return charge_V / self._share

    def charge_voltage(self, unit_V: float) -> float:
        """Charge voltage of the bank that puts ``unit_V`` on its worst capacitor."""
        return unit_V * self._share

    @property
    def _share(self) -> float:
        """Charge voltage of the bank per volt on its worst capacitor."""
        if self.as_recorded or self.series == 1:
            return 1.0
        return self.series / (1.0 + self.unequal)

    def unit_survival(self, survival: float) -> float:
        """Survival each capacitor needs so that all survive with ``survival``."""
        return float(survival ** (1.0 / self.units))


@dataclass(frozen=True)
class Discharge:
    """One shot as a series RLC circuit.

    Attributes
    ----------
    peak_A : float
        Peak current; with no resistance V sqrt(C/L).
    undamped_A : float
    reversal : float
        First voltage swing to the other side as a fraction of the charge voltage; 0 if damped.
    quality : float
        sqrt(L/C)/R; inf with no resistance.
    """

    peak_A: float
    undamped_A: float
    reversal: float
    quality: float


def discharge(
    charge_V: float, bank_uF: float, inductance_nH: float, resistance_mOhm: float = 0.0
) -> Discharge:
    """Peak current and reversal of a bank discharged through its loop.

    Standard solution of the series RLC circuit: alpha = R/2L, omega0 = 1/sqrt(LC).

    Raises
    ------
    ValueError
        For values of 0 or less (resistance may be 0).
    """
    if not (charge_V > 0 and bank_uF > 0 and inductance_nH > 0 and resistance_mOhm >= 0):
        raise ValueError(
            "voltage, capacitance and inductance must be above 0, resistance not below"
        )
    c, ind, r = bank_uF * 1e-6, inductance_nH * 1e-9, resistance_mOhm * 1e-3
    undamped = charge_V * np.sqrt(c / ind)
    alpha, omega0 = r / (2 * ind), 1 / np.sqrt(ind * c)
    quality = np.inf if r == 0 else np.sqrt(ind / c) / r
    if alpha < omega0:
        omega = np.sqrt(omega0**2 - alpha**2)
        t = np.arctan2(omega, alpha) / omega
        peak = charge_V / (omega * ind) * np.exp(-alpha * t) * np.sin(omega * t)
        reversal = np.exp(-alpha * np.pi / omega)
    elif alpha == omega0:
        peak, reversal = charge_V / ind / alpha * np.exp(-1.0), 0.0
    else:
        beta = np.sqrt(alpha**2 - omega0**2)
        t = np.arctanh(beta / alpha) / beta
        peak = charge_V / (beta * ind) * np.exp(-alpha * t) * np.sinh(beta * t)
        reversal = 0.0
    return Discharge(float(peak), float(undamped), float(reversal), float(quality))


def bank_of(records: LifeRecords, bank: Bank | None) -> tuple[Bank, float]:
    """Bank to answer for (that of most records unless given) and the rated voltage of its parts."""

    def most(name: str) -> float:
        v = records.covariates.get(name)
        v = np.empty(0) if v is None else v[~np.isnan(v)]
        if not v.size:
            return NAN
        values, counts = np.unique(v, return_counts=True)
        return float(values[counts.argmax()])

    def count(name: str) -> int:
        return int(most(name)) if np.isfinite(most(name)) else 1

    rated = most("rated_V")
    given = bank or Bank(
        parallel=count("bank_parallel"), series=count("bank_series"), as_recorded=True
    )
    if not np.isfinite(given.capacitance_uF):
        given = replace(given, capacitance_uF=most("capacitance_uF"))
    return given, rated
