"""How long does a module live, and which slot ends it? Its slots at one operating point together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from pydantic import model_validator

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
from reliability.decisions.found_out import Case, FoundOut, findings
from reliability.decisions.life import varying_stresses
from reliability.decisions.life_answer import QuantileBound
from reliability.decisions.more_tests import WIDE, MoreTest, Wanted, more_note, more_tests
from reliability.decisions.operating import (
    commonest,
    in_words,
    refuse_uncarried,
    refuse_unknown_part,
    slot_point,
)
from reliability.decisions.parts import Curve, Seen, SurvivalBound, seen_of
from reliability.decisions.question import (
    MOST_SHOTS,
    OF_A_POINT,
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
from reliability.life.dependence import Dependence, fitted_slots, shared_frailty
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.slots.carried import UNSEEN, Carried, Usable, usable
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.promise import ModuleModel
from reliability.words import capital, p_text, percent_text, shots_text, so_many_shots, whole

NAN = float("nan")
MOST_UNITS = 10_000
"""units in a slot of one module"""


@dataclass(frozen=True)
class SlotLife:
    """One slot of the module.

    Attributes
    ----------
    slot : str
    n, failed : number
        Units and failures that its model rests on.
    units : float
        Equal units in the slot of one module.
    shape, median : float
        Of one unit; nan where nothing failed.
    survival : float
        Of the slot at the module's median life (or the longest test, if nothing failed).
    ends_module : float
        Probability that this slot is the one that ends the module; nan if nothing failed.
    holds_down : float
        Share of the hazard that this slot may have where the module's lower bound is met: what keeps
        the bound short.
    promise : float
        Shots that this slot alone could be promised for, by its own records: the slot's own model in ``life``.
    as_siblings : AsSiblings or None
        The same if its units fail as their siblings do, where there are siblings enough.
    seen : tuple of Seen
        The lives that its model rests on, with their voltages; thinned where there are very many.
    """

    slot: str
    n: Count
    failed: Count
    units: float
    shape: float
    median: float
    survival: float
    ends_module: float
    holds_down: float
    promise: float
    seen: tuple[Seen, ...]
    as_siblings: AsSiblings | None = None


@dataclass(frozen=True)
class ModuleAnswer(Answer):
    """Life of a module at an operating point.

    Attributes
    ----------
    confidence : float
    bound : str
        ``drawn`` (a quantile of draws), or ``exact`` for one slot run to failure completely.
    at : dict
        The operating point; empty where no stress is recorded, or for the mixture as tested.
    as_tested : bool
        Whether stresses and parts are mixed as they were tested.
    life : QuantileBound
        The life that 1 - fraction keep, with bounds (the upper by the likelihood ratio).
    median : float
        Shots that half of the modules last, as estimated.
    survival : tuple of SurvivalBound
    slots : tuple of SlotLife
        Most likely end first.
    carried : tuple of Carried
        What of the operating point the records carry.
    curve : Curve
        Survival of modules.
    dependence : Dependence
        Check that slots fail independently of each other.
    early : tuple of str
        Slots whose early failures stand apart from the rest.
    more : tuple of MoreTest
    found : tuple of FoundOut
        What would help without the bench.
        Tests that would lengthen the bounded life, where it is wide.
    unseen_weak : float
        Share of weak units that tests may not have shown, where it could break the bound; else 0.
    no_early_failures : bool
        Whether it was declared that no hazard falls with shots.

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Module(builder=("kite",), use=("charge_V=1400",)), rl.demo())
    >>> a.slots[0].slot, a.life.lower < a.life.shots
    ('main_capacitor', True)
    """

    confidence: float
    bound: str
    at: dict[str, Level]
    as_tested: bool
    life: QuantileBound
    median: float
    survival: tuple[SurvivalBound, ...]
    slots: tuple[SlotLife, ...]
    carried: tuple[Carried, ...]
    curve: Curve
    dependence: Dependence
    early: tuple[str, ...] = ()
    more: tuple[MoreTest, ...] = ()
    found: tuple[FoundOut, ...] = ()
    unseen_weak: float = 0.0
    no_early_failures: bool = False

    @property
    def borrowed(self) -> tuple[str, ...]:
        """Builders on whose shapes the slots' second figures rest."""
        return borrowed_from([s.as_siblings for s in self.slots])

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        share = percent_text(1 - self.life.fraction)
        low = shots_text(self.life.lower)
        place = "As tested, stresses and parts mixed: " if self.as_tested else ""
        if not place and self.at:
            place = f"At {in_words(self.at)}: "
        place = early_text(self.early) + declared_text(self.no_early_failures) + place
        weak = unseen_text(self.unseen_weak)
        if not np.isfinite(self.median):
            text = f"nothing has failed yet: {share} of modules last at least {low} shots ({percent_text(self.confidence)} confidence).{weak}"
            return place + text if place else capital(text)
        top = self.slots[0]
        name = top.slot.replace("_", " ")
        ends = f"the {name} ends {percent_text(top.ends_module)} of them"
        if len(self.slots) == 1:
            ends = f"only the {name} is looked at"
        text = (
            f"half of the modules last {so_many_shots(self.median)}; {share} last "
            f"{shots_text(self.life.shots)}, at least {low} at {percent_text(self.confidence)} "
            f"confidence; {ends}.{weak}"
        )
        return place + text if place else capital(text)


class Module(OnRecords):
    """Life of a whole module: its slots together, and which of them ends it.

    Asked at one operating point: voltage, temperature, pace and part by ``use``; what is not said is
    taken as the commonest in the pool, and named. The Weibull family is taken for every slot.

    Examples
    --------
    >>> Module(units=("main_capacitor=4",)).units_of()
    {'main_capacitor': 4.0}
    """

    name = "module"
    bounds = ("slot",)  # shapes of other builders' units stand beside its slots
    text = "Life of a whole module, and which slot ends it."
    answer_type = ModuleAnswer

    use: tuple[str, ...] = setting(
        (), "Operating point, such as charge_V=1400, temp_C=25, part=film-a. Default: the commonest in the pool.",
        hint="COLUMN=LEVEL", most=20,
    )  # fmt: skip
    as_tested: bool = setting(
        False, "Mix stresses and parts as they were tested, instead of one operating point."
    )
    confidence: float = confidence_setting()
    at: tuple[float, ...] = setting(
        (), "Module survival at this count.", unit="shots", hint="SHOTS", most=50
    )
    fraction: float = setting(0.1, "Share failed of the life bounded.", gt=0, lt=1)
    units: tuple[str, ...] = setting(
        (),
        "Units in a slot of one module, the first failure ending it (default 1).",
        hint="SLOT=N",
        most=50,
    )
    no_early_failures: bool = burned_in_setting()
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Module:
        if any(not 0 < s < MOST_SHOTS for s in self.at):
            raise BadInput(f"at is a count above 0 shots and below {MOST_SHOTS:g}")
        self.units_of()
        levels(self.use, OF_A_POINT)
        refuse_unless(
            not (self.as_tested and self.use), "use", "as_tested mixes all that was tested"
        )
        return self

    def units_of(self) -> dict[str, float]:
        """Units by slot. Raises BadInput."""
        out = {}
        for slot, value in pairs(self.units, "units", "slot=number").items():
            try:
                out[slot] = float(value)
            except ValueError:
                out[slot] = 0.0
            if not (1 <= out[slot] <= MOST_UNITS and out[slot].is_integer()):
                raise BadInput(
                    f"units of {slot} is a whole number from 1 to {MOST_UNITS:,}, not {value[:40]!r}"
                )
        return out

    def answer(self, pool: Pool) -> ModuleAnswer:
        """Life of a module whose slots live as the pool's units under the filters did.

        Raises
        ------
        BadInput
            For units of a slot that has no records.
        CannotAnswer
            ``NotCarried`` where the records do not carry the operating point; or if no unit was seen working.
        """
        found = ModuleAtPoint(self.chosen(pool), self, pool.records.suspects_failed()).answer()
        return replace(found, notes=found.notes + looked_bad_notes(self.as_recorded(pool)))


class ModuleAtPoint:
    """The module's slots at the operating point, while the answer is worked out; ``pool`` holds their siblings."""

    def __init__(self, records: LifeRecords, q: Module, pool: LifeRecords | None = None) -> None:
        self.records, self.q, self.pool = records, q, pool
        self.point: dict[str, Level] = (
            {} if q.as_tested else {**commonest(records), **levels(q.use)}
        )
        refuse_unknown_part(records, self.point)
        copies = q.units_of()
        names = sorted(set(records.slot.tolist()))
        unknown = sorted(set(copies) - set(names))
        if unknown:
            raise BadInput(
                f"no records of slot {', '.join(unknown)}; there are: {', '.join(names)}"
            )
        self.idle: list[str] = []
        self.used: list[Usable] = []
        slots = []
        for name in names:
            own = records.select(records.slot == name)
            if not (own.shots_good > own.shots_from).any():
                self.idle.append(name)
                continue
            found = self.usable(name, own)
            self.used.append(found)
            asked = Asked(found.use_V, copies=copies.get(name, 1.0))
            slots.append(slot_data(name, found.records, asked))
        refuse_uncarried(levels(q.use), (c for u in self.used for c in u.carried), records)
        if not slots:
            raise CannotAnswer(UNSEEN)
        self.model = ModuleModel(slots, seed=q.seed, burned_in=q.no_early_failures)
        refuse_burned_in(self.model)

    def usable(self, name: str, own: LifeRecords) -> Usable:
        """A slot's records at the operating point, or all of them as tested."""
        if self.q.as_tested:
            return Usable(own, NAN, ())
        return usable(name, own, slot_point(own, self.point))

    def answer(self) -> ModuleAnswer:
        q, m = self.q, self.model
        low = m.promise(1 - q.fraction, q.confidence)
        shots, median = m.life(q.fraction), m.life(0.5)
        nothing = not np.isfinite(median)
        life = QuantileBound(q.fraction, NAN if nothing else shots, low, NAN)
        survival = tuple(
            SurvivalBound(s, m.survival(s), m.lower(s, q.confidence), m.upper(s, q.confidence))
            for s in q.at
        )
        more = self.more(shots, low)
        together = shared_frailty(fitted_slots(self.records), seed=q.seed)
        slots = self.slots(median, low)
        alone = [
            *alone_notes(low, [(s.slot, s.promise) for s in slots]),
            *falling_notes(m, low, q.confidence),
        ]
        return ModuleAnswer(
            q.confidence, "exact" if m.exact else "drawn", self.point, q.as_tested, life, median, survival, slots,
            tuple(c for u in self.used for c in u.carried), self.curve(median, low), together,
            tuple(m.early_seen()), more, self.found(shots, low), unseen_weak(m, 1 - q.fraction), q.no_early_failures, notes=(*self.notes(together), *alone, *more_note(more)),
        )  # fmt: skip

    @cached_property
    def siblings(self) -> list[Looked | None]:
        """Each slot beside its siblings; none for a mixture of stresses."""
        if self.pool is None or self.q.as_tested:
            return [None] * len(self.used)
        wish, m = Wish(1 - self.q.fraction, self.q.confidence), self.model
        return [look_at(m, i, u.records, self.pool, wish) for i, u in enumerate(self.used)]

    def more(self, shots: float, low: float) -> tuple[MoreTest, ...]:
        """Tests that would lengthen the bounded life, where it is well below the estimate or nothing failed."""
        if self.q.as_tested or shots < WIDE * low:
            return ()
        wanted = Wanted(low, 1 - self.q.fraction, self.q.confidence)
        return more_tests(self.model, wanted, low, burn_in=False)

    def found(self, shots: float, low: float) -> tuple[FoundOut, ...]:
        """What would lengthen it without the bench, where it is as wide."""
        q = self.q
        if q.as_tested or shots < WIDE * low:
            return ()
        wanted = Wanted(low, 1 - q.fraction, q.confidence)

        def again(records: LifeRecords) -> ModuleModel:
            return ModuleAtPoint(records, q).model

        return findings(Case(self.model, wanted, low, self.records, again))

    def slots(self, median: float, low: float) -> tuple[SlotLife, ...]:
        """Each slot beside the module, most likely end first."""
        m, q = self.model, self.q
        longest = float(self.records.shots_good.max())
        nothing = not np.isfinite(median)
        reference = longest if nothing else median
        top = reference if nothing else m.life(1 - 1e-6)
        grid = np.concatenate(([0.0], np.geomspace(reference * 1e-5, top, 400)))
        ends = m.first_to_fail(grid)
        down = m.held_down_by(low, q.confidence)
        rows = []
        for i, (slot, used) in enumerate(zip(m.slots, self.used, strict=True)):
            own = m.life(0.5, i) if slot.failures else NAN
            kin = self.siblings[i]
            rows.append(
                SlotLife(
                    slot.name, whole(used.records.units), whole(used.records.failures), slot.copies, m.shape(i), own,
                    float(np.exp(-m.hazard(i, reference))), NAN if nothing else ends[i], down[i],
                    m.only(i).promise(1 - q.fraction, q.confidence), seen_of(used.records, "charge_V"),
                    None if kin is None else kin.found,
                )
            )  # fmt: skip
        return tuple(sorted(rows, key=lambda r: (-np.nan_to_num(r.ends_module), r.slot)))

    def curve(self, median: float, low: float, points: int = 24) -> Curve:
        """Survival with its bounds along shots, from well below the bounded life to beyond the median."""
        top = 2.0 * median if np.isfinite(median) else float(self.records.shots_good.max())
        grid = np.geomspace(min(top / 60, max(low, top * 1e-4)), top, points)
        m, c = self.model, self.q.confidence
        rows = [(s, m.survival(s), m.lower(s, c), m.upper(s, c)) for s in grid]
        return Curve(*(numbers(v) for v in zip((0.0, 1.0, 1.0, 1.0), *rows, strict=True)))

    def notes(self, together: Dependence) -> tuple[Note, ...]:
        text = "Slots are taken to fail independently of each other, and the first failure ends the module."
        notes = [Note("independent_slots", text)]
        if len(self.used) == 1:
            only = self.model.slots[0].name
            text = f"Only {only} is looked at: a module may end earlier by any other slot. Record those too."
            notes = [Note("only_slot", text)]
        if self.idle:
            text = f"Left out, since no unit was seen working: {', '.join(self.idle)}."
            notes.append(Note("no_exposure", text))
        if self.q.as_tested:
            notes += [
                Note(
                    "stress_mixed",
                    f"{name} differs between records ({lo:g} to {hi:g}): this is the life of the mixture as tested.",
                )
                for name, lo, hi in varying_stresses(self.records)
            ]
        notes += self.point_notes()
        notes += early_notes(self.model, 1 - self.q.fraction)
        notes += burned_in_notes(self.model)
        notes += group_notes(self.model)
        notes += unclear_notes(self.model, 1 - self.q.fraction, self.q.confidence)
        notes += sibling_notes(self.siblings)
        return tuple(notes) + _dependence_note(together)

    def point_notes(self) -> list[Note]:
        """What the operating point rests on."""
        notes = [
            *carried_notes([c for u in self.used for c in u.carried]),
            *left_out_notes(self.used),
            *no_voltage_notes(self.records),
        ]
        return notes + few_notes([(s.name, s.failures) for s in self.model.slots])


def _dependence_note(found: Dependence) -> tuple[Note, ...]:
    if not found.p < 0.05:
        return ()
    return (
        Note(
            "dependent_slots",
            f"Slots of one module fail together more than chance allows ({p_text(found.p)}, {found.modules} modules): "
            "something they share, such as voltage, temperature or workmanship. The module's life is then rather "
            "understated here than overstated; narrow the records to like conditions.",
        ),
    )
