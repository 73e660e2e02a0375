"""Derating from the mission: which voltage, bank and part, and which rated voltage to look for.

The impulse bit falls with the voltage, so that a mission stated as an impulse needs more shots the lower the
voltage; the promise rises faster. Both are worked out over voltage, bank and part at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from pydantic import model_validator

from reliability.decisions.answer_notes import apart_notes, carried_notes, left_out_notes
from reliability.decisions.bank import Bank, bank_of
from reliability.decisions.bench import SECONDS_A_DAY
from reliability.decisions.derating_level import Array, Course, PromisedLevels
from reliability.decisions.impulse import (
    COLUMN,
    Impulse,
    fit_impulse,
    impulse_of_records,
    read_impulse,
)
from reliability.decisions.mission_plans import BankPlans, MissionAnswer, MissionPlan, Push
from reliability.decisions.question import (
    Level,
    OnRecords,
    confidence_setting,
    levels,
    refuse_unless,
    setting,
)
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.slots.carried import FARTHEST, NotCarried, Usable, usable

NAN = float("nan")
INF = float("inf")
STEPS = 61
"""voltages looked at in each bank of each part"""
HALVINGS = 30
MOST_BANKS = 60
REFERENCE_HZ = 1 / 3
"""pace of usual tests; a faster one must be carried by the records"""
BUS_V = 3.3
"""of the usual small supplies (common practice)"""


class DerateMission(OnRecords):
    """Derating from the mission: which charge voltage, which bank, which part, with what margin.

    Shots needed (from the impulse bit at each energy) against shots promised, over voltage, bank and parts
    at once; the plan with the largest margin, the lightest that passes, and the rated voltage to look for.

    Examples
    --------
    >>> DerateMission(delta_v=2.0, mass=1.5).impulse_Ns
    3.0
    """

    name = "derate_mission"
    text = "How far to derate for a mission: voltage, bank and part at once."
    command = "derate"
    needs = ("life", "wear")
    bounds = ()  # the impulse bit is fitted to readings of any slot and builder
    answer_type = MissionAnswer

    total_impulse: float | None = setting(
        None, "Mission as total impulse.", unit="N s", hint="NS", gt=0, lt=1e12
    )
    delta_v: float | None = setting(
        None, "Mission as velocity change; with mass.", unit="m/s", hint="M/S", gt=0, lt=1e6
    )
    mass: float | None = setting(None, "Mass of the satellite.", unit="kg", hint="KG", gt=0, lt=1e9)
    shots: float | None = setting(None, "Mission in shots.", unit="shots", gt=0, lt=1e15)
    survival: float = setting(0.9, "Required share of banks that last it.", gt=0, lt=1)
    confidence: float = confidence_setting()
    impulse: str = setting(
        "",
        "Impulse bit at an energy, such as 0.65@0.2 or 0.65@0.2^1.2+-10%. Default: fitted from the "
        "impulse_bit_uNs readings, or from such a column of the records.",
        hint="UNS@J[^EXP][+-BAND%]",
    )
    use: tuple[str, ...] = setting(
        (), "Only this charge voltage of the bank.", hint="charge_V=LEVEL", most=1
    )
    parallel: int | None = setting(
        None, "Only banks of so many in parallel, the first short ends it.", ge=1, le=10_000
    )
    series: int | None = setting(
        None, "Only banks of so many in series in each string.", ge=1, le=10_000
    )
    capacitors: int | None = setting(
        None, "Most capacitors in a bank. Default: 4, or those of a bank as recorded.", ge=1, le=40
    )
    unequal: float = setting(
        0.0, "Margin for unequal sharing in a string (0.1 = worst takes 10 % more).", ge=0, le=1
    )
    capacitance_uf: float | None = setting(
        None, "Capacitance of one capacitor (default: from the records).", unit="uF", gt=0
    )
    rated_v: float | None = setting(
        None, "Rated voltage of one capacitor (default: from the records).", unit="V", gt=0
    )
    rate_hz: float = setting(REFERENCE_HZ, "Shots a second in orbit.", unit="shots/s", gt=0, le=1e6)
    duty: float = setting(1.0, "Share of the time it fires.", gt=0, le=1)
    power_w: float | None = setting(
        None, "Average power there is; the pace is slowed to it.", unit="W", gt=0
    )
    efficiency: float = setting(
        0.7, "Of the converter that charges the bank (a choice).", gt=0, le=1
    )
    bus_v: float = setting(BUS_V, "Voltage of the supply.", unit="V", gt=0)
    within_days: float | None = setting(
        None, "Days in orbit there are: no plan takes more.", unit="days", gt=0
    )
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> DerateMission:
        stated = [v for v in (self.total_impulse, self.delta_v, self.shots) if v is not None]
        if len(stated) != 1:
            raise BadInput("state the mission once: total_impulse, delta_v with mass, or shots")
        if self.delta_v is not None and self.mass is None:
            raise BadInput("delta_v needs the satellite's mass in kg")
        refuse_unless(self.mass is None or self.delta_v is not None, "mass", "it goes with delta_v")
        refuse_unless(
            not self.impulse or self.shots is None, "impulse", "the mission is stated in shots"
        )
        if self.impulse:
            read_impulse(self.impulse)
        for column in levels(self.use):
            if column != "charge_V":
                raise BadInput(f"use names charge_V here, not {column[:40]!r}")
        both = self.parallel is not None and self.series is not None
        refuse_unless(
            self.capacitors is None or not both, "capacitors", "parallel and series say the bank"
        )
        refuse_unless(
            self.unequal == 0 or any(s > 1 for _, s in self.banks(4)), "unequal", "no bank has series above 1"
        )  # fmt: skip
        if not self.banks(4):
            raise BadInput(
                f"capacitors is at least {(self.parallel or 1) * (self.series or 1)} for such a bank"
            )
        return self

    @property
    def impulse_Ns(self) -> float:
        """Total impulse of the mission, nan where it is stated in shots.

        Of a velocity change mass times velocity: the rocket equation asks for less, since the fuel that is
        lost makes the satellite lighter, so this is on the safe side.
        """
        if self.total_impulse is not None:
            return self.total_impulse
        return NAN if self.delta_v is None or self.mass is None else self.mass * self.delta_v

    @property
    def charge_V(self) -> float:
        """The voltage asked for, nan where all are looked at."""
        return float(levels(self.use).get("charge_V", NAN))

    def banks(self, recorded: int) -> list[tuple[int, int]]:
        """Arrangements (parallel, series) looked at, ``recorded`` capacitors being in a bank as recorded."""
        most = self.capacitors or max(4, recorded)
        if self.parallel is not None and self.series is not None:
            return [(self.parallel, self.series)]
        found = ((p, s) for p in range(1, most + 1) for s in range(1, most // p + 1))
        if self.parallel is not None:
            found = ((self.parallel, s) for s in range(1, most // self.parallel + 1))
        elif self.series is not None:
            found = ((p, self.series) for p in range(1, most // self.series + 1))
        return sorted(found, key=lambda b: (b[0] * b[1], b[1]))[:MOST_BANKS]

    def in_words(self) -> str:
        """The mission as it was stated."""
        if self.shots is not None:
            return f"{self.shots:,.6g} shots"
        if self.delta_v is not None:
            return f"{self.delta_v:g} m/s of {self.mass:g} kg ({self.impulse_Ns:.3g} N s)"
        return f"{self.impulse_Ns:g} N s"

    def limits(self) -> str:
        """The limits as a sentence has them."""
        given = ((self.within_days, "days"), (self.power_w, "W"))
        return " and ".join(f"{v:,.6g} {unit}" for v, unit in given if v is not None)

    def push(self, pool: Pool, records: LifeRecords) -> Impulse | None:
        """The impulse bit: given, from readings, or from the records; None where shots are asked for.

        Raises
        ------
        CannotAnswer
            Where it is known from nowhere, or the readings do not tell how it goes with the energy.
        """
        if self.shots is not None:
            return None
        if self.impulse:
            return read_impulse(self.impulse)
        if pool.wear is not None and (pool.wear.quantity == COLUMN).any():
            return fit_impulse(pool.readings, pool.records)
        found = impulse_of_records(records)
        if found is None:
            raise CannotAnswer(
                "How much impulse a shot gives is not known: there are no impulse_bit_uNs readings, nor such a column in the "
                "records. Give it (impulse 0.65@0.2^1.2: uN s at J), or measure it at two energies."
            )
        return found

    def answer(self, pool: Pool) -> MissionAnswer:
        """Needed and promised shots over voltage, bank and parts. Raises BadInput, CannotAnswer."""
        records = _one_slot(self.chosen(pool))
        return _Planned(records, self, self.push(pool, records)).answer()


def _one_slot(records: LifeRecords) -> LifeRecords:
    """The records of the slot whose voltage is recorded. Raises BadInput, CannotAnswer."""
    volts = records.covariates.get("charge_V")
    if volts is None or not np.isfinite(volts).any():
        raise CannotAnswer(
            "No record gives charge_V, so how life depends on the voltage is not known. Add it to the sheets."
        )
    slots = sorted(set(records.slot[np.isfinite(volts)].tolist()))
    if len(slots) > 1:
        raise BadInput(f"slot is missing: the voltage is recorded of {', '.join(slots)}")
    return records.select(records.slot == slots[0])


@dataclass(frozen=True)
class _Part:
    """One part: its records at their voltages, the engine's bounds, and its bank as recorded."""

    name: str
    used: Usable
    engine: PromisedLevels
    bank: Bank
    rated_V: float


class _Planned:
    """Plans of a mission while they are worked out."""

    def __init__(self, records: LifeRecords, q: DerateMission, impulse: Impulse | None) -> None:
        self.q, self.impulse, self.slot = q, impulse, str(records.slot[0])
        self.refused: list[tuple[str, str]] = []
        self.fewest_days = INF
        self.parts = list(self._parts(records))
        self.courses: dict[tuple[str, float], Course] = {}

    def _parts(self, records: LifeRecords) -> Iterator[_Part]:
        """Each part that its records carry along the voltage; why not of the others."""
        q = self.q
        for name in sorted(set(records.part.tolist()) - {""}) or [""]:
            own = records.select(records.part == name)
            volts = own.covariates["charge_V"]
            if not np.isfinite(volts).any():
                self.refused.append((name, "no charge voltage is recorded"))
                continue
            low = float(np.nanmin(volts))
            point: dict[str, Level] = {"charge_V": low} | ({"part": name} if name else {})
            if q.rate_hz > REFERENCE_HZ:
                point["rate_Hz"] = q.rate_hz
            try:
                used = usable(self.slot, own, point)
            except NotCarried as e:
                self.refused.append((name, str(e)))
                continue
            bank, rated = bank_of(used.records, None, q.capacitance_uf)
            if self.impulse is not None and not np.isfinite(bank.total_uF):
                self.refused.append((name, "its capacitance is not recorded (capacitance_uf)"))
                continue
            engine = PromisedLevels(used.records, seed=q.seed)
            yield _Part(name, used, engine, bank, rated if q.rated_v is None else q.rated_v)

    def course(self, part: _Part, bank: Bank) -> Course:
        """The promise along the voltage that a record of the part has in this bank."""
        share = bank.record_survival(self.q.survival)
        key = (part.name, share)
        if key not in self.courses:
            self.courses[key] = part.engine.course(share, self.q.confidence)
        return self.courses[key]

    def of_bank(
        self, part: _Part, parallel: int, series: int
    ) -> tuple[BankPlans, list[MissionPlan]]:
        """A bank of a part, and its plans at rising voltages."""
        bank = replace(part.bank, parallel=parallel, series=series, unequal=self.q.unequal)
        course = self.course(part, bank)
        within = self.q.within_days or INF
        sound = self.plans(part, bank, course)
        self.fewest_days = min([self.fewest_days, *(p.days for p in sound)])
        plans = [p for p in sound if p.days <= within]
        inside = [p for p in plans if not p.extrapolated] or plans
        passing = [p for p in inside if p.passes]
        at = self.wanted
        return BankPlans(
            part.name, parallel, series,
            max(inside, key=lambda p: p.margin, default=None),
            max(passing, key=lambda p: p.charge_V, default=None),
            at, self.rated_for(part, bank, course, at),
        ), plans  # fmt: skip

    @property
    def wanted(self) -> float:
        """The voltage that a rating is looked for at: the one asked for, else the highest tested of any part."""
        given = self.q.charge_V
        return (
            given
            if np.isfinite(given)
            else max(p.bank.charge_voltage(p.engine.tested[1]) for p in self.parts)
        )

    def rated_for(self, part: _Part, bank: Bank, course: Course, charge_V: float) -> float:
        """Rated voltage at which the part would just last at that charge voltage.

        Life is taken to go with the voltage over the rated one, as for parts of one make and dielectric.
        """
        needed = float(self.needed(bank, np.array([charge_V]))[1][0])
        allowed = course.highest(needed)
        if np.isinf(allowed):
            allowed = float(course.levels[-1])
        return part.rated_V * bank.record_voltage(charge_V) / allowed

    def needed(self, bank: Bank, charge_V: Array) -> tuple[Array, Array]:
        """Shots needed at charge voltages as estimated, and at the lower limit of the impulse bit."""
        if self.impulse is None:
            flat = np.full(charge_V.shape, float(self.q.shots or NAN))
            return flat, flat
        energy = [bank.energy(float(v)) for v in charge_V]
        bit = np.array([self.impulse.bit_uNs(e) for e in energy])
        low = np.array([self.impulse.lower_uNs(e, self.q.confidence) for e in energy])
        return self.q.impulse_Ns / (1e-6 * bit), self.q.impulse_Ns / (1e-6 * low)

    def plans(self, part: _Part, bank: Bank, course: Course) -> list[MissionPlan]:
        """Plans of one bank at rising voltages that keep rating, days and the measured energies."""
        volts = np.array([self.q.charge_V])
        if np.isnan(volts).all():
            low, high = part.engine.tested
            # the tested ends are among them, so that the best of the tested is not missed
            own = np.union1d(np.geomspace(course.levels[0], course.levels[-1], STEPS), [low, high])
            volts = np.array([bank.charge_voltage(float(v)) for v in own])
        record = np.array([bank.record_voltage(float(v)) for v in volts])
        made = [
            self.plan(part, bank, course, float(v))
            for v, own in zip(volts, record, strict=True)
            if course.levels[0] * (1 - 1e-9) <= own <= course.levels[-1] * (1 + 1e-9)
        ]
        k = max((i for i, p in enumerate(made[:-1]) if p.passes), default=-1)
        if k >= 0 and not made[k + 1].passes:
            made.insert(k + 1, self.crossing(part, bank, course, made[k], made[k + 1]))
        return [p for p in made if self.kept(p)]

    def crossing(
        self, part: _Part, bank: Bank, course: Course, above: MissionPlan, below: MissionPlan
    ) -> MissionPlan:
        """The plan between two voltages at which promised and needed shots meet, the promise just above."""
        for _ in range(HALVINGS):
            middle = self.plan(part, bank, course, 0.5 * (above.charge_V + below.charge_V))
            above, below = (middle, below) if middle.passes else (above, middle)
        return above

    def plan(self, part: _Part, bank: Bank, course: Course, charge_V: float) -> MissionPlan:
        """The plan at one voltage."""
        q, energy = self.q, bank.energy(charge_V)
        at = np.array([charge_V])
        # rounding must not push the first or last level looked at beyond them
        own = np.clip(bank.record_voltage(charge_V), course.levels[0], course.levels[-1])
        promised = float(course.at(np.array([own]))[0])
        needed, most = (float(v[0]) for v in self.needed(bank, at))
        pace = q.rate_hz * q.duty
        if q.power_w is not None and np.isfinite(energy):
            pace = min(pace, q.power_w * q.efficiency / energy)
        watts = energy * pace / q.efficiency
        bit, low = NAN, NAN
        if self.impulse is not None:
            bit, low = self.impulse.bit_uNs(energy), self.impulse.lower_uNs(energy, q.confidence)
        lowest, highest = part.engine.tested
        return MissionPlan(
            part.name, bank.parallel, bank.series, charge_V, bank.capacitor_voltage(charge_V), part.rated_V, energy, bit,
            low, needed, most, promised, promised / most, watts, watts / q.bus_v, most / pace / SECONDS_A_DAY,
            bool(own < lowest * (1 - 1e-9) or own > highest * (1 + 1e-9)), bank.units * bank.capacitance_uF * part.rated_V**2 * 5e-7,
        )  # fmt: skip

    def kept(self, p: MissionPlan) -> bool:
        """Whether a plan keeps the rating, and the energies that the impulse bit was measured at."""
        if p.capacitor_V > p.rated_V:
            return False
        return self.impulse is None or bool(self.impulse.carries(np.array(p.energy_J)))

    def answer(self) -> MissionAnswer:
        """The plans together. Raises CannotAnswer where no plan can be judged."""
        q = self.q
        if not self.parts:
            raise CannotAnswer("; ".join(f"{n or self.slot}: {why}" for n, why in self.refused))
        found = [
            self.of_bank(part, p, s) for part in self.parts for p, s in q.banks(part.bank.units)
        ]
        self.refuse_power_without_energy()
        banks = tuple(b for b, _ in found)
        tried = [p for _, plans in found for p in plans]
        if not tried:
            raise CannotAnswer(self.nothing_kept())
        inside = [p for p in tried if not p.extrapolated]
        passing = [p for p in inside if p.passes] or [p for p in tried if p.passes]
        best = max(passing or inside or tried, key=lambda p: p.margin)
        lightest = min(passing, key=_weight, default=None)
        shown = next(plans for b, plans in found if (b.part, b.parallel, b.series) == best.bank)
        return MissionAnswer(
            self.slot, q.in_words(), q.impulse_Ns, q.survival, q.confidence, self.pushed(), best, lightest,
            min(passing, key=lambda p: (p.days, -p.margin), default=None), bool(passing), banks,
            _look_for(banks, lightest or best), tuple(_thinned(shown, best)), self.tested(best), q.limits(),
            notes=tuple(self.notes(best)),
        )  # fmt: skip

    def refuse_power_without_energy(self) -> None:
        """Settings of the supply do nothing where no energy is known. Raises BadInput."""
        known = any(np.isfinite(p.bank.total_uF) for p in self.parts)
        for name in ("power_w", "efficiency", "bus_v"):
            given = getattr(self.q, name) != DerateMission.model_fields[name].default
            refuse_unless(known or not given, name, "the capacitance is not known (capacitance_uf)")

    def tested(self, best: MissionPlan) -> tuple[float, float]:
        """Charge voltages of the best plan's bank between which its capacitors were tested."""
        part = next(p for p in self.parts if p.name == best.part)
        bank = replace(
            part.bank, parallel=best.parallel, series=best.series, unequal=self.q.unequal
        )
        low, high = part.engine.tested
        return bank.charge_voltage(low), bank.charge_voltage(high)

    def pushed(self) -> Push | None:
        """The impulse bit's law as the answer shows it."""
        i = self.impulse
        if i is None:
            return None
        source = "given" if not i.readings else f"{i.readings} readings"
        return Push(i.bit_uNs(1.0), i.exponent, i.readings, i.spread, i.band, source)

    def nothing_kept(self) -> str:
        """Why there is no plan at all."""
        q = self.q
        at = f" at {q.charge_V:g} V" if np.isfinite(q.charge_V) else ""
        if np.isfinite(self.fewest_days):
            return (
                f"No plan{at} fires the shots needed within {q.within_days:g} days: the quickest takes {self.fewest_days:.3g} "
                "days. Allow more days, a faster pace (rate_hz, duty), or more power (power_w)."
            )
        keeps = ["the rating of the parts", f"{FARTHEST:g} times beyond the tested voltages"]
        keeps += ["the energies at which the impulse bit was measured"] if self.impulse else []
        return (
            f"No bank{at} of the parts tested keeps all of: {', '.join(keeps)}. Test nearer to it."
        )

    def notes(self, best: MissionPlan) -> list[Note]:
        q = self.q
        notes = []
        if best.extrapolated:
            text = f"{best.charge_V:,.0f} V was not tested in such a bank: the promise trusts the power law. Test there."
            notes.append(Note("extrapolated", text))
        notes += [
            Note("not_carried", f"{n or self.slot} is left out: {why}") for n, why in self.refused
        ]
        used = [p.used for p in self.parts]
        notes += carried_notes(
            [
                c
                for u in used
                for c in u.carried
                if c.stress != "charge_V" or c.status == "by a sourced prior"
            ]
        )
        notes += left_out_notes([replace(u, left_out=()) for u in used])
        apart = sorted({s for c in self.courses.values() for s in c.apart})
        notes += apart_notes(apart, apart)
        text = (
            f"Only the {self.slot.replace('_', ' ')} is judged. Ask module or flight at that voltage for the other slots; "
            "storage, idle time and conditions other than those tested are not covered."
        )
        notes.append(Note("one_slot", text))
        if self.impulse is not None:
            text = (
                "Needed shots are at the lower limit of the impulse bit, promised ones at the lower bound of life: the two "
                "together are on the safe side. The bit is taken to depend on the energy alone, whatever the bank."
                if self.impulse.readings or self.impulse.band
                else "The impulse bit was given without a band (+-10%): its own uncertainty is not in the margin."
            )
            notes.append(Note("impulse_bit", text))
        if q.delta_v is not None:
            text = "Mass times velocity change; the rocket equation asks for a little less, as fuel is lost."
            notes.append(Note("constant_mass", text))
        if any(
            (b.parallel, b.series) != (p.bank.parallel, p.bank.series)
            for b in [best]
            for p in self.parts
            if p.name == best.part
        ):
            text = "Banks other than recorded: hazards of equal capacitors add, and the first short ends the bank."
            notes.append(Note("bank", text))
        if any(np.isfinite(p.rated_V) for p in self.parts):
            text = (
                "The rated voltage to look for takes life to go with voltage over rated voltage, as for one make and "
                "dielectric of the same capacitance; that is a guide for buying, not a promise. Test what is bought."
            )
            notes.append(Note("rated_law", text))
        return notes


def _weight(p: MissionPlan) -> tuple[float, float, float]:
    """Sorts plans, lightest first: fewest capacitors, then least energy at the rating, then most margin."""
    rated = p.rated_energy_J if np.isfinite(p.rated_energy_J) else INF
    return (p.parallel * p.series, rated, -p.margin)


def _look_for(banks: Sequence[BankPlans], like: MissionPlan) -> BankPlans | None:
    """The bank, as many capacitors as that plan, that needs the lowest rating at the voltage wanted."""
    known = [
        b
        for b in banks
        if np.isfinite(b.rated_V) and b.parallel * b.series == like.parallel * like.series
    ]
    return min(known, key=lambda b: (b.series, b.rated_V), default=None)


def _thinned(plans: Sequence[MissionPlan], best: MissionPlan) -> list[MissionPlan]:
    """About thirty of the plans, the best among them."""
    step = max(1, len(plans) // 30)
    return [p for i, p in enumerate(plans) if i % step == 0 or p == best or i == len(plans) - 1]
