"""What can be promised for one flight module, as values and in words."""

from __future__ import annotations

from dataclasses import dataclass

from reliability.decisions.answer_notes import declared_text, early_text, unseen_text
from reliability.decisions.found_out import FoundOut
from reliability.decisions.more_tests import MoreTest
from reliability.decisions.parts import Curve, Seen
from reliability.decisions.question import Answer, Count, Level
from reliability.decisions.siblings import AsSiblings, borrowed_from
from reliability.slots.carried import Carried
from reliability.words import percent_text, shots_text, so_many_shots


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
        The mission's own stresses, where they are asked for.
    flown, run : str
        Where it is promised, such as ``at 1,200 V``, and at what voltages its units were run so far, such as ``as last
        run`` or ``run at 1,400 V so far``; "" where no voltage is recorded, or where that is as it is promised.
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
    flown: str
    run: str
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
        place = (f" {self.flown}" if self.flown else "") + (f" ({self.run})" if self.run else "")
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
