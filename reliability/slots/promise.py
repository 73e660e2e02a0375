"""The promise: the longest mission, the least survival, or the highest stress that the data carry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from reliability.notes import BadInput, CannotAnswer, Note
from reliability.slots.cells import Array
from reliability.slots.engine import Engine, Root
from reliability.slots.exact import conditional_of, poisson_of
from reliability.slots.invert import Inverted, falls_to, invert
from reliability.slots.model import Module, at_stress

NAN = float("nan")
SPAN = (np.log(1e-4), np.log(1e3))


@dataclass(frozen=True)
class Ask:
    """What is wanted.

    Attributes
    ----------
    survival, confidence : float
    draws, seed : int
        Of the simulated cut.
    """

    survival: float = 0.9
    confidence: float = 0.95
    draws: int = 250
    seed: int = 1

    def checked(self) -> Ask:
        """Self, or BadInput."""
        if not (0 < self.survival < 1 and 0.5 < self.confidence < 1):
            raise BadInput("survival lies between 0 and 1, confidence between 0.5 and 1")
        if self.draws < 50:
            raise BadInput("at least 50 draws")
        return self


@dataclass(frozen=True)
class Share:
    """A slot's part in the hazard.

    Attributes
    ----------
    slot : str
    failures : float
        That its scale rests on.
    estimate : float
        Cumulative hazard as estimated.
    at_bound : float
        Its share (0 to 1) of the hazard at the bound: the slot with the most holds the promise down.
    """

    slot: str
    failures: float
    estimate: float
    at_bound: float


@dataclass(frozen=True)
class Promise:
    """The longest mission with the wanted survival.

    Attributes
    ----------
    shots : float
    survival, confidence : float
    estimate : float
        Shots as estimated (no bound); inf where nothing failed.
    cut : float
        Root that the bound was cut at (1.645 would be the normal one at 0.95); nan where the bound is
        exact (one slot, complete or failure-terminated; exponential slots of equal exposure).
    slots : tuple of Share
        Largest share first.
    notes : tuple of Note
    """

    shots: float
    survival: float
    confidence: float
    estimate: float
    cut: float
    slots: tuple[Share, ...]
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class Survival:
    """Survival of a mission.

    Attributes
    ----------
    shots : float
    estimate, lower : float
    confidence : float
    cut : float
    slots : tuple of Share
    notes : tuple of Note
    """

    shots: float
    estimate: float
    lower: float
    confidence: float
    cut: float
    slots: tuple[Share, ...]
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class Allowed:
    """Highest level of a stress at which the promise still meets a mission.

    Attributes
    ----------
    column : str
    level : float
        nan where none is allowed.
    estimate : float
        Level as estimated.
    shots, survival, confidence : float
    searched : tuple of float
        Levels between which it was looked for: what the records carry.
    beyond : float
        Spans outside the tests.
    notes : tuple of Note
    """

    column: str
    level: float
    estimate: float
    shots: float
    survival: float
    confidence: float
    searched: tuple[float, float]
    beyond: float
    notes: tuple[Note, ...]


def promise(module: Module, ask: Ask) -> Promise:
    """Longest mission whose lower bound on survival is the wanted one.

    Raises
    ------
    BadInput
        For settings out of range.
    CannotAnswer
        If the promise runs out of the bracket (the data bound nothing).
    """
    ask.checked()
    budget = -np.log(ask.survival)
    engine = _engine(module, ask)

    def total(v: float) -> float:
        return max(budget - float(module.drift(np.array([np.exp(v) * module.unit]))[0]), 1e-12)

    def root(v: float) -> Root:
        return engine.observed(float(np.exp(v)), total(v))

    def drawn(v: float, at: Root) -> Array:
        return engine.simulated(float(np.exp(v)), total(v), at)

    found = invert(root, drawn, ask.confidence, 0.0, SPAN)
    if found.value >= SPAN[1] - 1e-3 or found.value <= SPAN[0] + 1e-3:
        raise CannotAnswer(
            "The data bound nothing: the promise runs out of what can be searched. Test more units."
        )
    shots = float(np.exp(found.value)) * module.unit
    cut = found.cut
    poisson, exact = poisson_of(module), conditional_of(module)
    if poisson is not None:
        rate = poisson.rate(ask.confidence)
        v = falls_to(lambda v: total(v) - rate * np.exp(v), 0.0, SPAN)
        shots, cut = float(np.exp(v)) * module.unit, NAN
    elif exact is not None:
        shots, cut = exact.shots(ask.survival, ask.confidence), NAN
    estimate = _estimate(root, total)
    return Promise(
        shots, ask.survival, ask.confidence, estimate * module.unit, cut,
        _shares(module, found.root), module.notes + _flags(module, found),
    )  # fmt: skip


def survival(module: Module, shots: float, ask: Ask) -> Survival:
    """Lower bound on the survival of a mission of ``shots``.

    Raises
    ------
    BadInput
        For settings out of range.
    """
    ask.checked()
    if not (shots > 0 and np.isfinite(shots)):
        raise BadInput("the mission must be more than 0 shots")
    engine = _engine(module, ask)
    n = shots / module.unit
    drift = float(module.drift(np.array([shots]))[0])

    # -ln hazard falls in the root as ln shots does, so that one search serves both
    def root(v: float) -> Root:
        return engine.observed(n, float(np.exp(-v)))

    def drawn(v: float, at: Root) -> Array:
        return engine.simulated(n, float(np.exp(-v)), at)

    first = engine.observed(n, 0.1)
    start = -np.log(max(float(first.fitted[0]), 1e-3))
    found = invert(root, drawn, ask.confidence, start, (-np.log(1e3), -np.log(1e-9)))
    lower, cut = float(np.exp(-np.exp(-found.value) - drift)), found.cut
    poisson, exact = poisson_of(module), conditional_of(module)
    if poisson is not None:
        lower, cut = float(np.exp(-poisson.rate(ask.confidence) * n - drift)), NAN
    elif exact is not None:
        lower, cut = exact.survival(shots, ask.confidence), NAN
    return Survival(
        shots, float(np.exp(-first.fitted[0] - drift)), lower, ask.confidence, cut,
        _shares(module, found.root), module.notes + _flags(module, found),
    )  # fmt: skip


def allowed(
    module: Module, column: str, shots: float, ask: Ask, searched: tuple[float, float]
) -> Allowed:
    """Highest level of ``column`` at which a mission of ``shots`` keeps the wanted survival.

    The same question as ``promise``, turned round: the root of the total hazard along the level.

    Parameters
    ----------
    module : Module
        Whose law holds ``column``, at any operating point.
    column : str
    shots : float
    ask : Ask
    searched : (float, float)
        Levels to look between; see ``carried_span``.

    Raises
    ------
    CannotAnswer
        If no slot's model holds the column.
    """
    ask.checked()
    if not any(column == n for s in module.slots for n, _, _ in s.carried.stresses):
        raise CannotAnswer(
            f"{column} is not modelled in these records: failures at two levels apart are missing, "
            "or ask with a named prior."
        )
    engine = _engine(module, ask)
    n = shots / module.unit
    budget = -np.log(ask.survival) - float(module.drift(np.array([shots]))[0])
    lo, hi = searched
    is_log = column != "temp_C"
    span = (np.log(lo), np.log(hi)) if is_log else (lo, hi)

    def level(v: float) -> float:
        return float(np.exp(v)) if is_log else v

    def at(v: float) -> Engine:
        return replace(engine, slots=at_stress(module, column, level(v)))

    found = None
    value, estimate = float("nan"), float("nan")
    if budget > 0:
        found = invert(
            lambda v: at(v).observed(n, budget), lambda v, r: at(v).simulated(n, budget, r),
            ask.confidence, 0.5 * (span[0] + span[1]), span,
        )  # fmt: skip
        if found.value > span[0] + 1e-3:
            value = level(min(found.value, span[1]))
        estimate = level(_level_estimate(lambda v: at(v).observed(n, budget), budget, span))
    factors = [f for f in module.factors if f.name == column]
    notes = module.notes + (() if found is None else _flags(module, found))
    if np.isnan(value):
        notes += (Note("none_allowed", f"Not even {lo:,.4g} meets the requirement by its bound; test more units."),)
    beyond = max((f.beyond for f in factors), default=0.0)
    return Allowed(column, value, estimate, shots, ask.survival, ask.confidence, searched, beyond, notes)


def _level_estimate(root: Callable[[float], Root], budget: float, span: tuple[float, float]) -> float:
    a, b = span
    for _ in range(40):
        mid = 0.5 * (a + b)
        a, b = (mid, b) if root(mid).fitted[0] <= budget else (a, mid)
    return 0.5 * (a + b)


def _engine(module: Module, ask: Ask) -> Engine:
    return Engine(tuple(s.model for s in module.slots), ask.draws, ask.seed)


def _estimate(root: Callable[[float], Root], total: Callable[[float], float]) -> float:
    """Shots (in units) at which the fitted hazard meets the total."""
    a, b = SPAN
    if root(b).fitted[0] < total(b):
        return float("inf")
    for _ in range(40):
        mid = 0.5 * (a + b)
        a, b = (mid, b) if root(mid).fitted[0] <= total(mid) else (a, mid)
    return float(np.exp(0.5 * (a + b)))


def _shares(module: Module, root: Root) -> tuple[Share, ...]:
    total = float(root.split.sum())
    out = [
        Share(s.aboard.slot, float(s.model.data.failures[0]), float(h), float(x) / total)
        for s, h, x in zip(module.slots, root.by_slot, root.split)
    ]
    return tuple(sorted(out, key=lambda s: -s.at_bound))


def _flags(module: Module, found: Inverted) -> tuple[Note, ...]:
    """What the answer itself must say of its own limits."""
    notes = []
    if found.cut > 2.5:
        notes.append(
            Note(
                "few_failures",
                "Few failures of low or unknown shape: the simulated cut is far above the normal one, and the promise is short.",
            )
        )
    if any(f.beyond > 0 for f in module.factors):
        notes.append(
            Note(
                "exponent_matters",
                "The operating point lies outside the tests: where the true exponent is far above 7, promises were "
                "kept less often in simulation (85 % at 14).",
            )
        )
    return tuple(notes)


def normal_cut(confidence: float) -> float:
    """The cut without simulation."""
    return float(ndtri(confidence))
