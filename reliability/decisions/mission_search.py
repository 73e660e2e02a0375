"""The search behind derating from the mission: every voltage of every bank of every part tested."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reliability.decisions.bank import Bank, bank_of
from reliability.decisions.bench import SECONDS_A_DAY
from reliability.decisions.derating_level import PromisedLevels
from reliability.decisions.impulse import Impulse
from reliability.decisions.mission_plans import BankPlans, MissionPlan
from reliability.decisions.question import Level
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.carried import Usable, usable

NAN = float("nan")
INF = float("inf")
STEPS = 61
"""voltages looked at in each bank of each part"""
HALVINGS = 30
DIGITS = 6
"""after the point, to which margins and days of plans are told apart; a voltage is solved for to less"""
REFERENCE_HZ = 1 / 3
"""pace of usual tests; a faster one must be carried by the records"""


@dataclass(frozen=True)
class Needs:
    """What the mission needs of a bank.

    Attributes
    ----------
    shots, impulse_Ns : float
        One of them; the other nan.
    impulse : Impulse or None
        None where shots are needed.
    survival, confidence : float
    charge_V : float
        The only voltage looked at; nan for all.
    within_days : float
        inf for any.
    """

    shots: float
    impulse_Ns: float
    impulse: Impulse | None
    survival: float
    confidence: float
    charge_V: float
    within_days: float


@dataclass(frozen=True)
class Supply:
    """Pace in orbit and the supply that charges the bank; ``power_W`` inf where there is enough."""

    rate_Hz: float
    duty: float
    power_W: float
    efficiency: float
    bus_V: float

    def pace(self, energy_J: float) -> float:
        """Shots a second on average, slowed to the power there is."""
        pace = self.rate_Hz * self.duty
        if not np.isfinite(energy_J):
            return pace
        return min(pace, self.power_W * self.efficiency / energy_J)


@dataclass(frozen=True)
class Capacitors:
    """What is said of the capacitors (None: as most records have it), and the margin for unequal sharing."""

    capacitance_uF: float | None
    rated_V: float | None
    unequal: float


@dataclass(frozen=True)
class Part:
    """One part: its records at their voltages, the engine's bounds, and its bank as recorded."""

    name: str
    used: Usable
    engine: PromisedLevels
    bank: Bank
    rated_V: float

    def arranged(self, parallel: int, series: int, unequal: float) -> Bank:
        """A bank of the part."""
        return replace(self.bank, parallel=parallel, series=series, unequal=unequal)

    @property
    def highest(self) -> float:
        """Highest tested charge voltage of its bank as recorded."""
        return self.bank.charge_voltage(self.engine.tested[1])


@dataclass(frozen=True)
class Parts:
    """The parts whose records carry a mission, and why not those of the others (name, reason)."""

    known: tuple[Part, ...]
    refused: tuple[tuple[str, str], ...]


def parts_of(
    records: LifeRecords, said: Capacitors, rate_Hz: float, energies: bool, seed: int
) -> Parts:
    """The parts of a slot's records; ``energies`` says that their capacitance must be known."""
    known, refused = [], []
    for name in sorted(set(records.part.tolist()) - {""}) or [""]:
        try:
            part = _part(name, records.select(records.part == name), said, rate_Hz, seed)
            if energies and not np.isfinite(part.bank.total_uF):
                raise CannotAnswer("its capacitance is not recorded (capacitance_uf)")
            known.append(part)
        except CannotAnswer as e:
            refused.append((name, str(e)))
    return Parts(tuple(known), tuple(refused))


def _part(name: str, own: LifeRecords, said: Capacitors, rate_Hz: float, seed: int) -> Part:
    """One part. Raises CannotAnswer where its records do not carry it along the voltage."""
    volts = own.covariates["charge_V"]
    if not np.isfinite(volts).any():
        raise CannotAnswer("no charge voltage is recorded")
    point: dict[str, Level] = {"charge_V": float(np.nanmin(volts))}
    point |= {"part": name} if name else {}
    point |= {"rate_Hz": rate_Hz} if rate_Hz > REFERENCE_HZ else {}
    used = usable(str(own.slot[0]), own, point)
    bank, rated = bank_of(used.records, None, said.capacitance_uF)
    rated = rated if said.rated_V is None else said.rated_V
    return Part(name, used, PromisedLevels(used.records, seed=seed), bank, rated)


class BankSearch:
    """The plans of one bank of one part over the voltage."""

    def __init__(self, part: Part, bank: Bank, needs: Needs, supply: Supply) -> None:
        self.part, self.bank, self.needs, self.supply = part, bank, needs, supply
        self.course = part.engine.course(bank.record_survival(needs.survival), needs.confidence)

    def plans(self) -> list[MissionPlan]:
        """Plans at rising voltages that keep the rating and the measured energies, in however many days."""
        levels = self.course.levels
        made = [
            self.plan(v)
            for v in self.volts()
            if levels[0] * (1 - 1e-9) <= self.bank.record_voltage(v) <= levels[-1] * (1 + 1e-9)
        ]
        k = max((i for i, p in enumerate(made[:-1]) if p.passes), default=-1)
        if k >= 0 and not made[k + 1].passes:
            made.insert(k + 1, self.crossing(made[k], made[k + 1]))
        return [p for p in made if self.kept(p)]

    def volts(self) -> list[float]:
        """Charge voltages looked at: the one asked for, or all; the ends of the tests among them."""
        if np.isfinite(self.needs.charge_V):
            return [self.needs.charge_V]
        levels = self.course.levels
        own = np.union1d(np.geomspace(levels[0], levels[-1], STEPS), self.part.engine.tested)
        return [self.bank.charge_voltage(float(v)) for v in own]

    def crossing(self, above: MissionPlan, below: MissionPlan) -> MissionPlan:
        """The plan between two voltages at which promised and needed shots meet, the promise just above."""
        for _ in range(HALVINGS):
            middle = self.plan(0.5 * (above.charge_V + below.charge_V))
            above, below = (middle, below) if middle.passes else (above, middle)
        return above

    def plan(self, charge_V: float) -> MissionPlan:
        """The plan at one voltage."""
        part, bank, levels = self.part, self.bank, self.course.levels
        # rounding must not push the first or last level looked at beyond them
        own = float(np.clip(bank.record_voltage(charge_V), levels[0], levels[-1]))
        promised = float(self.course.at(np.array([own]))[0])
        energy = bank.energy(charge_V)
        bit, low = self.bits(energy)
        needed, most = self.needed(bit), self.needed(low)
        pace = self.supply.pace(energy)
        watts = energy * pace / self.supply.efficiency
        lowest, highest = part.engine.tested
        outside = max(lowest / own, own / highest)
        return MissionPlan(
            part.name, bank.parallel, bank.series, charge_V, bank.capacitor_voltage(charge_V), part.rated_V, energy, bit,
            low, needed, most, promised, promised / most, watts, watts / self.supply.bus_V, most / pace / SECONDS_A_DAY,
            outside if outside > 1 + 1e-9 else 1.0, bank.units * bank.capacitance_uF * part.rated_V**2 * 5e-7,
        )  # fmt: skip

    def bits(self, energy_J: float) -> tuple[float, float]:
        """Impulse bit at an energy, and its lower limit; nan where shots are needed."""
        law = self.needs.impulse
        if law is None:
            return NAN, NAN
        return law.bit_uNs(energy_J), law.lower_uNs(energy_J, self.needs.confidence)

    def needed(self, bit_uNs: float) -> float:
        """Shots needed with that impulse bit."""
        if self.needs.impulse is None:
            return self.needs.shots
        return self.needs.impulse_Ns / (1e-6 * bit_uNs)

    def kept(self, p: MissionPlan) -> bool:
        """Whether a plan keeps the rating, and the energies that the impulse bit was measured at."""
        law = self.needs.impulse
        carried = law is None or bool(law.carries(np.array(p.energy_J)))
        return carried and not p.capacitor_V > p.rated_V

    def rated_for(self, charge_V: float) -> float:
        """Rated voltage at which the part would just last at that charge voltage.

        Life is taken to go with the voltage over the rated one, as for parts of one make and dielectric.
        """
        allowed = self.course.highest(self.needed(self.bits(self.bank.energy(charge_V))[1]))
        if np.isinf(allowed):
            allowed = float(self.course.levels[-1])
        return self.part.rated_V * self.bank.record_voltage(charge_V) / allowed


def of_bank(search: BankSearch, plans: Sequence[MissionPlan], charge_V: float) -> BankPlans:
    """A bank in short: its best plan, the highest voltage that passes, and the rating to look for at ``charge_V``."""
    bank = search.bank
    highest = max((p for p in plans if p.passes), key=lambda p: p.charge_V, default=None)
    return BankPlans(
        search.part.name, bank.parallel, bank.series, best_of(plans), highest, charge_V, search.rated_for(charge_V)
    )  # fmt: skip


def best_of(plans: Sequence[MissionPlan]) -> MissionPlan | None:
    """The largest margin at tested voltages; where none passes there, the nearest to them that passes.

    Of plans alike but for the bank's voltage, such as three in series for three in parallel, the one of the lower.
    """
    inside = max((p for p in plans if not p.extrapolated), key=_margin, default=None)
    if inside is not None and inside.passes:
        return inside
    passing = [p for p in plans if p.passes]
    outside = max(passing, key=lambda p: (-round(p.outside, DIGITS), *_margin(p)), default=None)
    return outside or inside or max(plans, key=_margin, default=None)


def _margin(p: MissionPlan) -> tuple[float, float]:
    return (round(p.margin, DIGITS), -p.charge_V)


def soonest(p: MissionPlan) -> tuple[float, float, float]:
    """Sorts plans, the quickest first; of plans alike but for the bank's voltage the one of the lower."""
    return (round(p.days, DIGITS), -round(p.margin, DIGITS), p.charge_V)


def weight(p: MissionPlan) -> tuple[float, float, float, float]:
    """Sorts plans, lightest first: fewest capacitors, least energy at the rating, nearest to the tests, most margin."""
    rated = p.rated_energy_J if np.isfinite(p.rated_energy_J) else INF
    return (p.parallel * p.series, rated, p.outside, -p.margin)
