"""What a mission asks of a module, in shots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reliability.decisions.question import Question, refuse_unless, setting
from reliability.notes import BadInput

NAN = float("nan")


@dataclass(frozen=True)
class Mission:
    """A mission stated one way or another; give exactly one of the first four.

    Attributes
    ----------
    shots : float
    total_impulse_Ns : float
        Needs ``impulse_bit_uNs``.
    delta_v_m_s : float
        Velocity change; needs ``mass_kg`` and ``impulse_bit_uNs``. The fuel lost is a microgram or
        less a shot, so the mass is taken as constant: shots = m dv / I_bit.
    days : float
        At ``rate_Hz`` for a share ``duty`` of the time.
    impulse_bit_uNs, mass_kg, rate_Hz, duty : float
    """

    shots: float = NAN
    total_impulse_Ns: float = NAN
    delta_v_m_s: float = NAN
    days: float = NAN
    impulse_bit_uNs: float = NAN
    mass_kg: float = NAN
    rate_Hz: float = NAN
    duty: float = 1.0

    def in_shots(self) -> float:
        """The mission in shots.

        Raises
        ------
        BadInput
            If it is stated not once, or lacks something.
        """
        given = [
            n
            for n in ("shots", "total_impulse_Ns", "delta_v_m_s", "days")
            if np.isfinite(getattr(self, n))
        ]
        if len(given) != 1:
            raise BadInput("state the mission once: shots, total impulse, velocity change, or days")
        bit = self.impulse_bit_uNs * 1e-6
        if given[0] in ("total_impulse_Ns", "delta_v_m_s") and not bit > 0:
            raise BadInput("that mission needs the impulse bit in uN s")
        if given[0] == "shots":
            out = self.shots
        elif given[0] == "total_impulse_Ns":
            out = self.total_impulse_Ns / bit
        elif given[0] == "delta_v_m_s":
            if not self.mass_kg > 0:
                raise BadInput("a velocity change needs the satellite's mass in kg")
            out = self.mass_kg * self.delta_v_m_s / bit
        else:
            if not (self.rate_Hz > 0 and 0 < self.duty <= 1):
                raise BadInput("days need a rate in shots a second and a duty between 0 and 1")
            out = self.days * 86400.0 * self.rate_Hz * self.duty
        if not (np.isfinite(out) and out > 0):
            raise BadInput("the mission must come to more than 0 shots")
        return float(out)

    def in_words(self) -> str:
        """As it was stated."""
        if np.isfinite(self.total_impulse_Ns):
            return f"{self.total_impulse_Ns:g} N s at {self.impulse_bit_uNs:g} uN s a shot"
        if np.isfinite(self.delta_v_m_s):
            return f"{self.delta_v_m_s:g} m/s of {self.mass_kg:g} kg at {self.impulse_bit_uNs:g} uN s a shot"
        if np.isfinite(self.days):
            return f"{self.days:g} days at {self.rate_Hz:.3g} shots a second, duty {self.duty:g}"
        return f"{self.shots:,.0f} shots"


def thrust_uN(impulse_bit_uNs: float, rate_Hz: float) -> float:
    """Mean thrust = impulse bit x rate, micronewtons."""
    return impulse_bit_uNs * rate_Hz


class OnMission(Question):
    """Settings that state a mission, once."""

    shots: float | None = setting(
        None, "Mission in shots from now on.", unit="shots", ge=1e-6, lt=1e15
    )
    total_impulse: float | None = setting(
        None, "Mission as total impulse.", unit="N s", hint="NS", gt=0, lt=1e12
    )
    delta_v: float | None = setting(
        None, "Mission as velocity change.", unit="m/s", hint="M/S", gt=0, lt=1e6
    )
    days: float | None = setting(
        None, "Mission in days at the rate and duty.", unit="days", gt=0, lt=1e9
    )
    impulse_bit: float | None = setting(None, "Impulse of one shot.", unit="uN s", hint="UNS", gt=0)
    mass: float | None = setting(None, "Mass of the satellite.", unit="kg", hint="KG", gt=0)
    rate_hz: float = setting(1 / 3, "Shots a second.", unit="shots/s", gt=0)
    duty: float = setting(1.0, "Share of the time it fires.", gt=0, le=1)

    def mission(self) -> Mission:
        """The mission. Raises BadInput if it is not stated once, or with what has no effect."""

        def number(value: float | None) -> float:
            return NAN if value is None else value

        refuse_unless(self.duty == 1.0 or self.days is not None, "duty", "it goes with days")
        refuse_unless(
            self.impulse_bit is None or self.total_impulse is not None or self.delta_v is not None,
            "impulse_bit", "it goes with total_impulse or delta_v",
        )  # fmt: skip
        refuse_unless(self.mass is None or self.delta_v is not None, "mass", "it goes with delta_v")
        return Mission(
            number(self.shots), number(self.total_impulse), number(self.delta_v), number(self.days),
            number(self.impulse_bit), number(self.mass), self.rate_hz, self.duty,
        )  # fmt: skip
