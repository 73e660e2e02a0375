"""What to promise for one flight unit, given its burn-in so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import model_validator

from reliability.decisions.answer_notes import (
    carried_notes,
    early_notes,
    early_text,
    few_notes,
    group_notes,
    left_out_notes,
    suspect_notes,
)
from reliability.decisions.bench import SECONDS_A_DAY
from reliability.decisions.mission import OnMission
from reliability.decisions.on_board import TAKEN_OUT, OnBoard, drift_of, on_board_of, whose
from reliability.decisions.operating import in_words
from reliability.decisions.parts import Curve
from reliability.decisions.question import (
    Answer,
    Count,
    Level,
    OnRecords,
    confidence_setting,
    levels,
    numbers,
    refuse_unless,
    setting,
)
from reliability.notes import BadInput, Note
from reliability.pool import Pool
from reliability.records import LifeRecords, join
from reliability.slots.carried import Carried, Usable, usable
from reliability.slots.exposure import Asked, SlotData, slot_data
from reliability.slots.promise import ModuleModel, older
from reliability.words import percent_text, shots_text, whole

LEAST_CHANCE = 0.05
"""tests that end the module more surely than this are not offered"""


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


@dataclass(frozen=True)
class MoreTest:
    """What more burn-in, or a test of a sister module without failure, would change; bench days at the rate."""

    what: str
    shots: float
    days: float
    survives_it: float
    survival: float
    lower: float
    promise: float


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
    """For so many equal units: chance that all last and that one at least does, with lower bounds."""

    units: int
    all: float
    all_lower: float
    one: float
    one_lower: float


@dataclass(frozen=True)
class FlightAnswer(Answer):
    """What can be promised for one module.

    Attributes
    ----------
    module : str
    mission : str
        As it was stated.
    mission_shots : float
    survival : MissionSurvival
    promise : Promise
    margin_shots : float
        Promise less mission.
    by_slot : tuple of FlightSlot
    first_to_fail : tuple of FirstToFail
    several : Several
    more : tuple of MoreTest
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
    at: dict[str, Level]
    carried: tuple[Carried, ...]
    confidence: float
    builders: tuple[str, ...]
    pool_units: Count
    pool_failed: Count
    curve: Curve
    early: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        p = self.promise
        place = f" at {in_words(self.at)}" if self.at else ""
        ok = "meets" if self.margin_shots >= 0 else "falls short of"
        return (
            f"{early_text(self.early)}Module {self.module}{place} can be promised {shots_text(p.shots)} shots ({percent_text(p.survival)} survival "
            f"at {percent_text(p.confidence)} confidence), which {ok} the mission of "
            f"{shots_text(self.mission_shots)}: it lasts that with probability {percent_text(self.survival.estimate)} "
            f"as estimated, at least {percent_text(self.survival.lower)}."
        )


class Flight(OnRecords, OnMission):
    """What to promise for one flight module, given its burn-in so far.

    The module's own records tell its parts, stresses and shots so far; the pool tells how such units
    live. It is promised at the voltage it was burnt in at, or at the mission's own (``use``). The Weibull
    family is taken for every slot.

    Examples
    --------
    >>> Flight(module="kite-01", days=2, duty=0.05).mission().in_shots()
    2880.0
    """

    name = "flight"
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
    brief: bool = setting(False, "Leave out what more testing would change.")
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _stated(self) -> Flight:
        self.mission().in_shots()
        paced = not self.brief or self.days is not None
        refuse_unless(
            paced or self.rate_hz == 1 / 3, "rate_hz", "it goes with days, or without brief"
        )
        for column in levels(self.use):
            if column not in ("charge_V", "temp_C"):
                raise BadInput(f"use names charge_V or temp_C, not {column[:40]!r}")
        return self

    def answer(self, pool: Pool) -> FlightAnswer:
        """The promise.

        Raises
        ------
        BadInput
            If there is no such module.
        CannotAnswer
            If a slot's last unit has failed; ``NotCarried`` where the pool does not carry a slot of it.
        """
        return _Flight(self.chosen(pool), pool, self).answer()


class _Flight:
    """One flight module while its answer is worked out."""

    def __init__(self, records: LifeRecords, pool: Pool, q: Flight) -> None:
        self.records, self.q = records, q
        self.shots = q.mission().in_shots()
        self.on_board = on_board_of(records, q.module)
        self.use = levels(q.use)
        self.others = records.select(~whose(records, q.module))
        self.used = [self.usable(b, self.others) for b in self.on_board]
        drift = drift_of(pool.wear, records, q.module, self.on_board)
        self.drifts = drift
        slots = self.slot_data(self.others, self.used)
        self.now = ModuleModel(slots, lambda n: sum(d(n) for d in drift.values()), q.seed)

    def usable(self, b: OnBoard, pool: LifeRecords) -> Usable:
        """The pool's records for what is on board, at the mission's stresses."""
        point = {k: v for k, v in b.stress.items() if k in ("charge_V", "temp_C")} | self.use
        if "charge_V" not in b.stress and "charge_V" in self.use and not b.voltage_matters(pool):
            point.pop("charge_V")
        point["part"] = b.part
        return usable(b.slot, pool.select(pool.slot == b.slot), point)

    def slot_data(self, pool: LifeRecords, used: Sequence[Usable]) -> list[SlotData]:
        return [
            slot_data(b.slot, u.records, Asked(u.use_V, b.ages, builder=b.builder, lot=b.lot))
            for b, u in zip(self.on_board, used, strict=True)
        ]

    def answer(self) -> FlightAnswer:
        q, shots, r, m = self.q, self.shots, self.records, self.now
        promised = m.promise(q.survival, q.confidence)
        est, lower = m.survival(shots), m.lower(shots, q.confidence)
        slots = self.slots(promised)
        first: dict[str, float] = {}
        for s in slots:
            first[s.slot] = first.get(s.slot, 0.0) + s.ends_first
        k = q.units
        return FlightAnswer(
            q.module, q.mission().in_words(), shots, MissionSurvival(est, lower),
            Promise(promised, q.survival, q.confidence), promised - shots,
            tuple(sorted(slots, key=lambda s: -s.ends_first)),
            tuple(FirstToFail(n, v) for n, v in sorted(first.items(), key=lambda nv: -nv[1])),
            Several(k, est**k, lower**k, 1 - (1 - est) ** k, 1 - (1 - lower) ** k),
            () if q.brief else self.more(), self.use, tuple(c for u in self.used for c in u.carried), q.confidence,
            tuple(sorted(set(r.builder.tolist()))), whole(r.units), whole(r.failures), self.curve(promised),
            tuple(m.early_seen()), notes=self.notes(),
        )  # fmt: skip

    def slots(self, promised: float) -> list[FlightSlot]:
        """Each slot by itself, as it is drawn in the whole."""
        q, shots, m = self.q, self.shots, self.now
        # chance that each is the first to fail within the mission, by integration
        grid = np.concatenate(([0.0], np.geomspace(shots * 1e-4, shots, 200)))
        ends = m.first_to_fail(grid)
        down = m.held_down_by(promised, q.confidence)
        out = []
        for i, (b, u) in enumerate(zip(self.on_board, self.used, strict=True)):
            alone = m.only(i)
            out.append(
                FlightSlot(
                    b.slot, b.part, b.unit, b.so_far, whole(u.records.units), whole(u.records.failures), self.basis(i),
                    m.shape(i), float(np.exp(-m.hazard(i, shots))), alone.lower(shots, q.confidence),
                    alone.promise(q.survival, q.confidence), ends[i], down[i], b.stress,
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

    def more(self) -> tuple[MoreTest, ...]:
        """More burn-in, and tests of a sister module that survives them; those hardly survived left out."""
        m, n = self.now, self.shots
        out = []
        for what, length in (("a quarter of the mission", n / 4), ("as much as the mission", n)):
            aged = ModuleModel([older(s, length) for s in m.slots], m.drift, m.seed)
            out.append(self.test(f"more burn-in, {what}", length, aged))
        mine = whose(self.records, self.q.module) & self.records.right & ~self.records.continued
        own = self.records.select(mine & ~np.isin(self.records.removed, TAKEN_OUT))
        for k in (1, 2, 5):
            sister = LifeRecords.of(
                np.full(len(own), k * n), module=["sister"] * len(own), slot=own.slot, part=own.part,
                covariates=dict(own.covariates), labels=dict(own.labels),
            )  # fmt: skip
            pool = join([self.others, sister])
            used = [self.usable(b, pool) for b in self.on_board]
            learnt = ModuleModel(self.slot_data(pool, used), m.drift, m.seed)
            what = "the mission" if k == 1 else f"{k} missions"
            out.append(self.test(f"a sister module that lasts {what}", k * n, learnt))
        return tuple(t for t in out if t.survives_it >= LEAST_CHANCE)

    def test(self, what: str, length: float, then: ModuleModel) -> MoreTest:
        """What a test of that length, survived, would make of the promise."""
        return MoreTest(
            what, length, length / self.q.rate_hz / SECONDS_A_DAY, self.now.survival(length), then.survival(self.shots), then.lower(self.shots, self.q.confidence),
            then.promise(self.q.survival, self.q.confidence),
        )  # fmt: skip

    def notes(self) -> tuple[Note, ...]:
        text = (
            "This is an estimate from test data, not a qualification. Slots are taken to fail independently; flight "
            "conditions other than those tested, storage and idle time are not covered."
        )
        notes = [Note("not_a_qualification", text)]
        notes += carried_notes([c for u in self.used for c in u.carried])
        notes += left_out_notes(self.used)
        notes += few_notes([(s.name, s.failures) for s in self.now.slots])
        notes += early_notes(self.now, self.q.survival)
        notes += group_notes(self.now)
        notes += suspect_notes(self.now, self.q.survival, self.q.confidence)
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
