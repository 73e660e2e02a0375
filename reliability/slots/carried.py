"""What of an operating point the records of a slot can carry, and by which model.

For each of part, lot, builder, voltage, temperature and rate one of four holds:

``same as tested``
    records of that very level (or of a harsher one, without credit) stand for it;
``modelled``
    two levels or more with failures give the law; ``beyond`` says how far outside them, in spans;
``by a sourced prior``
    the law's coefficient comes from a named prior, whose spread is inside the bound;
``not carried``
    no promise: `NotCarried` says why and which record would help.

Rules (each a choice, each tested)
----------------------------------
* A law is seen where 3 units or more failed, at levels 8 % (voltage) or 20 K (temperature) apart.
  Scatter below that is one level. A slot tested at two voltages that far apart (two units each) is
  modelled without: its exponent comes from the default prior then (about 7 for capacitors; 0 or more
  for other slots, of which no law is known).
* A modelled voltage may lie one tested span above the tests where the law is seen (a capacitor
  without: not above them); below them credit ends half a span down.
* Without enough spread a lower voltage or temperature gets no credit, a higher one (2 %, 5 K) is not
  carried unless a prior is asked for by name.
* Records of other parts, and of builders or lots that differ (p < 0.05), lend shape and stress law;
  the scale is that of the part, builder and lot asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc

from reliability.life.stress import BOLTZMANN_EV
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.cells import SHAPES, Array, Cells, Penalty
from reliability.slots.exposure import Units

SAME, MODELLED, PRIOR, NOT = "same as tested", "modelled", "by a sourced prior", "not carried"
SPREAD_V, SPREAD_K = 1.08, 20.0
NEAR_V, NEAR_K, NEAR_RATE = 1.02, 5.0, 1.5
FAILURES, BEYOND, BELOW = 3, 1.0, 0.5
DIFFER = 0.05

EXPONENT = Penalty(
    7.0, 3.0, "voltage exponent of capacitors about 7, spread 3 (3 to 9 published): a choice"
)
NO_LAW = Penalty(
    0.0, 3.0, "no voltage law is known of this slot: exponent 0 or more, spread 3: a choice"
)
ACTIVATION = Penalty(
    1.0, 0.35, "activation energy 1.0 to 1.5 eV published for ceramic; spread a choice"
)


class NotCarried(CannotAnswer):
    """The records do not carry the operating point; ``factors`` says what does and what does not."""

    def __init__(self, message: str, factors: tuple[Factor, ...]) -> None:
        super().__init__(message, factors)
        self.factors = factors


@dataclass(frozen=True)
class Factor:
    """How one side of the operating point is carried.

    Attributes
    ----------
    slot, name : str
        ``part``, ``lot``, ``builder``, ``charge_V``, ``temp_C`` or ``rate_Hz``.
    status : str
        One of the four.
    text : str
        For people: why, and what would help where it is not carried.
    beyond : float
        Spans outside the tests (0 inside).
    """

    slot: str
    name: str
    status: str
    text: str
    beyond: float = 0.0


@dataclass(frozen=True)
class Point:
    """Operating point: the stresses and parts a question is asked for.

    Attributes
    ----------
    stress : mapping
        ``charge_V``, ``temp_C``, ``rate_Hz``; what is not named is unknown.
    part, lot : mapping of slot to label
    builder : str
    """

    stress: Mapping[str, float] = field(default_factory=dict)
    part: Mapping[str, str] = field(default_factory=dict)
    lot: Mapping[str, str] = field(default_factory=dict)
    builder: str = ""


@dataclass(frozen=True)
class Rules:
    """Choices about what may be carried.

    Attributes
    ----------
    as_tested : bool
        Take the mixture of all records as it is, by name: nothing is modelled or refused.
    exponent, activation : Penalty or None
        Priors asked for by name, for a voltage or temperature that tests do not carry.
    law : mapping of slot to Penalty
        Voltage exponent of a slot where tests have enough spread; default by kind of slot.
    """

    as_tested: bool = False
    exponent: Penalty | None = None
    activation: Penalty | None = None
    law: Mapping[str, Penalty] = field(default_factory=dict)


@dataclass(frozen=True)
class Carried:
    """A slot's records as they serve the operating point.

    Attributes
    ----------
    factors : tuple of Factor
    own : LifeRecords
        Records that share the scale.
    lent : tuple of LifeRecords
        Groups that lend shape and stress law.
    stresses : tuple of (str, grid, Penalty)
        Modelled stresses.
    at : array (s,)
        Coordinates of the operating point.
    left_out : int
        Records that could not be used because their stress is not known.
    """

    factors: tuple[Factor, ...]
    own: LifeRecords
    lent: tuple[LifeRecords, ...]
    stresses: tuple[tuple[str, Array, Penalty], ...]
    at: Array
    left_out: int = 0

    @property
    def reference(self) -> Array:
        """Coordinates (s,) that ages refer to: the mildest tested, whatever is asked for."""
        x = self.coordinates(self.own)
        return x.min(axis=0) if x.shape[1] else np.zeros(0)

    def coordinates(self, records: LifeRecords) -> Array:
        """Stress coordinates (n, s) of records."""
        cols = [coordinate(name, stress_of(records, name)) for name, _, _ in self.stresses]
        return np.stack(cols, axis=1) if cols else np.zeros((len(records), 0))

    def cells(
        self, shape: Penalty | None, fixed_shape: float | None = None,
        shapes: tuple[float, float, int] = SHAPES,
    ) -> Cells:  # fmt: skip
        """The slot's grid."""
        stresses = tuple((g, p) for _, g, p in self.stresses)
        return Cells.of(shape, stresses, shapes, fixed_shape)


def stress_of(records: LifeRecords, name: str) -> Array:
    """A stress column, nan where unknown."""
    v = records.covariates.get(name)
    return np.full(len(records), np.nan) if v is None else np.asarray(v, float)


def coordinate(name: str, value: Array | float) -> Array:
    """ln V, or -1/kT: ln age rises with it by exponent, or activation energy, a unit."""
    v = np.asarray(value, float)
    if name == "temp_C":
        return np.asarray(-1.0 / (BOLTZMANN_EV * (v + 273.15)))
    return np.log(v)


def fill_from_module(records: LifeRecords, names: tuple[str, ...]) -> LifeRecords:
    """Unknown stresses of a record taken from its module's other records, where these agree."""
    cov = dict(records.covariates)
    keys = list(zip(records.builder.tolist(), records.module.tolist()))
    for name in names:
        v = stress_of(records, name)
        gap = np.isnan(v)
        if not gap.any() or gap.all():
            continue
        seen: dict[tuple[str, str], set[float]] = {}
        for i in np.flatnonzero(~gap):
            seen.setdefault(keys[i], set()).add(float(v[i]))
        out = v.copy()
        for i in np.flatnonzero(gap):
            found = seen.get(keys[i], set())
            if keys[i][1] and len(found) == 1:
                out[i] = next(iter(found))
        cov[name] = out
    return replace(records, covariates=cov)


def is_capacitor(slot: str) -> bool:
    """Whether the slot's part is a capacitor, for which a voltage law is known."""
    return "capacitor" in slot


def carry(records: LifeRecords, slot: str, point: Point, rules: Rules) -> Carried:
    """How a slot's records serve an operating point.

    Parameters
    ----------
    records : LifeRecords
        Of this slot.
    slot : str
    point : Point
    rules : Rules

    Raises
    ------
    NotCarried
        With every side that is not carried.
    """
    if rules.as_tested:
        text = "asked for as tested: the mixture of all records, whatever their part and stress"
        return Carried((Factor(slot, "all", SAME, text),), records, (), (), np.zeros(0))
    c = _Carrying(records, slot, point, rules)
    c.part()
    c.group("lot", point.lot.get(slot, ""))
    c.group("builder", point.builder)
    c.voltage()
    c.temperature()
    c.rate()
    missing = [f for f in c.factors if f.status == NOT]
    if missing:
        raise NotCarried(" ".join(f"{slot}: {f.text}" for f in missing), tuple(c.factors))
    keep_own = c.own & c.known
    groups = tuple(records.select(g & c.known) for g in c.lent if (g & c.known).any())
    at = np.array([float(coordinate(n, v)) for (n, _, _), v in zip(c.stresses, c.at)])
    return Carried(
        tuple(c.factors), records.select(keep_own), groups, tuple(c.stresses), at,
        int((c.own & ~c.known).sum()),
    )  # fmt: skip


class _Carrying:
    """One slot's decisions, in order."""

    def __init__(self, records: LifeRecords, slot: str, point: Point, rules: Rules) -> None:
        self.r, self.slot, self.point, self.rules = records, slot, point, rules
        self.own = np.ones(len(records), bool)
        self.known = np.ones(len(records), bool)
        self.lent: list[NDArray[np.bool_]] = []
        self.factors: list[Factor] = []
        self.stresses: list[tuple[str, Array, Penalty]] = []
        self.at: list[float] = []

    def say(self, name: str, status: str, text: str, beyond: float = 0.0) -> None:
        self.factors.append(Factor(self.slot, name, status, text, beyond))

    def part(self) -> None:
        """Only records of the part itself tell its scale; others lend."""
        parts = sorted(set(self.r.part.tolist()) - {""})
        asked = self.point.part.get(self.slot, "")
        if not parts:
            if asked:
                self.say("part", NOT, f"no record says which part was tested, so nothing is known of {asked}; "
                         "name the part in the records.")  # fmt: skip
            return
        if not asked:
            if len(parts) > 1 or (self.r.part == "").any():
                self.say("part", NOT, f"tested were {', '.join(parts[:6])}; say which part it is.")
                return
            asked = parts[0]
        if asked not in parts:
            self.say("part", NOT, f"part {asked} was never tested ({', '.join(parts[:6])} were); one test of "
                     f"{asked} would help.")  # fmt: skip
            return
        self.own = np.asarray(self.r.part == asked)
        self.lent = [np.asarray(self.r.part == p) for p in parts if p != asked]
        more = (
            f"; {', '.join(p for p in parts if p != asked)} lend shape and stress law"
            if self.lent
            else ""
        )
        self.say("part", SAME, f"{asked}, {self.own.sum()} records{more}")

    def group(self, name: str, asked: str) -> None:
        """Lot or builder: pooled unless they differ; then the scale is that of the one asked for."""
        try:
            labels = np.asarray(self.r.column(name), object)
        except KeyError:
            labels = np.full(len(self.r), "", object)
        here = labels[self.own]
        levels = sorted(set(here.tolist()) - {""})
        if not levels:
            if asked and name == "lot":
                self.say(
                    name,
                    NOT,
                    f"no record says which lot was tested, so nothing is known of lot {asked}.",
                )
            return
        p = _differ(self.r.select(self.own), here)
        differs = p < DIFFER
        if asked and asked not in levels:
            if name == "lot" or differs:
                self.say(name, NOT, f"{name} {asked} was never tested ({', '.join(levels[:6])} were"
                         + (f", and they differ, p = {p:.2g}" if differs else "")
                         + "); a test of units of it would help.")  # fmt: skip
            else:
                self.say(
                    name,
                    SAME,
                    f"{asked} has no record; the {len(levels)} that have do not differ (p = {p:.2g})",
                )
            return
        if not differs:
            if len(levels) > 1:
                self.say(
                    name, SAME, f"{len(levels)} {name}s pooled, no difference seen (p = {p:.2g})"
                )
            return
        if not asked:
            self.say(
                name,
                NOT,
                f"{name}s differ (p = {p:.2g}); say which it is: {', '.join(levels[:6])}.",
            )
            return
        for other in levels:
            if other != asked:
                self.lent.append(self.own & np.asarray(labels == other))
        self.own = self.own & np.asarray(labels == asked)
        self.say(
            name,
            SAME,
            f"{asked} only, since {name}s differ (p = {p:.2g}); the others lend shape and law",
        )

    def _levels(self, name: str) -> tuple[Array, Array]:
        """Known values of the own group, and of its failures."""
        v = stress_of(self.r, name)
        use = self.own & ~np.isnan(v)
        return v[use], v[use & self.r.failed]

    def _enough(self, name: str) -> bool:
        """Failures at two levels far enough apart, in the own or a lending group."""
        v = stress_of(self.r, name)
        for g in (self.own, *self.lent):
            dead = v[g & self.r.failed & ~np.isnan(v)]
            if dead.size >= FAILURES and (
                np.ptp(dead) >= SPREAD_K
                if name == "temp_C"
                else dead.max() >= SPREAD_V * dead.min()
            ):
                return True
        return False

    def _tested_apart(self, name: str) -> bool:
        """Two units or more at each of two voltages far enough apart."""
        v = np.sort(self._levels(name)[0])
        return bool(v.size >= 4 and v[-2] >= SPREAD_V * v[1])

    def _model(self, name: str, grid: Array, prior: Penalty, at: float) -> None:
        self.stresses.append((name, grid, prior))
        self.at.append(at)
        self.known &= ~np.isnan(stress_of(self.r, name))

    def voltage(self) -> None:
        name = "charge_V"
        tested, _ = self._levels(name)
        asked = self.point.stress.get(name, float("nan"))
        if not tested.size:
            if np.isfinite(asked) and is_capacitor(self.slot):
                self.say(
                    name,
                    NOT,
                    "no record says at which voltage it was tested; add charge_V to the records.",
                )
            elif np.isfinite(asked):
                self.say(name, SAME, "no voltage is recorded of this slot; taken not to matter")
            return
        low, high = float(tested.min()), float(tested.max())
        if np.isnan(asked):
            if high > NEAR_V * low:
                self.say(
                    name,
                    NOT,
                    f"tests ran at {low:g} to {high:g} V; say at which voltage it will be charged.",
                )
            else:
                self.say(
                    name,
                    SAME,
                    f"as tested, {low:g} V" if low == high else f"as tested, {low:g} to {high:g} V",
                )
            return
        self._voltage_at(asked, low, high)

    def _voltage_at(self, asked: float, low: float, high: float) -> None:
        name, cap = "charge_V", is_capacitor(self.slot)
        law = self.rules.law.get(self.slot) or self.rules.exponent or (EXPONENT if cap else NO_LAW)
        grid = np.arange(0.0, 17.0) if cap else np.arange(0.0, 7.6, 1.5)
        seen = self._enough(name)
        if seen or self._tested_apart(name):
            span = max(high - low, high - high / SPREAD_V)
            beyond = max((asked - high) / span, (low - asked) / span, 0.0)
            if (
                asked > (high + BEYOND * span if seen or not cap else NEAR_V * high)
                and self.rules.exponent is None
            ):
                why = (
                    f"{beyond:.1f} times the tested span above the tests"
                    if seen
                    else "above the tests, with too few failures at voltages apart"
                )
                self.say(name, NOT, f"{asked:g} V lies {why} ({low:g} to {high:g} V); test at {asked:g} V, or ask "
                         "with a named prior on the exponent.", beyond)  # fmt: skip
                return
            at = max(asked, low - BELOW * span if cap or seen else low)
            status = MODELLED if seen and asked <= high + BEYOND * span else PRIOR
            where = "inside" if beyond == 0 else f"{beyond:.1f} spans outside"
            less = f"; no credit below {at:g} V" if at > asked else ""
            self.say(
                name,
                status,
                f"{asked:g} V, {where} the tested {low:g} to {high:g} V{less} ({law.source})",
                beyond,
            )
            self._model(name, grid, law, at)
            return
        if asked > NEAR_V * low and self.rules.exponent is not None:
            prior = self.rules.exponent
            self.say(name, PRIOR, f"{asked:g} V after {low:g} to {high:g} V, by prior: {prior.source}",
                     max((asked - high) / max(high - low, 0.02 * high), 0.0))  # fmt: skip
            self._model(name, grid, prior, asked)
            return
        if asked > NEAR_V * high:
            self.say(name, NOT, f"{asked:g} V after tests at {low:g} to {high:g} V, too few failures at voltages apart for a "
                     f"law; test at {asked:g} V or above, or ask with a named prior on the exponent.",
                     (asked - high) / max(high - low, 0.02 * high))  # fmt: skip
            return
        if self.rules.exponent is not None and asked < low / NEAR_V:
            self.say(name, PRIOR, f"{asked:g} V after {low:g} to {high:g} V, by prior: {self.rules.exponent.source}",
                     (low - asked) / max(high - low, 0.02 * high))  # fmt: skip
            self._model(name, grid, self.rules.exponent, asked)
            return
        less = " (or above: no credit taken for the lower voltage)" if asked < low / NEAR_V else ""
        self.say(name, SAME, f"tested at {low:g} to {high:g} V{less}")

    def temperature(self) -> None:
        name = "temp_C"
        tested, _ = self._levels(name)
        asked = self.point.stress.get(name, float("nan"))
        if not tested.size:
            if np.isfinite(asked):
                self.say(
                    name,
                    NOT,
                    f"no record says at which temperature it was tested, so {asked:g} C is not carried.",
                )
            return
        low, high = float(tested.min()), float(tested.max())
        prior = self.rules.activation
        grid = np.arange(0.0, 2.01, 0.4) if prior is None else np.linspace(
            max(0.0, prior.mean - 3 * prior.sd), prior.mean + 3 * prior.sd, 7)  # fmt: skip
        if np.isnan(asked):
            if high - low >= SPREAD_K:
                self.say(
                    name,
                    NOT,
                    f"tests ran at {low:g} to {high:g} C; say at which temperature it will work.",
                )
            else:
                self.say(name, SAME, f"as tested, {low:g} to {high:g} C")
        elif asked > high + NEAR_K and prior is None:
            self.say(name, NOT, f"{asked:g} C is hotter than any test ({low:g} to {high:g} C); test there, or ask with a "
                     "named prior on the activation energy.", (asked - high) / max(high - low, 10.0))  # fmt: skip
        elif asked > high + NEAR_K and prior is not None:
            self.say(
                name, PRIOR, f"{asked:g} C after {low:g} to {high:g} C, by prior: {prior.source}"
            )
            self._model(name, grid, prior, asked)
        elif high - low >= SPREAD_K:
            if not self._enough(name) and asked > low + SPREAD_K and prior is None:
                self.say(name, NOT, f"tests ran at {low:g} to {high:g} C but too few failed to tell what heat does; "
                         f"test more at {asked:g} C.")  # fmt: skip
                return
            self.say(
                name,
                MODELLED,
                f"{asked:g} C, tested {low:g} to {high:g} C ({(prior or ACTIVATION).source})",
            )
            self._model(name, grid, prior or ACTIVATION, max(asked, low))
        else:
            less = " (no credit taken for the lower temperature)" if asked < low - NEAR_K else ""
            self.say(name, SAME, f"{asked:g} C, tested {low:g} to {high:g} C{less}")

    def rate(self) -> None:
        name = "rate_Hz"
        asked = self.point.stress.get(name, float("nan"))
        tested, _ = self._levels(name)
        if np.isnan(asked):
            return
        if not tested.size:
            self.say(
                name,
                NOT,
                f"no record says at which rate it was fired, so {asked:g} Hz is not carried.",
            )
        elif asked > NEAR_RATE * tested.max():
            self.say(
                name,
                NOT,
                f"{asked:g} Hz is faster than any test (up to {tested.max():g} Hz); test at that rate.",
            )
        else:
            self.say(name, SAME, f"{asked:g} Hz, tested {tested.min():g} to {tested.max():g} Hz")


def _differ(records: LifeRecords, labels: NDArray[np.object_]) -> float:
    """p of no difference between groups: failures seen against expected at the pooled fit.

    Chi-square of (O - E)^2 / E with one degree less than groups of 0.5 expected failures or more;
    E shares all failures by exposure at the shape that the pool likes best. 1 with fewer than 3
    failures or one group.
    """
    if records.failures < FAILURES:
        return 1.0
    cells = Cells.of(shapes=(0.25, 10.0, 20))
    v = stress_of(records, "charge_V")
    u = Units.of(records, np.zeros((len(records), 0)))
    unit = (
        float(np.median(records.shots_good[records.shots_good > 0]))
        if (records.shots_good > 0).any()
        else 1.0
    )
    t = u.tally(cells, unit)
    r = float(t.failures[0])
    best = int((t.events[0, :, 0] - r * np.log(t.exposure[0, :, 0]) - cells.penalty[:, 0]).argmax())
    at = _exponent_levels(v)
    seen: dict[tuple[str, int], tuple[float, float]] = {}
    for g in sorted(set(labels.tolist())):
        for level in np.unique(at):
            m = np.asarray(labels == g) & (at == level)
            if m.any():
                part = Units.of(records.select(m), np.zeros((int(m.sum()), 0))).tally(cells, unit)
                seen[g, int(level)] = (float(part.failures[0]), float(part.exposure[0, best, 0]))
    # within each voltage, so that a group tested hotter is not taken for a worse one
    observed: dict[str, float] = {}
    expected: dict[str, float] = {}
    for level in np.unique(at):
        here = {g: ot for (g, lv), ot in seen.items() if lv == int(level)}
        o, e = sum(v[0] for v in here.values()), sum(v[1] for v in here.values())
        if len(here) < 2:
            continue
        for g, (og, eg) in here.items():
            observed[g] = observed.get(g, 0.0) + og
            expected[g] = expected.get(g, 0.0) + o * eg / max(e, 1e-300)
    use = [g for g in expected if expected[g] >= 0.5]
    if len(use) < 2:
        return 1.0
    stat = sum((observed[g] - expected[g]) ** 2 / expected[g] for g in use)
    return float(gammaincc(0.5 * (len(use) - 1), 0.5 * stat))


def _exponent_levels(v: Array) -> NDArray[np.intp]:
    """Voltage levels, those within 5 % of each other as one; unknown apart."""
    x = np.where(np.isnan(v) | (v <= 0), -1.0, np.round(np.log(np.where(v > 0, v, 1.0)) / 0.05))
    return np.unique(x, return_inverse=True)[1].reshape(-1)
