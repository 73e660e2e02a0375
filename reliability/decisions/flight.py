"""What to promise for one flight unit, given its burn-in so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reliability.decisions.answer import percent_text, shots_text, whole
from reliability.decisions.life import NOT_SHOWN
from reliability.decisions.stress_checks import check_stress_model
from reliability.life.belief import Belief, NeverFailed, belief_of, stress_belief
from reliability.life.families import family
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.goodness import goodness_of_fit
from reliability.life.priors import DEFAULT_SHAPE_PRIOR
from reliability.life.stress import Term, fit_stress
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords, join

Array = NDArray[np.float64]
NAN = float("nan")
DRAWS = 4000


@dataclass(frozen=True)
class UnitOnBoard:
    """A unit that the flight module carries: its slot, part and shots so far."""

    slot: str
    unit: str
    part: str
    so_far: float
    stress: dict[str, float | str]


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
        ``life``, ``stress model``, ``shape prior`` or ``assumed shape``.
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


def units_on_board(records: LifeRecords, module: str) -> list[UnitOnBoard]:
    """Units of the module that are still good, with their shots and stress.

    Raises
    ------
    BadInput
        If there is no such module.
    CannotAnswer
        If a slot's last unit has failed.
    """
    mine = np.flatnonzero(records.module == module)
    if not mine.size:
        some = ", ".join(sorted(set(records.module.tolist()))[:12])
        raise BadInput(f"no records of module {module!r}; there are, among others: {some}")
    out, dead = [], []
    for slot in sorted(set(records.slot[mine].tolist())):
        own = mine[records.slot[mine] == slot]
        good = own[records.right[own]]
        if not good.size:
            dead.append(slot)
            continue
        for i in good:
            stress: dict[str, float | str] = {
                k: float(v[i]) for k, v in records.covariates.items() if not np.isnan(v[i])
            }
            out.append(
                UnitOnBoard(
                    slot,
                    str(records.unit[i]),
                    str(records.part[i]),
                    float(records.shots_good[i]),
                    stress,
                )
            )
    if dead:
        raise CannotAnswer(
            f"In module {module} the last unit of {', '.join(dead)} has failed and no good one is recorded. "
            "Record the replacement with its shots so far, then ask again."
        )
    return out


@dataclass(frozen=True)
class _SlotModel:
    """How a slot's life is believed to be, at the stress of its unit."""

    on_board: UnitOnBoard
    records: LifeRecords
    basis: str
    belief: Belief | None
    never: NeverFailed | None
    notes: tuple[Note, ...] = ()
    fit_p: float = NAN


def _slot_model(
    pool: LifeRecords,
    item: UnitOnBoard,
    family_name: str,
    use_stress: bool,
    rng: np.random.Generator,
) -> _SlotModel:
    fam = family(family_name)
    own = pool.select(pool.slot == item.slot)
    if not own.failed.any():
        return _SlotModel(item, own, "assumed shape", None, NeverFailed.of(own))
    terms = _terms_for(own, item) if use_stress else []
    if terms:
        try:
            fit = fit_stress(own, terms, family_name)
            stress = {**item.stress, "part": item.part}
            x = tuple(float(np.asarray(v)) for v in fit.at(stress))
            notes = fit.notes + _stress_notes(own, item)
            belief = stress_belief(fam, fit.sample, fit.phi, fit.cov, x, DRAWS, rng)
            form_p = check_stress_model(fit, draws=199).form_p
            return _SlotModel(item, fit.records, "stress model", belief, None, notes, form_p)
        except CannotAnswer:
            pass  # too little for a stress model: the slot's life as tested stands for it
    try:
        life = fit_life(own, family_name)
        basis = "shape prior" if own.failures <= 3 and fam.shape_free else "life"
        p = (
            goodness_of_fit(own, life, draws=299).p
            if own.failures >= 4 and own.units <= 3000
            else NAN
        )
        belief = belief_of(own, fam, life.sample, life.phi, DRAWS, rng)
        return _SlotModel(item, own, basis, belief, None, fit_p=p)
    except NoMaximum:
        from reliability.life.engine import Held, fit_batch
        from reliability.life.sample import sample_of

        sample = sample_of(own)
        phi = fit_batch(
            fam, sample, Held(0, DEFAULT_SHAPE_PRIOR.median), np.array([[1.5], [0.0]])
        ).phi
        return _SlotModel(
            item, own, "shape prior", belief_of(own, fam, sample, phi, DRAWS, rng), None
        )


def _terms_for(own: LifeRecords, item: UnitOnBoard) -> list[Term]:
    """Stress terms that vary in the slot's records and are known for the unit."""
    terms = []
    v = own.covariates.get("charge_V")
    if v is not None and "charge_V" in item.stress and np.unique(v[~np.isnan(v)]).size > 1:
        terms.append(Term("charge_V", "power"))
    parts = own.part
    if terms and len(set(parts.tolist()) - {""}) > 1 and item.part:
        failed_parts = set(parts[own.failed].tolist())
        if item.part in failed_parts and set(parts.tolist()) <= failed_parts:
            terms.append(Term("part", "categorical"))
    return terms


def _stress_notes(own: LifeRecords, item: UnitOnBoard) -> tuple[Note, ...]:
    v = own.covariates["charge_V"]
    low, high = float(np.nanmin(v)), float(np.nanmax(v))
    at = float(item.stress["charge_V"])
    if low <= at <= high:
        return ()
    return (
        Note(
            "extrapolated",
            f"The module's {at:g} V lies outside the tested {low:g} to {high:g} V for {item.slot}.",
        ),
    )


class _Module:
    """All slots together: hazards of the mission, drawn and estimated."""

    def __init__(self, models: Sequence[_SlotModel], rng: np.random.Generator) -> None:
        self.models = models
        never = [m for m in models if m.never is not None]
        self.exponential = (
            rng.permutation(-np.log1p(-(np.arange(DRAWS) + 0.5) / DRAWS)) if never else None
        )

    def slot(self, m: _SlotModel, shots: Array, extra: float = 0.0) -> tuple[Array, Array]:
        start = m.on_board.so_far + extra
        if m.belief is not None:
            return m.belief.hazard(start, shots)
        assert m.never is not None and self.exponential is not None
        worst = m.never.per_failure(start, shots)
        return self.exponential[:, None] * worst[None, :], np.zeros(len(shots))

    def total(self, shots: Array, extra: float = 0.0) -> tuple[Array, Array]:
        """Draws (s, m) and estimate (m,). Slots that never failed add their worst one only: the data
        bound what all of them together may have hidden by the least tried."""
        draws, best = np.zeros((DRAWS, len(shots))), np.zeros(len(shots))
        hidden = np.zeros(len(shots))
        for m in self.models:
            if m.belief is not None:
                d, b = self.slot(m, shots, extra)
                draws, best = draws + d, best + b
            else:
                assert m.never is not None
                hidden = np.maximum(hidden, m.never.per_failure(m.on_board.so_far + extra, shots))
        if self.exponential is not None:
            draws = draws + self.exponential[:, None] * hidden[None, :]
        return draws, best

    def lower(self, shots: Array, confidence: float, extra: float = 0.0) -> Array:
        draws, _ = self.total(shots, extra)
        return np.asarray(np.exp(-np.quantile(draws, confidence, axis=0)))

    def promise(
        self,
        survival: float,
        confidence: float,
        scale: float,
        models: Sequence[_SlotModel] | None = None,
        extra: float = 0.0,
    ) -> float:
        """Shots at which the lower bound of survival is the wanted one."""

        def low(shots: float) -> float:
            at = np.array([shots])
            if models is None:
                return float(self.lower(at, confidence, extra)[0])
            d, _ = self.slot(models[0], at, extra)
            return float(np.exp(-np.quantile(d, confidence)))

        a, b = 0.0, scale
        for _ in range(60):
            if low(b) < survival:
                break
            a, b = b, 2 * b
        for _ in range(45):
            mid = 0.5 * (a + b)
            a, b = (mid, b) if low(mid) >= survival else (a, mid)
        return a


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
    models = [
        _slot_model(records, item, family_name, use_stress, np.random.default_rng([seed, i]))
        for i, item in enumerate(on_board)
    ]
    whole_module = _Module(models, np.random.default_rng([seed, 999]))
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
                m.fit_p, {k: v for k, v in m.on_board.stress.items() if not k.startswith("_")},
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
        _more(records, module, whole_module, shots, survival, confidence, rate_Hz, family_name, use_stress, seed) if more else (),
        confidence, _notes(records, models, module), curve,
    )  # fmt: skip


def _first_to_fail(whole_module: _Module, shots: float) -> list[float]:
    """Chance that each unit is the first to fail within the mission, by integration."""
    grid = np.concatenate(([0.0], np.geomspace(shots * 1e-4, shots, 400)))
    hazards = [whole_module.slot(m, grid)[1] for m in whole_module.models]
    total = np.sum(hazards, axis=0)
    alive = np.exp(-0.5 * (total[1:] + total[:-1]))
    return [float((alive * np.diff(h)).sum()) for h in hazards]


def _more(
    records: LifeRecords, module: str, now: _Module, shots: float, survival: float, confidence: float,
    rate_Hz: float, family_name: str, use_stress: bool, seed: int,
) -> tuple[MoreTest, ...]:  # fmt: skip
    """One more hour, day, week of burn-in; and of tests of a sister module that survives them."""
    out = []
    for name, seconds in (("hour", 3600.0), ("day", 86400.0), ("week", 604800.0)):
        extra = seconds * rate_Hz
        _, best = now.total(np.array([extra]))
        _, then = now.total(np.array([shots]), extra)
        out.append(
            MoreTest(
                f"one more {name} of burn-in", extra, float(np.exp(-best[0])), float(np.exp(-then[0])),
                float(now.lower(np.array([shots]), confidence, extra)[0]),
                now.promise(survival, confidence, shots, extra=extra),
            )
        )  # fmt: skip
    own = records.select((records.module == module) & records.right)
    for name, seconds in (("day", 86400.0), ("week", 604800.0)):
        extra = seconds * rate_Hz
        sister = LifeRecords.of(
            np.full(len(own), extra), module=["sister"] * len(own), slot=own.slot, part=own.part,
            covariates=dict(own.covariates), labels=dict(own.labels),
        )  # fmt: skip
        a = flight(
            join([records, sister]), module, shots, survival=survival, confidence=confidence, family_name=family_name,
            use_stress=use_stress, more=False, seed=seed,
        )  # fmt: skip
        _, best = now.total(np.array([extra]))
        out.append(
            MoreTest(f"a sister module that lasts one {name}", extra, float(np.exp(-best[0])), a.survival["estimate"],
                     a.survival["lower"], a.promise["shots"])
        )  # fmt: skip
    return tuple(out)


def _notes(records: LifeRecords, models: Sequence[_SlotModel], module: str) -> tuple[Note, ...]:
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
