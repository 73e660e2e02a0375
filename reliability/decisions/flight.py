"""What to promise for one flight unit, given its burn-in so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import model_validator

from reliability.decisions.flight_models import (
    ModuleHazard,
    SlotModel,
    module_hazard,
    units_on_board,
    wear_outlooks,
)
from reliability.decisions.mission import OnMission
from reliability.decisions.parts import Curve
from reliability.decisions.question import (
    Answer,
    Count,
    Family,
    Level,
    OnRecords,
    confidence_setting,
    numbers,
    setting,
)
from reliability.life.priors import DEFAULT_SHAPE_PRIOR
from reliability.life.system import first_failure_shares
from reliability.notes import Note
from reliability.pool import Pool
from reliability.records import LifeRecords, join
from reliability.words import percent_text, shots_text, whole


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
        ``life``, ``stress model``, ``shape prior``, ``wear path`` or ``assumed shape``.
    survival, lower : float
        Of the mission, given survival so far.
    promise : float
        Shots this slot alone could be promised for.
    ends_first : float
        Probability that it fails first, within the mission.
    fit_p : float
        Monte-Carlo p of the model's fit (small = poor); nan where it was not tested.
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
    survival: float
    lower: float
    promise: float
    ends_first: float
    fit_p: float
    stress: dict[str, Level]


@dataclass(frozen=True)
class MoreTest:
    """What more burn-in, or a test of a sister module without failure, would change."""

    what: str
    shots: float
    survives_it: float
    survival: float
    lower: float
    promise: float


@dataclass(frozen=True)
class MissionSurvival:
    """Survival of the mission: estimate, lower bound, and ``predictive``: the chance that this very
    unit lasts, uncertainty of the parameters included."""

    estimate: float
    lower: float
    predictive: float


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
    confidence : float
    builders : tuple of str
    pool_units, pool_failed : number
        Of all records behind it.
    curve : Curve
        Survival from now on; its upper bound is not worked out and equals the estimate.

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
    confidence: float
    builders: tuple[str, ...]
    pool_units: Count
    pool_failed: Count
    curve: Curve

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        p = self.promise
        ok = "meets" if self.margin_shots >= 0 else "falls short of"
        return (
            f"Module {self.module} can be promised {shots_text(p.shots)} shots ({percent_text(p.survival)} survival "
            f"at {percent_text(p.confidence)} confidence), which {ok} the mission of "
            f"{shots_text(self.mission_shots)}: it lasts that with probability {percent_text(self.survival.estimate)} "
            f"as estimated, at least {percent_text(self.survival.lower)}."
        )


class Flight(OnRecords, OnMission):
    """What to promise for one flight module, given its burn-in so far.

    The module's own records tell its parts, stresses and shots so far; the pool tells how such units
    live.

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
    survival: float = setting(0.9, "Survival of the promise.", gt=0, lt=1)
    confidence: float = confidence_setting()
    family: Family = setting("weibull", "Family of the life model.")
    units: int = setting(1, "Flight modules like this one.", ge=1, le=1000)
    brief: bool = setting(False, "Leave out what more testing would change.")
    no_stress: bool = setting(False, "Use lives as tested, without a stress model.")
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _stated(self) -> Flight:
        self.mission().in_shots()
        return self

    def answer(self, pool: Pool) -> FlightAnswer:
        """The promise.

        Raises
        ------
        BadInput
            If there is no such module.
        CannotAnswer
            If a slot's last unit has failed.
        """
        return _Flight(self.chosen(pool), pool, self).answer()


class _Flight:
    """One flight module while its answer is worked out."""

    def __init__(self, records: LifeRecords, pool: Pool, q: Flight) -> None:
        self.records, self.q = records, q
        self.shots = q.mission().in_shots()
        self.on_board = units_on_board(records, q.module)
        self.outlooks = wear_outlooks(pool.wear, records, q.module, self.on_board)
        self.now = self.hazard_with(records, True)

    def hazard_with(self, records: LifeRecords, check_fit: bool) -> ModuleHazard:
        """The module's hazard from other records."""
        q = self.q
        return module_hazard(
            records,
            q.module,
            self.on_board,
            self.outlooks,
            q.family,
            not q.no_stress,
            q.seed,
            check_fit,
        )

    def answer(self) -> FlightAnswer:
        q, shots, r = self.q, self.shots, self.records
        draws, best = self.now.total(np.array([shots]))
        lower = float(np.exp(-np.quantile(draws, q.confidence)))
        est = float(np.exp(-best[0]))
        promised = self.now.promise(q.survival, q.confidence, shots)
        slots = self.slots()
        first: dict[str, float] = {}
        for s in slots:
            first[s.slot] = first.get(s.slot, 0.0) + s.ends_first
        k = q.units
        return FlightAnswer(
            q.module, q.mission().in_words(), shots,
            MissionSurvival(est, lower, float(np.exp(-draws[:, 0]).mean())),
            Promise(promised, q.survival, q.confidence), promised - shots,
            tuple(sorted(slots, key=lambda s: -s.ends_first)),
            tuple(FirstToFail(n, v) for n, v in sorted(first.items(), key=lambda nv: -nv[1])),
            Several(k, est**k, lower**k, 1 - (1 - est) ** k, 1 - (1 - lower) ** k), () if q.brief else self.more(), q.confidence,
            tuple(sorted(set(r.builder.tolist()))), whole(r.units), whole(r.failures), self.curve(promised),
            notes=_notes(r, self.now.models, q.module),
        )  # fmt: skip

    def slots(self) -> list[FlightSlot]:
        """Each slot by itself."""
        q, shots, at = self.q, self.shots, np.array([self.shots])
        # chance that each unit is the first to fail within the mission, by integration
        grid = np.concatenate(([0.0], np.geomspace(shots * 1e-4, shots, 400)))
        ends = first_failure_shares([self.now.slot(m, grid)[1] for m in self.now.models])
        out = []
        for m, first in zip(self.now.models, ends, strict=True):
            d, b = self.now.slot(m, at)
            u = m.on_board
            out.append(
                FlightSlot(
                    u.slot, u.part, u.unit, u.so_far, whole(m.records.units), whole(m.records.failures), m.basis,
                    float(np.exp(-b[0])), float(np.exp(-np.quantile(d, q.confidence))),
                    self.now.promise(q.survival, q.confidence, shots, [m]), first, m.fit_p, u.stress,
                )
            )  # fmt: skip
        return out

    def curve(self, promised: float) -> Curve:
        """Survival from now on, beyond mission and promise."""
        grid = np.geomspace(self.shots / 50, max(2 * self.shots, 1.5 * promised), 50)
        best = np.exp(-self.now.total(grid)[1])
        low = self.now.lower(grid, self.q.confidence)
        return Curve(*((start, *numbers(v)) for start, v in ((0.0, grid), (1.0, best), (1.0, low), (1.0, best))))  # fmt: skip

    def more(self) -> tuple[MoreTest, ...]:
        """One more hour, day, week of burn-in; and of tests of a sister module that survives them."""
        hour, day, week = (t * self.q.rate_hz for t in (3600.0, 86400.0, 604800.0))
        out = [
            self.test(f"one more {name} of burn-in", length, self.now, length)
            for name, length in (("hour", hour), ("day", day), ("week", week))
        ]
        own = self.records.select((self.records.module == self.q.module) & self.records.right)
        for name, length in (("day", day), ("week", week)):
            sister = LifeRecords.of(
                np.full(len(own), length), module=["sister"] * len(own), slot=own.slot, part=own.part,
                covariates=dict(own.covariates), labels=dict(own.labels),
            )  # fmt: skip
            learnt = self.hazard_with(join([self.records, sister]), False)
            out.append(self.test(f"a sister module that lasts one {name}", length, learnt))
        return tuple(out)

    def test(self, what: str, length: float, then: ModuleHazard, burnt: float = 0.0) -> MoreTest:
        """What a test of that length, survived, would make of the promise."""
        q, mission = self.q, np.array([self.shots])
        _, lasts = self.now.total(np.array([length]))
        _, after = then.total(mission, burnt)
        return MoreTest(
            what, length, float(np.exp(-lasts[0])), float(np.exp(-after[0])),
            float(then.lower(mission, q.confidence, burnt)[0]),
            then.promise(q.survival, q.confidence, self.shots, extra=burnt),
        )  # fmt: skip


def _notes(records: LifeRecords, models: Sequence[SlotModel], module: str) -> tuple[Note, ...]:
    notes = [
        Note(
            "not_a_qualification",
            "This is an estimate from test data, not a qualification. Slots are taken to fail independently; flight "
            "conditions other than those tested are not covered.",
        )
    ]
    assumed = [m.on_board.slot for m in models if m.never is not None]
    if assumed:
        notes.append(
            Note(
                "assumed_shape",
                f"No failure is known of {', '.join(assumed)}: their hazard is bounded by their exposure with an assumed "
                f"shape {DEFAULT_SHAPE_PRIOR.median:g} ({DEFAULT_SHAPE_PRIOR.source}).",
            )
        )
    few = [m.on_board.slot for m in models if m.basis == "shape prior"]
    if few:
        notes.append(
            Note(
                "few_failures",
                f"3 failures or fewer of {', '.join(few)}: the default prior on the shape is used there.",
            )
        )
    slots = set(records.slot.tolist()) - {m.on_board.slot for m in models} - {""}
    if slots:
        notes.append(
            Note(
                "slots_missing",
                f"Module {module} has no record of {', '.join(sorted(slots))}; they are not in the promise.",
            )
        )
    for m in models:
        notes += m.notes
        if m.fit_p < 0.05:
            notes.append(
                Note(
                    "poor_fit",
                    f"The model of {m.on_board.slot} fits its data poorly (Monte-Carlo p = {m.fit_p:.3f}).",
                )
            )
        top = float(m.records.shots_good.max())
        if m.on_board.so_far > top:
            notes.append(Note("oldest", f"{m.on_board.slot} has more shots than any tested unit."))
    return tuple(dict.fromkeys(notes))
