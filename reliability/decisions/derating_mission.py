"""Derating from the mission: which voltage, bank and part, and which rated voltage to look for.

The impulse bit falls with the voltage, so that a mission stated as an impulse needs more shots the lower the
voltage; the promise rises faster. Both are worked out over voltage, bank and part at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from pydantic import model_validator

from reliability.decisions.answer_notes import apart_notes, carried_notes, left_out_notes
from reliability.decisions.bank import Bank
from reliability.decisions.found_out import FoundOut
from reliability.decisions.impulse import (
    COLUMN,
    Impulse,
    fit_impulse,
    impulse_of_records,
    read_impulse,
)
from reliability.decisions.mission_plans import BankPlans, MissionAnswer, MissionPlan, Push
from reliability.decisions.mission_search import (
    REFERENCE_HZ,
    BankSearch,
    Capacitors,
    Needs,
    Supply,
    best_of,
    of_bank,
    parts_of,
    soonest,
    weight,
)
from reliability.decisions.question import (
    OnRecords,
    confidence_setting,
    levels,
    refuse_unless,
    setting,
)
from reliability.decisions.slot_tests import AtLevel, SlotTest, helps_note, slot_finds, slot_tests
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.slots.carried import FARTHEST
from reliability.words import volts_text

NAN = float("nan")
INF = float("inf")
MOST_BANKS = 60
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
            raise BadInput("delta_v needs mass, the satellite's in kg")
        refuse_unless(self.mass is None or self.delta_v is not None, "mass", "it goes with delta_v")
        refuse_unless(
            not self.impulse or self.shots is None, "impulse", "the mission is stated in shots"
        )
        if self.impulse:
            read_impulse(self.impulse)
        levels(self.use, ("charge_V",))
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
        return _Mission(records, self, self.push(pool, records)).answer()


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


class _Mission:
    """A mission while its plans are worked out."""

    def __init__(self, records: LifeRecords, q: DerateMission, impulse: Impulse | None) -> None:
        self.q, self.slot, self.impulse = q, str(records.slot[0]), impulse
        said = Capacitors(q.capacitance_uf, q.rated_v, q.unequal)
        found = parts_of(records, said, q.rate_hz, impulse is not None, q.seed)
        self.parts, self.refused = found.known, found.refused
        self.needs = Needs(
            NAN if q.shots is None else q.shots, q.impulse_Ns, impulse, q.survival, q.confidence, q.charge_V,
            INF if q.within_days is None else q.within_days,
        )  # fmt: skip
        power = INF if q.power_w is None else q.power_w
        self.supply = Supply(q.rate_hz, q.duty, power, q.efficiency, q.bus_v)

    def searches(self) -> list[BankSearch]:
        """Every bank of every part. Raises BadInput, CannotAnswer."""
        if not self.parts:
            raise CannotAnswer("; ".join(f"{n or self.slot}: {why}" for n, why in self.refused))
        known = any(np.isfinite(p.bank.total_uF) for p in self.parts)
        for name in ("power_w", "efficiency", "bus_v"):
            given = getattr(self.q, name) != DerateMission.model_fields[name].default
            refuse_unless(known or not given, name, "the capacitance is not known (capacitance_uf)")
        return [
            BankSearch(part, part.arranged(p, s, self.q.unequal), self.needs, self.supply)
            for part in self.parts
            for p, s in self.q.banks(part.bank.units)
        ]

    def answer(self) -> MissionAnswer:
        """The plans together. Raises BadInput, CannotAnswer."""
        q = self.q
        found = {s: s.plans() for s in self.searches()}
        kept = {s: [p for p in own if p.days <= self.needs.within_days] for s, own in found.items()}
        tried = [p for own in kept.values() for p in own]
        best = best_of(tried)
        if best is None:
            raise CannotAnswer(self.nothing_kept([p for own in found.values() for p in own]))
        # outside the tests only where none inside passes
        passing = [p for p in tried if p.passes and p.extrapolated <= best.extrapolated]
        lightest = min(passing, key=weight, default=None)
        quickest = min(passing, key=soonest, default=None)
        # the rating is looked for at the voltage asked for, else at the highest tested of any part
        at = q.charge_V if np.isfinite(q.charge_V) else max(p.highest for p in self.parts)
        banks = tuple(of_bank(s, own, at) for s, own in kept.items())
        shown = next(s for s, own in kept.items() if best in own)
        more, finds = self.helps(shown, best)
        low, high = (shown.bank.charge_voltage(v) for v in shown.part.engine.tested)
        return MissionAnswer(
            self.slot, q.in_words(), q.impulse_Ns, q.survival, q.confidence, self.pushed(), best, lightest, quickest,
            bool(passing), banks, _look_for(banks, lightest or best), _thinned(kept[shown], best), (low, high), q.limits(), more, finds,
            notes=(*self.notes(best, shown.bank), *helps_note(more, best.needed_most, f"at {volts_text(best.charge_V)}")),
        )  # fmt: skip

    def helps(
        self, search: BankSearch, best: MissionPlan
    ) -> tuple[tuple[SlotTest, ...], tuple[FoundOut, ...]]:
        """What would lengthen the promise of a plan: tests, and what may be found out without the bench."""
        bank, q = search.bank, self.q
        level = bank.record_voltage(best.charge_V)
        now = AtLevel(level, best.needed_most, bank.record_survival(q.survival), q.confidence)
        tests = slot_tests(search.part.engine, now)
        # the shots needed go with the voltage, so no highest voltage is told
        more = tuple(replace(t, highest_V=NAN) for t in tests)
        return more, slot_finds(search.part.engine, now)

    def pushed(self) -> Push | None:
        """The impulse bit's law as the answer shows it."""
        i = self.impulse
        if i is None:
            return None
        source = "given" if not i.readings else f"{i.readings} readings"
        return Push(i.bit_uNs(1.0), i.exponent, i.readings, i.spread, i.band, source)

    def nothing_kept(self, in_any_time: Sequence[MissionPlan]) -> str:
        """Why there is no plan at all."""
        q = self.q
        at = f" at {q.charge_V:g} V" if np.isfinite(q.charge_V) else ""
        if in_any_time:
            days = min(p.days for p in in_any_time)
            return (
                f"No plan{at} fires the shots needed within {q.within_days:g} days: the quickest takes {days:.3g} days. "
                "Allow more days, a faster pace (rate_hz, duty), or more power (power_w)."
            )
        keeps = ["the rating of the parts", f"{FARTHEST:g} times beyond the tested voltages"]
        keeps += ["the energies at which the impulse bit was measured"] if self.impulse else []
        return (
            f"No bank{at} of the parts tested keeps all of: {', '.join(keeps)}. Test nearer to it."
        )

    def notes(self, best: MissionPlan, bank: Bank) -> list[Note]:
        """What to know of the best plan and of all."""
        notes = []
        if best.extrapolated:
            text = f"{volts_text(best.charge_V)} was not tested in such a bank: the promise trusts the power law. Test there."
            notes.append(Note("extrapolated", text))
        for name, why in self.refused:
            notes.append(Note("not_carried", f"{name or self.slot} is left out: {why}"))
        used = [p.used for p in self.parts]
        prior = [c for u in used for c in u.carried if c.status == "by a sourced prior"]
        notes += carried_notes(prior) + left_out_notes([replace(u, left_out=()) for u in used])
        apart = sorted({s for p in self.parts for s in p.engine.model.grouped()})
        notes += apart_notes(apart, apart)
        text = (
            f"Only the {self.slot.replace('_', ' ')} is judged. Ask module or flight at that voltage for the other slots; "
            "storage, idle time and conditions other than those tested are not covered."
        )
        return [*notes, Note("one_slot", text), *self.physics_notes(), *_bank_notes(bank, best)]

    def physics_notes(self) -> list[Note]:
        """How the mission was turned into shots."""
        notes, law = [], self.impulse
        if law is not None:
            text = (
                "Needed shots are at the lower limit of the impulse bit, promised ones at the lower bound of life: the two "
                "together are on the safe side. The bit is taken to depend on the energy alone, whatever the bank."
                if law.readings or law.band
                else "The impulse bit was given without a band (+-10%): its own uncertainty is not in the margin."
            )
            notes.append(Note("impulse_bit", text))
        if self.q.delta_v is not None:
            text = "Mass times velocity change; the rocket equation asks for a little less, as fuel is lost."
            notes.append(Note("constant_mass", text))
        return notes


def _bank_notes(bank: Bank, best: MissionPlan) -> list[Note]:
    notes = []
    if not bank.as_recorded:
        text = "Banks other than recorded: hazards of equal capacitors add, and the first short ends the bank."
        notes.append(Note("bank", text))
    if np.isfinite(best.rated_V):
        text = (
            "The rated voltage to look for takes life to go with voltage over rated voltage, as for one make and "
            "dielectric of the same capacitance; that is a guide for buying, not a promise. Test what is bought."
        )
        notes.append(Note("rated_law", text))
    return notes


def _look_for(banks: Sequence[BankPlans], like: MissionPlan) -> BankPlans | None:
    """The bank, as many capacitors as that plan, that needs the lowest rating at the voltage wanted."""
    units = like.parallel * like.series
    known = [b for b in banks if np.isfinite(b.rated_V) and b.parallel * b.series == units]
    return min(known, key=lambda b: (b.series, b.rated_V), default=None)


def _thinned(plans: Sequence[MissionPlan], best: MissionPlan) -> tuple[MissionPlan, ...]:
    """About thirty of the plans, the best among them."""
    step, last = max(1, len(plans) // 30), len(plans) - 1
    return tuple(p for i, p in enumerate(plans) if i % step == 0 or p == best or i == last)
