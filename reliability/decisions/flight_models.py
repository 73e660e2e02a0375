"""What a flight module carries, and how each of its slots is believed to live."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.decisions.stress_checks import check_stress_model
from reliability.life.belief import Belief, NeverFailed, belief_of, stress_belief
from reliability.life.engine import fit_batch
from reliability.life.families import family
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.goodness import goodness_of_fit
from reliability.life.likelihood import Held
from reliability.life.priors import DEFAULT_SHAPE_PRIOR
from reliability.life.sample import sample_of
from reliability.life.stress import Term, fit_stress
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.readings import WearReadings
from reliability.records import LifeRecords
from reliability.wear.limits import DEFAULT_LIMITS, Outlook, outlook
from reliability.wear.paths import fit_paths

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
class SlotModel:
    """How a slot's life is believed to be, at the stress of its unit."""

    on_board: UnitOnBoard
    records: LifeRecords
    basis: str
    belief: Belief | None
    never: NeverFailed | None
    notes: tuple[Note, ...] = ()
    fit_p: float = NAN
    wear: Outlook | None = None


def slot_model(
    pool: LifeRecords,
    item: UnitOnBoard,
    family_name: str,
    use_stress: bool,
    rng: np.random.Generator,
    worn: Outlook | None = None,
    check_fit: bool = True,
) -> SlotModel:
    """The model of one unit's slot at the unit's own stress.

    A slot without a failure in the pool is judged by its unit's wear outlook where there is one, else
    by its exposure at an assumed shape. ``check_fit`` False leaves the fit untested.
    """
    fam = family(family_name)
    own = pool.select(pool.slot == item.slot)
    if not own.failed.any():
        if worn is not None:
            whose = "its own readings" if worn.measured else "readings of other units"
            note = Note(
                "wear_limited",
                f"{item.slot} never failed; its end is foretold from {worn.fit.quantity} ({worn.limit.name}; {whose}).",
            )
            return SlotModel(item, own, "wear path", None, None, (note,), wear=worn)
        return SlotModel(item, own, "assumed shape", None, NeverFailed.of(own))
    terms = _terms_for(own, item) if use_stress else []
    if terms:
        try:
            fit = fit_stress(own, terms, family_name)
            stress = {**item.stress, "part": item.part}
            x = tuple(float(np.asarray(v)) for v in fit.at(stress))
            notes = fit.notes + _stress_notes(own, item)
            belief = stress_belief(fam, fit.sample, fit.phi, fit.cov, x, DRAWS, rng)
            form_p = check_stress_model(fit, draws=199).form_p if check_fit else NAN
            return SlotModel(item, fit.records, "stress model", belief, None, notes, form_p)
        except CannotAnswer:
            pass  # too little for a stress model: the slot's life as tested stands for it
    try:
        life = fit_life(own, family_name)
        basis = "shape prior" if own.failures <= 3 and fam.shape_free else "life"
        p = (
            goodness_of_fit(own, life, draws=299).p
            if check_fit and own.failures >= 4 and own.units <= 3000
            else NAN
        )
        belief = belief_of(own, fam, life.sample, life.phi, DRAWS, rng)
        return SlotModel(item, own, basis, belief, None, fit_p=p)
    except NoMaximum:
        sample = sample_of(own)
        phi = fit_batch(
            fam, sample, Held(0, DEFAULT_SHAPE_PRIOR.median), np.array([[1.5], [0.0]])
        ).phi
        return SlotModel(
            item, own, "shape prior", belief_of(own, fam, sample, phi, DRAWS, rng), None
        )


def wear_outlooks(
    readings: WearReadings | None,
    records: LifeRecords,
    module: str,
    on_board: Sequence[UnitOnBoard],
) -> dict[str, Outlook]:
    """Outlook of each unit in a slot that never failed, by its label, where readings allow one.

    The first quantity of the slot that has a named limit and enough readings is taken.
    """
    out: dict[str, Outlook] = {}
    if readings is None:
        return out
    for item in on_board:
        if records.failed[records.slot == item.slot].any():
            continue
        own = readings.select(readings.slot == item.slot)
        for quantity, limit in DEFAULT_LIMITS.items():
            if (own.quantity == quantity).any():
                try:
                    label = unit_label(records, module, item)
                    out[label] = outlook(fit_paths(own.of_quantity(quantity)), label, limit)
                    break
                except CannotAnswer:
                    continue
    return out


def unit_label(records: LifeRecords, module: str, item: UnitOnBoard) -> str:
    """The unit as wear readings label it."""
    builder = str(records.builder[records.module == module][0])
    return "/".join(p for p in (builder, module, item.slot, item.unit) if p)


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


class ModuleHazard:
    """All slots together: hazards of the mission, drawn and estimated."""

    def __init__(self, models: Sequence[SlotModel], rng: np.random.Generator) -> None:
        self.models = models
        never = [m for m in models if m.never is not None]
        self.exponential = (
            rng.permutation(-np.log1p(-(np.arange(DRAWS) + 0.5) / DRAWS)) if never else None
        )

    def slot(self, m: SlotModel, shots: Array, extra: float = 0.0) -> tuple[Array, Array]:
        start = m.on_board.so_far + extra
        if m.wear is not None:
            h = m.wear.hazard(start, shots)
            return np.broadcast_to(h, (DRAWS, len(shots))), h
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
            if m.belief is not None or m.wear is not None:
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
        models: Sequence[SlotModel] | None = None,
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


def module_hazard(
    records: LifeRecords,
    module: str,
    on_board: Sequence[UnitOnBoard],
    outlooks: dict[str, Outlook],
    family_name: str,
    use_stress: bool,
    seed: int,
    check_fit: bool = True,
) -> ModuleHazard:
    """The module's hazard from these records: a model for each unit on board."""
    models = [
        slot_model(
            records, item, family_name, use_stress, np.random.default_rng([seed, i]),
            outlooks.get(unit_label(records, module, item)), check_fit,
        )
        for i, item in enumerate(on_board)
    ]  # fmt: skip
    return ModuleHazard(models, np.random.default_rng([seed, 999]))
