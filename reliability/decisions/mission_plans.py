"""What derating from the mission answers: plans of voltage, bank and part, and the best of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reliability.decisions.found_out import FoundOut
from reliability.decisions.question import Answer
from reliability.decisions.slot_tests import SlotTest
from reliability.words import percent_text, shots_text, so_many_shots, volts_text

NAN = float("nan")


@dataclass(frozen=True)
class MissionPlan:
    """One bank of one part at one voltage.

    Attributes
    ----------
    part : str
    parallel, series : int
    charge_V, capacitor_V, rated_V : float
        Of the bank; on its worst capacitor; rating of one.
    energy_J, impulse_bit_uNs, impulse_bit_lower_uNs : float
        Of a shot; the bit nan where the mission is stated in shots.
    needed, needed_most : float
        Shots needed as the impulse bit is estimated, and at its lower limit.
    promised : float
        Shots.
    margin : float
        Promised over ``needed_most``: 1 or more passes.
    average_W, bus_A : float
        Average electrical power at the pace, and its current from the supply.
    days : float
        In orbit, for ``needed_most`` shots.
    outside : float
        Factor by which its capacitors' voltage is beyond those tested; 1 inside.
    rated_energy_J : float
        Of all capacitors at their rating: goes with mass and volume for one dielectric.
    """

    part: str
    parallel: int
    series: int
    charge_V: float
    capacitor_V: float
    rated_V: float
    energy_J: float
    impulse_bit_uNs: float
    impulse_bit_lower_uNs: float
    needed: float
    needed_most: float
    promised: float
    margin: float
    average_W: float
    bus_A: float
    days: float
    outside: float
    rated_energy_J: float

    @property
    def passes(self) -> bool:
        """Whether the promise covers what is needed."""
        return self.margin >= 1.0

    @property
    def extrapolated(self) -> bool:
        """Whether its capacitors were tested at no such voltage."""
        return self.outside > 1.0

    @property
    def bank(self) -> tuple[str, int, int]:
        """Part and arrangement."""
        return self.part, self.parallel, self.series


@dataclass(frozen=True)
class BankPlans:
    """One bank of one part over the voltage.

    Attributes
    ----------
    part : str
    parallel, series : int
    best : MissionPlan or None
        Of the largest margin, at tested voltages where there are any.
    highest : MissionPlan or None
        At the highest voltage that passes, tested or not.
    rated_at_V, rated_V : float
        Rated voltage of one capacitor at which the bank would just last at the charge voltage ``rated_at_V``.
    """

    part: str
    parallel: int
    series: int
    best: MissionPlan | None
    highest: MissionPlan | None
    rated_at_V: float
    rated_V: float


@dataclass(frozen=True)
class Push:
    """The law of the impulse bit: ``bit_uNs_at_1_J`` times energy to ``exponent``.

    ``readings`` it was fitted from, with the ``spread`` of their logs; or 0 and the ``band`` that was given.
    """

    bit_uNs_at_1_J: float
    exponent: float
    readings: int
    spread: float
    band: float
    source: str


@dataclass(frozen=True)
class MissionAnswer(Answer):
    """How far to derate for a mission.

    Attributes
    ----------
    slot, mission : str
    impulse_Ns : float
        nan where the mission is stated in shots.
    survival, confidence : float
    impulse : Push or None
    best : MissionPlan
        Of the largest margin; where none passes at tested voltages, the nearest to them that passes.
    lightest, quickest : MissionPlan or None
        Of those that pass: of fewest and smallest capacitors; of fewest days.
    passes : bool
        Whether any plan does.
    banks : tuple of BankPlans
    look_for : BankPlans or None
        Whose ``rated_V`` is the one to look for, at ``rated_at_V``.
    curve : tuple of MissionPlan
        The best plan's bank over the voltage.
    tested : (float, float)
        Charge voltages of that bank at which its capacitors were tested.
    limits : str
        In words; "" without any.
    more : tuple of SlotTest
        Tests that would lengthen the promise of the best plan's capacitors at its voltage.
    found : tuple of FoundOut
        What would lengthen it without the bench.

    Examples
    --------
    >>> import reliability as rl
    >>> q = rl.DerateMission(total_impulse=1.0, slot=("main_capacitor",), part=("mica-c",), builder=("orca",))
    >>> a = rl.ask(q, rl.demo())
    >>> a.best.margin == a.best.promised / a.best.needed_most
    True
    """

    slot: str
    mission: str
    impulse_Ns: float
    survival: float
    confidence: float
    impulse: Push | None
    best: MissionPlan
    lightest: MissionPlan | None
    quickest: MissionPlan | None
    passes: bool
    banks: tuple[BankPlans, ...]
    look_for: BankPlans | None
    curve: tuple[MissionPlan, ...]
    tested: tuple[float, float]
    limits: str
    more: tuple[SlotTest, ...] = ()
    found: tuple[FoundOut, ...] = ()

    @property
    def best_name(self) -> str:
        """What the best plan is: of the largest margin, or where none passes the nearest."""
        return "largest margin" if self.passes else "nearest"

    @property
    def reach(self) -> float:
        """What the best plan meets: N s, or shots where the mission is stated in shots."""
        wanted = self.best.needed_most if np.isnan(self.impulse_Ns) else self.impulse_Ns
        return wanted * self.best.margin

    @property
    def answered(self) -> bool:
        """Whether a plan passes."""
        return self.passes

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        b = self.best
        want = f"{self.mission} with survival {percent_text(self.survival)} at {percent_text(self.confidence)} confidence"
        within = f" within {self.limits}" if self.limits else ""
        shots = f"{so_many_shots(b.promised)} promised against {shots_text(b.needed_most)} needed"
        if not self.passes:
            text = (
                f"No plan looked at{within} meets {want}: the nearest, {plan_text(b)}, has {shots}; that meets "
                f"{self.reach:.3g} {'shots' if np.isnan(self.impulse_Ns) else 'N s'}"
            )
        else:
            text = (
                f"{want}{within}: charge {plan_text(b)}, {shots}, a margin of {b.margin:.2g} times"
            )
            if self.lightest is not None and self.lightest.bank != b.bank:
                text += f". The lightest that passes: {plan_text(self.lightest)}, {self.lightest.margin:.2g} times"
        if (look := self.look_for) is not None:
            text += f". To charge {look.parallel * look.series} of {look.part or 'the part'} to {volts_text(look.rated_at_V)}, look for a rating of {volts_text(look.rated_V)}"
        return text + "."


def plan_text(p: MissionPlan) -> str:
    """A plan in words."""
    count = p.parallel * p.series
    how = "" if count == 1 else f" ({bank_text(p.parallel, p.series)})"
    energy = f", {p.energy_J:.3g} J a shot" if np.isfinite(p.energy_J) else ""
    return f"{count} {p.part or ('capacitor' if count == 1 else 'capacitors')}{how} to {volts_text(p.charge_V)}{energy}"


def bank_text(parallel: int, series: int) -> str:
    """An arrangement in words."""
    if series == 1:
        return "single" if parallel == 1 else f"{parallel} parallel"
    return f"{series} in series" if parallel == 1 else f"{parallel} strings of {series}"
