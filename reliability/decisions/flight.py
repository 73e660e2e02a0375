"""What to promise for one flight unit, given its burn-in so far."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from pydantic import model_validator
from scipy.special import betainc, betaincinv

from reliability.decisions.answer_notes import (
    alone_notes,
    burned_in_notes,
    carried_notes,
    declared_text,
    early_notes,
    early_text,
    falling_notes,
    few_notes,
    group_notes,
    left_out_notes,
    looked_bad_notes,
    no_voltage_notes,
    refuse_burned_in,
    unclear_notes,
    unseen_text,
    unseen_weak,
)
from reliability.decisions.bench import Bench
from reliability.decisions.found_out import Case, FoundOut, findings
from reliability.decisions.mission import OnMission
from reliability.decisions.more_tests import MoreTest, Wanted, more_tests
from reliability.decisions.on_board import OnBoard, drift_of, on_board_of, whose
from reliability.decisions.operating import in_words, refuse_uncarried
from reliability.decisions.parts import Curve, Seen, seen_of
from reliability.decisions.question import (
    Answer,
    Count,
    Level,
    OnRecords,
    burned_in_setting,
    confidence_setting,
    levels,
    numbers,
    pairs,
    refuse_unless,
    setting,
)
from reliability.decisions.siblings import (
    AsSiblings,
    Looked,
    Wish,
    borrowed_from,
    look_at,
    sibling_notes,
)
from reliability.filters import whole_units
from reliability.notes import BadInput, Note
from reliability.pool import Pool
from reliability.records import LifeRecords, join
from reliability.slots.carried import Carried, NotCarried, Usable, usable
from reliability.slots.exposure import SAME_VOLTAGE, Asked, SlotData, slot_data
from reliability.slots.mission import no_drift
from reliability.slots.promise import ModuleModel
from reliability.words import percent_text, shots_text, so_many_shots, volts_text, whole


@dataclass(frozen=True)
class FlightSlot:
    """One slot of the flight module.

    Attributes
    ----------
    slot, part, unit : str
    so_far : float
        Shots on the unit (the most, if there are several).
    n, failed : number
        Units and failures that its model rests on.
    basis : str
        ``life``, ``voltage model``, ``voltage prior`` or ``no failure yet``; ``+ drift`` where wear
        readings add to it.
    shape : float
        Of its life; nan where nothing failed.
    survival, lower : float
        Of the mission, given survival so far.
    promise : float
        Shots this slot alone could be promised for.
    ends_first : float
        Probability that it fails first, within the mission.
    holds_down : float
        Share of the hazard that this slot may have where the promise is met: what keeps it short.
    stress : dict
        The unit's own stress, as recorded.
    use_V : float
        Voltage it is promised at; nan where that does not matter or is not known.
    seen : tuple of Seen
        The lives that its model rests on, with their voltages; thinned where there are very many.
    as_siblings : AsSiblings or None
        What this slot alone could be promised for if its units fail as their siblings do, where there are siblings enough.
    """

    slot: str
    part: str
    unit: str
    so_far: float
    n: Count
    failed: Count
    basis: str
    shape: float
    survival: float
    lower: float
    promise: float
    ends_first: float
    holds_down: float
    stress: dict[str, Level]
    use_V: float
    seen: tuple[Seen, ...]
    as_siblings: AsSiblings | None = None


@dataclass(frozen=True)
class MissionSurvival:
    """Survival of the mission: estimate and lower bound."""

    estimate: float
    lower: float


@dataclass(frozen=True)
class Promise:
    """Shots at which the lower bound of survival, at the confidence, is still ``survival``."""

    shots: float
    survival: float
    confidence: float


@dataclass(frozen=True)
class FirstToFail:
    """Probability that the slot fails first, within the mission."""

    slot: str
    probability: float


@dataclass(frozen=True)
class Several:
    """For so many equal units: chance that all last, that one at least does, and that enough do; lower bounds.

    What is not known of their life is common to all of them: a bound on one module's survival s is one on
    all, so that the bound on any chance that rises with s is that chance at the bound, at the same confidence.
    """

    units: int
    working: int
    all: float
    all_lower: float
    one: float
    one_lower: float
    enough: float
    enough_lower: float


@dataclass(frozen=True)
class FlightAnswer(Answer):
    """What can be promised for one module.

    Attributes
    ----------
    module : str
    mission : str
        As it was stated, with its legs.
    mission_shots : float
    survival : MissionSurvival
        Of one module.
    promise : Promise
        Of one module, or of as many as must work where several fly.
    margin_shots : float
        Promise less mission.
    by_slot : tuple of FlightSlot
    first_to_fail : tuple of FirstToFail
    several : Several
    more : tuple of MoreTest
    found : tuple of FoundOut
        What would help without the bench.
    at : dict
        The mission's own stresses, where they differ from the module's records.
    carried : tuple of Carried
        What of the operating point the records carry.
    confidence : float
    builders : tuple of str
    pool_units, pool_failed : number
        Of all records behind it.
    curve : Curve
        Survival from now on; its upper bound is not worked out and equals the estimate.
    early : tuple of str
        Slots whose early failures stand apart from the rest.
    unseen_weak : float
        Share of weak units that tests may not have shown, where units are new and it could break the promise; else 0.
    no_early_failures : bool
        Whether it was declared that no hazard falls with shots.

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Flight(module="kite-01", shots=500, brief=True), rl.demo())
    >>> a.margin_shots == a.promise.shots - a.mission_shots
    True
    """

    module: str
    mission: str
    mission_shots: float
    survival: MissionSurvival
    promise: Promise
    margin_shots: float
    by_slot: tuple[FlightSlot, ...]
    first_to_fail: tuple[FirstToFail, ...]
    several: Several
    more: tuple[MoreTest, ...]
    found: tuple[FoundOut, ...]
    at: dict[str, Level]
    carried: tuple[Carried, ...]
    confidence: float
    builders: tuple[str, ...]
    pool_units: Count
    pool_failed: Count
    curve: Curve
    early: tuple[str, ...] = ()
    unseen_weak: float = 0.0
    no_early_failures: bool = False

    @property
    def borrowed(self) -> tuple[str, ...]:
        """Builders on whose shapes the slots' second figures rest."""
        return borrowed_from([s.as_siblings for s in self.by_slot])

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        p = self.promise
        place = f" at {in_words(self.at)}" if self.at else ""
        ok = "meets" if self.margin_shots >= 0 else "falls short of"
        if self.several.units > 1:
            return self._several(place, ok)
        return (
            f"{early_text(self.early)}{declared_text(self.no_early_failures)}Module {self.module}{place} can be promised {so_many_shots(p.shots)} ({percent_text(p.survival)} survival "
            f"at {percent_text(p.confidence)} confidence), which {ok} the mission of "
            f"{shots_text(self.mission_shots)}: "
            + _chance("it lasts that", self.survival.estimate, self.survival.lower)
            + unseen_text(self.unseen_weak)
        )

    def _several(self, place: str, ok: str) -> str:
        """The sentence for several modules."""
        p, v = self.promise, self.several
        who = f"all {v.units}" if v.working == v.units else f"at least {v.working} of {v.units}"
        return (
            f"{declared_text(self.no_early_failures)}{so_many_shots(p.shots)} can be promised for {who} modules like {self.module}{place} "
            f"({percent_text(p.survival)} survival together at {percent_text(p.confidence)} confidence), which {ok} the "
            f"mission of {shots_text(self.mission_shots)}: "
            + _chance("so many last that", v.enough, v.enough_lower)
            + unseen_text(self.unseen_weak)
        )


def _chance(what: str, estimate: float, lower: float) -> str:
    """A probability and its bound; the bound alone where nothing has failed, so that none is estimated."""
    if estimate >= 1.0:
        return f"{what} with probability {percent_text(lower)} at least (nothing has failed yet: no estimate)."
    return f"{what} with probability {percent_text(estimate)} as estimated, at least {percent_text(lower)}."


class Flight(OnRecords, OnMission):
    """What to promise for one flight module, given its burn-in so far.

    The module's own records tell its parts, stresses and shots so far; all records, its own failures and good
    shots among them, tell how such units live. It is promised at the voltage it was burnt in at, or at the mission's own (``use``). The Weibull
    family is taken for every slot.

    Examples
    --------
    >>> Flight(module="kite-01", days=2, duty=0.05).mission().in_shots()
    2880.0
    """

    name = "flight"
    bounds = ("slot",)  # shapes of other builders' units stand beside its slots
    text = "What to promise for one flight module, given its burn-in."
    needs = ("life", "wear")
    answer_type = FlightAnswer

    module: str = setting(..., "The flight module.", of="module", min_length=1)
    use: tuple[str, ...] = setting(
        (),
        "The mission's own voltage or temperature, such as charge_V=1200. Default: the module's.",
        hint="COLUMN=LEVEL",
        most=20,
    )
    survival: float = setting(0.9, "Survival of the promise.", gt=0, lt=1)
    confidence: float = confidence_setting()
    units: int = setting(1, "Flight modules like this one.", ge=1, le=1000)
    working: int | None = setting(
        None, "So many of them must last the mission. Default: all.", ge=1, le=1000
    )
    leg: tuple[str, ...] = setting(
        (), "Leg of the mission at its own voltage, with its share of the shots, such as 1200=0.7.",
        hint="VOLTS=SHARE", most=20,
    )  # fmt: skip
    no_early_failures: bool = burned_in_setting()
    brief: bool = setting(False, "Leave out what more testing would change.")
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _stated(self) -> Flight:
        self.mission().in_shots()
        paced = not self.brief or self.days is not None
        refuse_unless(
            paced or self.rate_hz == 1 / 3, "rate_hz", "it goes with days, or without brief"
        )
        refuse_unless(self.working is None or self.units > 1, "working", "it goes with units")
        if (self.working or 1) > self.units:
            raise BadInput(f"working is at most the units, {self.units}")
        refuse_unless(
            not self.leg or "charge_V" not in levels(self.use),
            "use charge_V",
            "legs say the voltage",
        )
        self.legs()
        levels(self.use, ("charge_V", "temp_C"))
        return self

    def legs(self) -> dict[float, float]:
        """Share of the mission's shots by voltage. Raises BadInput."""
        allowed = "leg is VOLTS=SHARE, such as 1200=0.7, and the shares add up to 1"
        try:
            out = {float(v): float(s) for v, s in pairs(self.leg, "leg", "1200=0.7").items()}
        except ValueError:
            raise BadInput(allowed) from None
        good = all(0 < v < 1e9 and 0 < s <= 1 for v, s in out.items())
        if len(out) != len(self.leg) or not good or (out and abs(sum(out.values()) - 1) > 1e-6):
            raise BadInput(allowed)
        return out

    def answer(self, pool: Pool) -> FlightAnswer:
        """The promise.

        Raises
        ------
        BadInput
            If there is no such module.
        CannotAnswer
            If a slot's last unit has failed; ``NotCarried`` where the pool does not carry a slot of it.
        """
        found = _Flight(self.chosen(pool), pool, self).answer()
        return replace(found, notes=found.notes + looked_bad_notes(self.as_recorded(pool)))


class _Flight:
    """One flight module while its answer is worked out."""

    def __init__(self, records: LifeRecords, pool: Pool, q: Flight) -> None:
        self.records, self.pool, self.q = records, pool, q
        self.shots = q.mission().in_shots()
        self.on_board = on_board_of(records, q.module)
        self.use = levels(q.use)
        self.legs = q.legs()
        self.working = q.working or q.units
        # survival that each module needs for enough of them to have the one asked for
        self.needed = float(betaincinv(self.working, q.units - self.working + 1, q.survival))
        mine = whose(records, q.module)
        self.own, others = records.select(mine), records.select(~mine)
        self.used = [self.usable(b, others) for b in self.on_board]
        refuse_uncarried(self.use, (c for u in self.used for c in u.carried), records)
        self.told = [self.telling(b, u) for b, u in zip(self.on_board, self.used, strict=True)]
        drift = drift_of(pool.wear, records, q.module, self.on_board)
        self.drifts = drift
        self.now = ModuleModel(
            self.slot_data(),
            lambda n: sum((d(n) for d in drift.values()), no_drift(n)),
            q.seed,
            burned_in=q.no_early_failures,
        )
        refuse_burned_in(self.now)

    def usable(self, b: OnBoard, pool: LifeRecords) -> Usable:
        """The pool's records for what is on board, at the mission's stresses: of all its legs."""
        if not self.legs:
            return self.at(b, pool, self.use)
        legs = [self.at(b, pool, {**self.use, "charge_V": v}) for v in self.legs]
        # the leg that needs a law of voltage speaks for the slot
        one = next((u for u in legs if np.isfinite(u.use_V)), legs[0])
        return replace(one, carried=tuple(dict.fromkeys(c for u in legs for c in u.carried)))

    def at(self, b: OnBoard, pool: LifeRecords, use: dict[str, Level]) -> Usable:
        point = {k: v for k, v in b.stress.items() if k in ("charge_V", "temp_C")} | use
        if "charge_V" not in b.stress and "charge_V" in use and not b.voltage_matters(pool):
            point.pop("charge_V")
        point["part"] = b.part
        others = pool.select(pool.slot == b.slot)
        if not len(others):
            raise NotCarried(
                f"No {b.slot} but that of module {self.q.module} itself is on record, and a promise for one module leans on "
                "how others lived. Test another one; what a new module is promised, 'module' tells without."
            )
        return usable(b.slot, others, point)

    def telling(self, b: OnBoard, used: Usable) -> LifeRecords:
        """What tells how such units live: the pool's records that carry it, and the module's own."""
        own = self.own.select(self.own.slot == b.slot)
        if (used.records.part != "").any():
            own = own.select(own.part == b.part)
        if _has_voltage(used.records):
            volts = own.covariates["charge_V"]
            own = whole_units(own, "charge_V", np.isfinite(volts))
        return join((used.records, own))

    def slot_data(self) -> list[SlotData]:
        rows = zip(self.on_board, self.used, self.told, strict=True)
        return [self.flown(slot_data(b.slot, t, _asked_of(b, u, t)), u) for b, u, t in rows]

    def flown(self, slot: SlotData, used: Usable) -> SlotData:
        """The slot with the legs of the mission, where the voltage matters to it."""
        if not self.legs or not np.isfinite(used.use_V):
            return slot
        legs = tuple((float(np.log(v / used.use_V)), share) for v, share in self.legs.items())
        return replace(slot, mission=legs, law=slot.law or any(x for x, _ in legs))

    @cached_property
    def siblings(self) -> list[Looked | None]:
        """Each slot beside its siblings, the module's own units left out."""
        all_ = self.pool.records.suspects_failed()
        all_ = all_.select(~whose(all_, self.q.module))
        wish = Wish(self.needed, self.q.confidence)
        return [look_at(self.now, i, u.records, all_, wish) for i, u in enumerate(self.used)]

    def several(self, est: float, lower: float) -> Several:
        """The modules together: the bound on one is that on all of them."""
        k, m = self.q.units, self.working
        enough, enough_lower = (float(betainc(m, k - m + 1, s)) for s in (est, lower))
        return Several(
            k, m, est**k, lower**k, 1 - (1 - est) ** k, 1 - (1 - lower) ** k, enough, enough_lower
        )

    def answer(self) -> FlightAnswer:
        q, shots, r, m = self.q, self.shots, self.records, self.now
        promised = m.promise(self.needed, q.confidence)
        est, lower = m.survival(shots), m.lower(shots, q.confidence)
        slots = self.slots(promised)
        first: dict[str, float] = {}
        for s in slots:
            first[s.slot] = first.get(s.slot, 0.0) + s.ends_first
        return FlightAnswer(
            q.module, self.mission_in_words(), shots, MissionSurvival(est, lower),
            Promise(promised, q.survival, q.confidence), promised - shots,
            tuple(sorted(slots, key=lambda s: -s.ends_first)),
            tuple(FirstToFail(n, v) for n, v in sorted(first.items(), key=lambda nv: -nv[1])),
            self.several(est, lower), *((), ()) if q.brief else (self.more(promised), self.found(promised)), self.use, tuple(c for u in self.used for c in u.carried), q.confidence,
            tuple(sorted(set(r.builder.tolist()))), whole(r.units), whole(r.failures), self.curve(promised),
            tuple(m.early_seen()), unseen_weak(m, self.needed), q.no_early_failures,
            notes=(
                *self.notes(),
                *alone_notes(promised, [(s.slot, s.promise) for s in slots]),
                *falling_notes(m, promised, q.confidence),
            ),
        )  # fmt: skip

    def mission_in_words(self) -> str:
        """The mission as it was stated, with its legs."""
        legs = ", ".join(f"{percent_text(s)} at {volts_text(v)}" for v, s in self.legs.items())
        return self.q.mission().in_words() + (f" ({legs})" if legs else "")

    def slots(self, promised: float) -> list[FlightSlot]:
        """Each slot: bounds by its own records alone, the rest as in the whole."""
        q, shots, m = self.q, self.shots, self.now
        # chance that each is the first to fail within the mission, by integration
        grid = np.concatenate(([0.0], np.geomspace(shots * 1e-4, shots, 200)))
        ends = m.first_to_fail(grid)
        down = m.held_down_by(promised, q.confidence)
        out = []
        for i, (b, u, told) in enumerate(zip(self.on_board, self.used, self.told, strict=True)):
            alone, kin = m.only(i), self.siblings[i]
            out.append(
                FlightSlot(
                    b.slot, b.part, b.unit, b.so_far, whole(told.units), whole(told.failures), self.basis(i),
                    m.shape(i), float(np.exp(-m.hazard(i, shots))), alone.lower(shots, q.confidence),
                    alone.promise(self.needed, q.confidence), ends[i], down[i], b.stress,
                    float(u.use_V), seen_of(told, "charge_V"), None if kin is None else kin.found,
                )
            )  # fmt: skip
        return out

    def basis(self, i: int) -> str:
        """What the slot's model rests on."""
        slot, used = self.now.slots[i], self.used[i]
        status = {c.stress: c.status for c in used.carried}.get("charge_V", "")
        text = {"modelled": "voltage model", "by a sourced prior": "voltage prior"}.get(
            status, "life"
        )
        if not slot.failures:
            text = "no failure yet"
        return f"{text} + drift" if self.on_board[i].key in self.drifts else text

    def curve(self, promised: float, points: int = 24) -> Curve:
        """Survival from now on, beyond mission and promise."""
        m = self.now
        low = max(min(self.shots, promised) / 20, self.shots * 1e-3)
        grid = np.geomspace(low, max(2 * self.shots, 1.5 * promised), points)
        best = [m.survival(s) for s in grid]
        lower = [m.lower(s, self.q.confidence) for s in grid]
        return Curve(*((start, *numbers(v)) for start, v in ((0.0, grid), (1.0, best), (1.0, lower), (1.0, best))))  # fmt: skip

    def more(self, promised: float) -> tuple[MoreTest, ...]:
        """Tests that lengthen the promise if nothing fails, most shots gained a bench day first."""
        q = self.q
        wanted = Wanted(self.shots, self.needed, q.confidence, Bench(q.rate_hz))
        return more_tests(self.now, wanted, promised, burn_in=True)

    def found(self, promised: float) -> tuple[FoundOut, ...]:
        """Records completed and sources that lengthen the promise."""
        wanted = Wanted(self.shots, self.needed, self.q.confidence)

        def again(records: LifeRecords) -> ModuleModel:
            return _Flight(records, self.pool, self.q).now

        return findings(Case(self.now, wanted, promised, self.records, again))

    def own_notes(self) -> list[Note]:
        """What the module's own burn-in counts for."""
        if not any(b.so_far for b in self.on_board):
            return []
        text = (
            "The module's own burn-in counts as evidence. That is right if all modules and parts that were burnt in "
            "are on record, the failed ones too."
        )
        notes = [Note("own_burn_in", text)]
        age_only = sorted(
            b.slot for b, t in zip(self.on_board, self.told, strict=True)
            if b.so_far and not whose(t, self.q.module).any()
        )  # fmt: skip
        if age_only:
            text = f"The burn-in of {', '.join(age_only)}, at a voltage not recorded, counts as age only."
            notes.append(Note("age_only", text))
        return notes

    def notes(self) -> tuple[Note, ...]:
        text = (
            "This is an estimate from test data, not a qualification. Slots are taken to fail independently; flight "
            "conditions other than those tested, storage and idle time are not covered."
        )
        notes = [Note("not_a_qualification", text), *self.own_notes()]
        if self.legs:
            text = "The legs are flown in these shares all along: the promise is shots of the whole mission."
            notes.append(Note("legs", text))
        notes += carried_notes([c for u in self.used for c in u.carried])
        notes += left_out_notes(self.used)
        notes += no_voltage_notes(self.records)
        notes += few_notes([(s.name, s.failures) for s in self.now.slots])
        notes += early_notes(self.now, self.needed)
        notes += burned_in_notes(self.now)
        notes += group_notes(self.now)
        notes += unclear_notes(self.now, self.needed, self.q.confidence)
        notes += sibling_notes(self.siblings)
        missing = set(self.records.slot.tolist()) - {b.slot for b in self.on_board} - {""}
        if missing:
            text = f"Module {self.q.module} has no record of {', '.join(sorted(missing))}; they are not in the promise."
            notes.append(Note("slots_missing", text))
        for b, u in zip(self.on_board, self.used, strict=True):
            if b.so_far > float(u.records.shots_good.max()):
                notes.append(Note("oldest", f"{b.slot} has more shots than any tested unit."))
        if self.drifts:
            text = f"Wear readings add drift towards a limit: {', '.join(sorted(k.split('/')[-2] if k.count('/') > 1 else k for k in self.drifts))}."
            notes.append(Note("wear_added", text))
        return tuple(notes)


def _has_voltage(records: LifeRecords) -> bool:
    volts = records.covariates.get("charge_V")
    return volts is not None and bool(np.isfinite(volts).any())


def _asked_of(b: OnBoard, used: Usable, told: LifeRecords) -> Asked:
    """What is asked of a slot: a unit run in at another voltage than the tests' has aged by the law of voltage."""
    use = used.use_V
    if not np.isfinite(use) and _has_voltage(used.records):
        tested = float(np.nanmin(used.records.covariates["charge_V"]))
        run = [*told.covariates["charge_V"].tolist(), *(v for own in b.ages for v, _ in own)]
        if any(abs(np.log(v / tested)) >= SAME_VOLTAGE for v in run if np.isfinite(v)):
            use = tested
    return Asked(use, b.ages, builder=b.builder, lot=b.lot)
