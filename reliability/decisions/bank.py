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
    recorded : (int, int)
        Capacitors in parallel and in series that one life record stands for: its survival is that
        of all of them, its charge voltage theirs.
    """

    capacitance_uF: float = float("nan")
    parallel: int = 1
    series: int = 1
    unequal: float = 0.0
    recorded: tuple[int, int] = (1, 1)

    @property
    def total_uF(self) -> float:
        """Capacitance of the whole bank."""
        return self.capacitance_uF * self.parallel / self.series

    @property
    def units(self) -> int:
        """Capacitors that must all survive."""
        return self.parallel * self.series

    @property
    def as_recorded(self) -> bool:
        """Whether the life records are those of banks like this one."""
        return (self.parallel, self.series) == self.recorded

    @property
    def records(self) -> float:
        """Life records that must all survive for the bank to: its units over those of a record."""
        return self.units / (self.recorded[0] * self.recorded[1])

    def energy(self, charge_V: float) -> float:
        """Stored energy at a charge voltage of the bank, joules: C V^2 / 2."""
        return 0.5 * self.total_uF * 1e-6 * charge_V**2

    def capacitor_voltage(self, charge_V: float) -> float:
        """Voltage on the worst capacitor of a string."""
        margin = self.unequal if self.series > 1 and not self.as_recorded else 0.0
        return charge_V / self.series * (1.0 + margin)

    def record_voltage(self, charge_V: float) -> float:
        """Charge voltage of a record that puts as much on its capacitors as the bank does on its worst."""
        return self.capacitor_voltage(charge_V) * self.recorded[1]

    def charge_voltage(self, record_V: float) -> float:
        """Charge voltage of the bank that asks as much of its worst capacitor as ``record_V`` of a record's."""
        return record_V / self.record_voltage(1.0)

    def record_survival(self, survival: float) -> float:
        """Survival that a record needs so that the bank has ``survival``: hazards add (first short ends it)."""
        return float(survival ** (1.0 / self.records))


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


def bank_of(
    records: LifeRecords, bank: Bank | None, capacitance_uF: float | None = None
) -> tuple[Bank, float]:
    """Bank to answer for and the rated voltage of its parts; what is not given is as most records have it.

    A record that gives ``bank_parallel`` or ``bank_series`` is that of a whole bank; of one capacitor else.
    """

    def most(name: str) -> float:
        v = records.covariates.get(name)
        v = np.empty(0) if v is None else v[~np.isnan(v)]
        if not v.size:
            return NAN
        values, counts = np.unique(v, return_counts=True)
        return float(values[counts.argmax()])

    def count(name: str) -> int:
        return int(most(name)) if np.isfinite(most(name)) else 1

    recorded = count("bank_parallel"), count("bank_series")
    found = bank or Bank(parallel=recorded[0], series=recorded[1])
    each = most("capacitance_uF") if capacitance_uF is None else capacitance_uF
    return replace(found, capacitance_uF=each, recorded=recorded), most("rated_V")
