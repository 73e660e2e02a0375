"""What to promise for one flight unit, given its burn-in so far."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reliability.decisions.answer import percent_text, shots_text, whole
from reliability.decisions.flight_models import (
    ModuleHazard,
    SlotModel,
    module_hazard,
    units_on_board,
    wear_outlooks,
)
from reliability.decisions.life import NOT_SHOWN
from reliability.life.priors import DEFAULT_SHAPE_PRIOR
from reliability.life.system import first_failure_shares
from reliability.notes import BadInput, Note
from reliability.readings import WearReadings
from reliability.records import LifeRecords, join

Array = NDArray[np.float64]
NAN = float("nan")


@dataclass(frozen=True)
class FlightSlot:
    """One slot of the flight module.

    Attributes
    ----------
    slot, part, unit : str
    so_far : float
        Shots on the unit (the most, if there are several).
    n, failed : float
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
    n: float
    failed: float
    basis: str
    survival: float
    lower: float
    promise: float
    ends_first: float
    fit_p: float
    stress: dict[str, float | str]


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
class FlightAnswer:
    """Answer to ``flight``.

    Attributes
    ----------
    module : str
    mission_shots : float
    survival : dict
        ``estimate``, ``lower`` (one-sided at the confidence) and ``predictive``: the chance that this
        very unit lasts, parameters' uncertainty included.
    promise : dict
        ``shots`` that can be promised at ``survival`` and ``confidence``.
    margin_shots : float
        Promise less mission.
    by_slot : tuple of FlightSlot
    first_to_fail : tuple of dict
        ``slot`` and ``probability`` within the mission.
    several : dict
        ``units``, ``all``, ``all_lower``, ``one``, ``one_lower`` for k equal flight units.
    more : tuple of MoreTest
    confidence : float
    notes : tuple of Note
    """

    module: str
    mission_shots: float
    survival: dict[str, float]
    promise: dict[str, float]
    margin_shots: float
    by_slot: tuple[FlightSlot, ...]
    first_to_fail: tuple[dict[str, float | str], ...]
    several: dict[str, float]
    more: tuple[MoreTest, ...]
    confidence: float
    notes: tuple[Note, ...]
    curve: tuple[Array, Array, Array] = field(
        default=(np.empty(0), np.empty(0), np.empty(0)), metadata=NOT_SHOWN
    )

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        p = self.promise
        ok = "meets" if self.margin_shots >= 0 else "falls short of"
        return (
            f"Module {self.module} can be promised {shots_text(p['shots'])} shots ({percent_text(p['survival'])} survival "
            f"at {percent_text(p['confidence'])} confidence), which {ok} the mission of "
            f"{shots_text(self.mission_shots)}: it lasts that with probability {percent_text(self.survival['estimate'])} "
            f"as estimated, at least {percent_text(self.survival['lower'])}."
        )


def flight(
    records: LifeRecords,
    module: str,
    shots: float,
    *,
    survival: float = 0.9,
    confidence: float = 0.95,
    family_name: str = "weibull",
    units: int = 1,
    rate_Hz: float = 1 / 3,
    use_stress: bool = True,
    more: bool = True,
    readings: WearReadings | None = None,
    seed: int = 1,
) -> FlightAnswer:
    """What can be promised for one module.

    Parameters
    ----------
    records : LifeRecords
        The pool; the module's own records tell its parts, stress and shots so far.
    module : str
    shots : float
        Mission, in shots from now on.
    survival, confidence : float
        Of the promise.
    family_name : str
    units : int
        Flight units like this one, for the chance that all or at least one last.
    rate_Hz : float
        For the effect of more burn-in by time.
    use_stress : bool
        Whether to use a stress model where the records allow it.
    more : bool
        Whether to work out the effect of more burn-in and tests.
    readings : WearReadings, optional
        For slots that never failed but wear towards a limit.
    seed : int

    Raises
    ------
    BadInput, CannotAnswer
    """
    if not (shots > 0 and np.isfinite(shots)):
        raise BadInput("the mission must be more than 0 shots")
    if not (0 < survival < 1 and 0.5 < confidence < 1):
        raise BadInput("survival lies between 0 and 1, confidence between 0.5 and 1")
    on_board = units_on_board(records, module)
    outlooks = wear_outlooks(readings, records, module, on_board)

    def hazard_with(pool: LifeRecords, check_fit: bool) -> ModuleHazard:
        return module_hazard(
            pool, module, on_board, outlooks, family_name, use_stress, seed, check_fit
        )

    whole_module = hazard_with(records, True)
    models = whole_module.models
    at = np.array([shots])
    draws, best = whole_module.total(at)
    lower = float(np.exp(-np.quantile(draws, confidence)))
    promised = whole_module.promise(survival, confidence, shots)
    ends = _first_to_fail(whole_module, shots)
    slots = []
    for i, m in enumerate(models):
        d, b = whole_module.slot(m, at)
        slots.append(
            FlightSlot(
                m.on_board.slot, m.on_board.part, m.on_board.unit, m.on_board.so_far, whole(m.records.units),
                whole(m.records.failures), m.basis, float(np.exp(-b[0])), float(np.exp(-np.quantile(d, confidence))),
                whole_module.promise(survival, confidence, shots, [m]), ends[i],
                m.fit_p, m.on_board.stress,
            )
        )  # fmt: skip
    first: dict[str, float] = {}
    for s in slots:
        first[s.slot] = first.get(s.slot, 0.0) + s.ends_first
    s_draws = np.exp(-draws[:, 0])
    est = float(np.exp(-best[0]))
    several = {
        "units": float(units), "all": est**units, "all_lower": lower**units,
        "one": 1 - (1 - est) ** units, "one_lower": 1 - (1 - lower) ** units,
    }  # fmt: skip
    grid = np.geomspace(shots / 50, max(2 * shots, 1.5 * promised), 50)
    _, best_curve = whole_module.total(grid)
    curve = (grid, np.exp(-best_curve), whole_module.lower(grid, confidence))
    return FlightAnswer(
        module, shots, {"estimate": est, "lower": lower, "predictive": float(s_draws.mean())},
        {"shots": promised, "survival": survival, "confidence": confidence}, promised - shots,
        tuple(sorted(slots, key=lambda s: -s.ends_first)),
        tuple({"slot": k, "probability": v} for k, v in sorted(first.items(), key=lambda kv: -kv[1])),
        several,
        _more(records, module, whole_module, hazard_with, shots, survival, confidence, rate_Hz) if more else (),
        confidence, _notes(records, models, module), curve,
    )  # fmt: skip


def _first_to_fail(whole_module: ModuleHazard, shots: float) -> list[float]:
    """Chance that each unit is the first to fail within the mission, by integration."""
    grid = np.concatenate(([0.0], np.geomspace(shots * 1e-4, shots, 400)))
    hazards = [whole_module.slot(m, grid)[1] for m in whole_module.models]
    return first_failure_shares(hazards)


def _more(
    records: LifeRecords, module: str, now: ModuleHazard, hazard_with: Callable[[LifeRecords, bool], ModuleHazard],
    shots: float, survival: float, confidence: float, rate_Hz: float,
) -> tuple[MoreTest, ...]:  # fmt: skip
    """One more hour, day, week of burn-in; and of tests of a sister module that survives them."""
    mission = np.array([shots])

    def test(what: str, length: float, then: ModuleHazard, burnt: float = 0.0) -> MoreTest:
        _, lasts = now.total(np.array([length]))
        _, after = then.total(mission, burnt)
        return MoreTest(
            what, length, float(np.exp(-lasts[0])), float(np.exp(-after[0])),
            float(then.lower(mission, confidence, burnt)[0]), then.promise(survival, confidence, shots, extra=burnt),
        )  # fmt: skip

    hour, day, week = (seconds * rate_Hz for seconds in (3600.0, 86400.0, 604800.0))
    out = [
        test(f"one more {name} of burn-in", length, now, length)
        for name, length in (("hour", hour), ("day", day), ("week", week))
    ]
    own = records.select((records.module == module) & records.right)
    for name, length in (("day", day), ("week", week)):
        sister = LifeRecords.of(
            np.full(len(own), length), module=["sister"] * len(own), slot=own.slot, part=own.part,
            covariates=dict(own.covariates), labels=dict(own.labels),
        )  # fmt: skip
        learnt = hazard_with(join([records, sister]), False)
        out.append(test(f"a sister module that lasts one {name}", length, learnt))
    return tuple(out)


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
