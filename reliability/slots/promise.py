"""The promise: the longest mission, the least survival, or the highest stress that the data carry."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from reliability.notes import BadInput, CannotAnswer, Note
from reliability.slots.carried import BELOW, BEYOND, FAILURES, PRIOR, SPREAD_V, stress_of
from reliability.slots.early import CUT_SHARE
from reliability.slots.engine import Engine, Root
from reliability.slots.exact import conditional_of, poisson_of
from reliability.slots.invert import FEW, falls_to, simulated_cut
from reliability.slots.model import Module, at_stress

NAN = float("nan")
SPAN = (float(np.log(1e-4)), float(np.log(1e3)))
HAZARDS = (float(-np.log(1e3)), float(-np.log(1e-9)))
NO_LAW_SEEN = (
    "charge_V is not modelled in these records: tests at two voltages apart are missing. Test at a second one, or "
    "ask with a named prior on the exponent."
)
RUNG = 1.15
"""Ratio of voltages between which cuts are simulated."""


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
    """Highest charge voltage at which the promise still meets a mission.

    Attributes
    ----------
    level : float
        In V; nan where none is allowed.
    estimate : float
        Level as estimated.
    shots, survival, confidence : float
    searched : tuple of float
        Levels between which it was looked for: what the records carry.
    notes : tuple of Note
    """

    level: float
    estimate: float
    shots: float
    survival: float
    confidence: float
    searched: tuple[float, float]
    notes: tuple[Note, ...]


class Calibrated:
    """A module with its cut: every bound of one module rests on the same simulations.

    Where voltage is modelled the cut is the largest of those simulated at the rungs of a ladder, from
    the lowest tested voltage up to the first at or above the one asked for, so that a higher voltage
    never gives a longer promise.
    """

    def __init__(self, module: Module, ask: Ask, second: bool = False) -> None:
        self.module, self.ask, self.second = module, ask.checked(), second
        self.engine = Engine(tuple(s.model for s in module.slots), ask.draws, ask.seed)
        self.budget = float(-np.log(ask.survival))
        self._rungs: list[float] = []
        self._places: list[float] = []

    def total(self, v: float) -> float:
        """Hazard of sudden failure that the mission of exp(v) units leaves room for."""
        drift = float(self.module.drift(np.array([np.exp(v) * self.module.unit]))[0])
        return max(self.budget - drift, 1e-12)

    def root(self, v: float, engine: Engine | None = None) -> Root:
        """Root of the data at ln shots (in units)."""
        return (engine or self.engine).observed(float(np.exp(v)), self.total(v))

    def cut(self, level: float | None = None) -> float:
        """The cut at a voltage (default: the module's operating point)."""
        if self.second:
            return CUT_SHARE * float(ndtri(self.ask.confidence))
        law = voltage_law(self.module)
        if law is None:
            return self._rung(None)
        low, at = law
        return max(
            self._rung(low * RUNG**k)
            for k in range(rung_above(at if level is None else level, low) + 1)
        )

    def _rung(self, volts: float | None) -> float:
        """Cut simulated at one rung, kept."""
        k = 0 if volts is None else rung_above(volts, voltage_law(self.module)[0])  # type: ignore[index]
        while len(self._rungs) <= k:
            engine = self.engine
            if volts is not None:
                low = voltage_law(self.module)[0]  # type: ignore[index]
                level = low * RUNG ** len(self._rungs)
                engine = replace(engine, slots=at_stress(self.module, "charge_V", level))
            found, place = self._simulate(engine, self._places[-1] if self._places else None)
            self._rungs.append(found)
            self._places.append(place)
        return self._rungs[k]

    def _simulate(self, engine: Engine, first: float | None) -> tuple[float, float]:
        if sum(s.data.failures[0] for s in engine.slots) <= FEW:
            engine = replace(engine, draws=2 * engine.draws)  # flat tails, and few rows to redraw
        return simulated_cut(
            lambda v: self.root(v, engine),
            lambda v, at: engine.simulated(float(np.exp(v)), self.total(v), at),
            self.ask.confidence, SPAN, first,
        )  # fmt: skip


def _exact_fits(module: Module) -> bool:
    """Whether the bound is exact and nothing in the data speaks against one spread of lives."""
    return not module.misfit and conditional_of(module) is not None


def voltage_law(module: Module) -> tuple[float, float] | None:
    """Lowest tested voltage and that of the operating point, where a slot models voltage."""
    low, at = np.inf, NAN
    for s in module.slots:
        for (name, _, _), x in zip(s.carried.stresses, s.carried.at):
            if name == "charge_V":
                low = min(low, float(np.nanmin(stress_of(s.carried.own, name))))
                at = float(np.exp(x))
    return None if np.isnan(at) else (low, module.point.stress.get("charge_V", at))


def carried_span(module: Module) -> tuple[float, float]:
    """Voltages that the module's records carry: one tested span (8 % at least) above, half of one below.

    With a prior on the exponent asked for by name: half to one and a half times the tested ones.

    Raises
    ------
    CannotAnswer
        If no slot models voltage.
    """
    lows, highs = [], []
    for s in module.slots:
        if not any(n == "charge_V" for n, _, _ in s.carried.stresses):
            continue
        v = stress_of(s.carried.own, "charge_V")
        low, high = float(np.nanmin(v)), float(np.nanmax(v))
        asked = any(
            f.name == "charge_V" and f.status == PRIOR and f.beyond > BEYOND
            for f in s.carried.factors
        )
        if asked or high < SPREAD_V * low:
            lows.append(low / 2)
            highs.append(1.5 * high)
            continue
        span = max(high - low, high - high / SPREAD_V)
        lows.append(max(low - BELOW * span, 0.2 * low))
        highs.append(high + BEYOND * span if s.model.data.failures[0] >= FAILURES else high)
    if not lows:
        raise CannotAnswer(NO_LAW_SEEN)
    return max(lows), min(highs)


def rung_above(level: float, low: float) -> int:
    """Number of the first rung at or above a level (0: the lowest tested)."""
    return max(0, int(np.ceil(np.log(level / low) / np.log(RUNG) - 1e-9)))


def promise(module: Module, ask: Ask) -> Promise:
    """Longest mission whose lower bound on survival is the wanted one.

    Raises
    ------
    BadInput
        For settings out of range.
    CannotAnswer
        If the promise runs out of the bracket (the data bound nothing).
    """
    one = _promise(module, ask)
    if module.apart is None or _exact_fits(module):
        return one
    two = _promise(module.apart, ask, second=True)
    return replace(min(one, two, key=lambda p: p.shots), estimate=one.estimate)


def _promise(module: Module, ask: Ask, second: bool = False) -> Promise:
    """The promise of one reading."""
    c = Calibrated(module, ask, second)
    poisson, exact = (None, None) if second else (poisson_of(module), conditional_of(module))
    cut = NAN
    if poisson is not None:
        rate = poisson.rate(ask.confidence)
        v = falls_to(lambda v: c.total(v) - rate * np.exp(v), 0.0, SPAN)
    elif exact is not None:
        v = float(np.log(exact.shots(ask.survival, ask.confidence) / module.unit))
    else:
        cut = c.cut()
        v = falls_to(lambda v: float(c.root(v).value[0]) - cut, 0.0, SPAN)
    if v >= SPAN[1] - 1e-3 or v <= SPAN[0] + 1e-3:
        raise CannotAnswer(
            "These data bound nothing that could be promised: too few failures to tell how early the next "
            "ones come. Test more units."
        )
    return Promise(
        float(np.exp(v)) * module.unit, ask.survival, ask.confidence,
        _estimate(c.root, c.total) * module.unit, cut, _shares(module, c.root(v)),
        module.notes + _flags(module, cut),
    )  # fmt: skip


def survival(module: Module, shots: Sequence[float], ask: Ask) -> tuple[Survival, ...]:
    """Lower bounds on the survival of missions; all share one cut, that of the promise.

    ``ask.survival`` says where the cut is simulated: at the promise the bound is that survival.

    Raises
    ------
    BadInput
        For settings out of range.
    """
    if not all(n > 0 and np.isfinite(n) for n in shots):
        raise BadInput("the mission must be more than 0 shots")
    one = _survival(module, shots, ask)
    if module.apart is None or _exact_fits(module):
        return one
    two = _survival(module.apart, shots, ask, second=True)
    return tuple(
        replace(min(a, b, key=lambda s: s.lower), estimate=a.estimate) for a, b in zip(one, two)
    )


def _survival(
    module: Module, shots: Sequence[float], ask: Ask, second: bool = False
) -> tuple[Survival, ...]:
    """The bounds of one reading."""
    c = Calibrated(module, ask, second)
    poisson, exact = (None, None) if second else (poisson_of(module), conditional_of(module))
    cut = c.cut() if poisson is None and exact is None else NAN
    out = []
    for n in shots:
        run = n / module.unit
        drift = float(module.drift(np.array([n]))[0])
        first = c.engine.observed(run, 0.1)
        start = -np.log(max(float(first.fitted[0]), 1e-3))
        at = first
        if poisson is not None:
            hazard = poisson.rate(ask.confidence) * run
        elif exact is not None:
            hazard = -np.log(exact.survival(n, ask.confidence))
        else:
            # the root falls along -ln hazard
            v = falls_to(
                lambda v, run=run: float(c.engine.observed(run, np.exp(-v)).value[0]) - cut,  # type: ignore[misc]
                start, HAZARDS,
            )  # fmt: skip
            hazard = float(np.exp(-v))
            at = c.engine.observed(run, hazard)
        out.append(
            Survival(
                n, float(np.exp(-first.fitted[0] - drift)), float(np.exp(-hazard - drift)), ask.confidence,
                cut, _shares(module, at), module.notes + _flags(module, cut),
            )
        )  # fmt: skip
    return tuple(out)


def allowed(module: Module, shots: float, ask: Ask, searched: tuple[float, float]) -> Allowed:
    """Highest charge voltage at which a mission of ``shots`` keeps the wanted survival.

    The same question as ``promise``, turned round: at the level the promise is ``shots``.

    Parameters
    ----------
    module : Module
        A slot of which models voltage, at any operating point.
    shots : float
    ask : Ask
    searched : (float, float)
        Voltages to look between; see ``carried_span``.

    Raises
    ------
    CannotAnswer
        If no slot's model holds voltage.
    """
    one = _allowed(module, shots, ask, searched)
    if module.apart is None or np.isnan(one.level):
        return one
    two = _allowed(module.apart, shots, ask, searched, second=True)
    worse = two if np.isnan(two.level) or two.level < one.level else one
    return replace(worse, estimate=one.estimate)


def _allowed(
    module: Module, shots: float, ask: Ask, searched: tuple[float, float], second: bool = False
) -> Allowed:
    """The level of one reading."""
    law = voltage_law(module)
    if law is None:
        raise CannotAnswer(NO_LAW_SEEN)
    c = Calibrated(module, ask, second)
    budget = c.total(float(np.log(shots / module.unit)))

    def root(v: float) -> Root:
        slots = at_stress(module, "charge_V", float(np.exp(v)))
        return replace(c.engine, slots=slots).observed(shots / module.unit, budget)

    low, (lo, hi) = law[0], searched
    value, estimate = NAN, NAN
    a = float(np.log(lo))
    for k in range(rung_above(lo, low), rung_above(hi, low) + 1):
        z = float(np.log(min(hi, low * RUNG**k)))
        cut = c.cut(float(np.exp(z)))
        if float(root(a).value[0]) < cut:
            break  # the cut of this rung forbids all of it
        v = falls_to(lambda v: float(root(v).value[0]) - cut, a, (a, max(z, a)))  # noqa: B023
        value = float(np.exp(v))
        if v < z - 1e-4:
            break
        a = z
    x, y = np.log(lo), np.log(hi)
    for _ in range(40):
        mid = 0.5 * (x + y)
        x, y = (mid, y) if root(mid).fitted[0] <= budget else (x, mid)
    estimate = float(np.exp(0.5 * (x + y)))
    notes = module.notes + _flags(module, NAN)
    if np.isnan(value):
        notes += (
            Note(
                "none_allowed",
                f"Not even {lo:,.4g} V meets the requirement by its bound; test more units.",
            ),
        )
    return Allowed(value, estimate, shots, ask.survival, ask.confidence, searched, notes)


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
    found: dict[str, Share] = {}
    for s, h, x in zip(module.slots, root.by_slot, root.split):
        name, dead = s.aboard.slot, float(s.model.data.failures[0])
        old = found.get(name, Share(name, 0.0, 0.0, 0.0))  # two units, or two parts of the hazard
        found[name] = Share(
            name, old.failures + dead, old.estimate + float(h), old.at_bound + float(x) / total
        )
    return tuple(sorted(found.values(), key=lambda s: -s.at_bound))


def _flags(module: Module, cut: float) -> tuple[Note, ...]:
    """What the answer itself must say of its own limits."""
    notes = []
    if cut > 2.5:
        notes.append(
            Note(
                "few_failures",
                "Few failures of low or unknown shape: the simulated cut is far above the normal one, and the promise is short.",
            )
        )
    tried = {s.aboard.slot: s.carried.own.units for s in module.slots}
    least = min(tried, key=lambda name: (tried[name], name))
    unseen = 1.0 - 0.05 ** (1.0 / max(tried[least], 1.0))
    if unseen > 0.1:
        notes.append(
            Note(
                "early_unseen",
                f"{least}: {tried[least]:g} records. A share of early failures of up to {100 * unseen:.0f} % could have gone "
                "unseen among so few; no model tells. Burn in what flies.",
            )
        )
    if any(f.beyond > 0 for f in module.factors):
        notes.append(
            Note(
                "exponent_matters",
                "The operating point lies outside the tests: where the true exponent is far above 7, promises were "
                "kept less often in a simulated search for this method (85 % at exponent 14, one truth).",
            )
        )
    return tuple(notes)
