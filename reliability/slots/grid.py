"""What the records of a slot say of its life law, on a grid; the rates stand beside it in closed form.

A unit's exposure is its shots in shots at the voltage of use, z = sum (V / V_use)^e shots. The cumulative
hazard of a slot is the sum of two causes:

* life, rate z^b: chance and wear-out, shape b, voltage exponent e;
* early failures or chance beside it, rate G(z): either weak units that burn out, 1 - exp(-z / eta),
  with eta a hundredth, a thirtieth or a tenth of the longest test, or chance, z over the longest test.

A slot without failures has life only: the module's one failure more (``draws``) stands for the rest.
Which failure was of which cause is summed over exactly: with k of R failures early, both rates are gamma
variables, and the sum over all ways to choose k is a polynomial's coefficient. Only the k of the R
failures matter, so the grid is small: shapes by exponents by (early law, k).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import gammaln

from reliability.slots.exposure import Array, Flags, Ints, SlotData

SHAPES = np.exp(np.linspace(np.log(0.25), np.log(9.0), 30))
EXPONENTS = np.linspace(0.0, 16.0, 17)
EXPONENT_MEAN, EXPONENT_SD = 7.0, 4.0
"""normal prior, cut to the grid: covers ceramic (3; 2 to 7, Sci. Rep. 14, 616, 2024) and film in pulse
discharge (6 to 9, practitioners' use, from memory), and steeper ones; a choice"""
BURN_OUT = (0.01, 0.03, 0.1)
"""where weak units are gone, in longest tests; a choice"""
EARLY_SIZE, EARLY_MEAN = 0.5, 0.15
"""gamma prior of the share of weak units: its size and its mean; a choice"""
HALF = 0.25
"""failures added to those seen where shapes are weighed: between failure- and time-terminated tests"""
MOST_EARLY = 24
"""most failures that may be early ones"""
MANY = 300
"""failures above which early ones are not looked for: the shape tells by then"""


@dataclass(frozen=True)
class SlotFit:
    """What the records of a slot say.

    Attributes
    ----------
    failures : float
    exponents : array (e,)
    plain : array (shapes, e)
        Log weight of one cause, of shapes and exponents, the rate integrated out.
    exposure : array (shapes, e)
        Sum of z^b over the units, entries taken off.
    early : array (rows, shapes, e)
        Log weights with an early cause; each row an early law and a number of early failures. No rows
        where nothing failed.
    law, number : int arrays (rows,)
        Which early law (an index of ``BURN_OUT``, or beyond it: chance), how many failures.
    width : array (laws, e)
        eta of each early law.
    weak : array (laws, e)
        Units of the prior and G summed over those tested: the early rate's gamma has this inverse scale.
    """

    failures: float
    exponents: Array
    plain: Array
    exposure: Array
    early: Array
    law: Ints
    number: Ints
    width: Array
    weak: Array


def exponents_of(slot: SlotData) -> Array:
    """Exponents looked at: all, or a single 0 where the voltage does not matter."""
    return EXPONENTS if slot.law else np.zeros(1)


def exponent_prior(slot: SlotData) -> Array:
    """Log prior of the exponents looked at."""
    if not slot.law:
        return np.zeros(1)
    weight = np.exp(-0.5 * ((EXPONENTS - EXPONENT_MEAN) / EXPONENT_SD) ** 2)
    weight /= weight.sum()
    weight = (1 - slot.doubt) * weight + slot.doubt * (EXPONENTS == 0)
    return np.asarray(np.log(weight))


def exposure_of(slot: SlotData, row: int, e: float, scale: float) -> float:
    """z of one unit at its end, in ``scale``."""
    u, aging = slot.units, np.exp(e * slot.x)
    if row not in u.spent:
        return float(aging[u.level[row]] / scale * u.end[row])
    first = int(np.argmax(u.spent[row] > 0))
    return float(aging[first] * u.start[row] / scale + aging @ u.spent[row] / scale)


def exposures(slot: SlotData, e: Array, scale: float) -> tuple[Array, Array]:
    """z of each unit at its entry and its end, in ``scale``, (e, n) each."""
    u, aging = slot.units, np.exp(np.outer(e, slot.x))
    own = aging[:, u.level] / scale
    begin, end = own * u.start, own * u.end
    for row, spent in u.spent.items():
        first = int(np.argmax(spent > 0))
        begin[:, row] = aging[:, first] * u.start[row] / scale
        end[:, row] = begin[:, row] + aging @ spent / scale
    return begin, end


def ages_of(slot: SlotData, e: Array, scale: float) -> Array:
    """z so far of the units to be promised, (e, units)."""
    x = np.concatenate((slot.x, [0.0]))
    return np.asarray(np.exp(np.outer(e, x)) @ slot.ages.T / scale)


def cumulative(law: int, z: Array, width: Array) -> Array:
    """G of an early law."""
    return np.asarray(-np.expm1(-z / width) if law < len(BURN_OUT) else z / width)


@dataclass(frozen=True)
class Exposed:
    """What the fit of a slot takes of its units, whichever more of them failed than are known to have.

    Attributes
    ----------
    exponents : array (e,)
    end : array (e, n)
        z of each unit at its end.
    failed : bool array (n,)
        Units known to have failed.
    exposure : array (shapes, e)
        Sum of z^b over the units, entries taken off.
    width, weak : arrays (laws, e)
        As ``SlotFit``.
    """

    exponents: Array
    end: Array
    failed: Flags
    exposure: Array
    width: Array
    weak: Array

    def ways(self, failed: Flags) -> Array:
        """``_ways`` where these failed: those known to have, then the others."""
        more = self.end[:, failed & ~self.failed]
        return _ways(self.width, np.log(more), self._known)

    @cached_property
    def _known(self) -> tuple[Array, Array]:
        return _chosen(self.width, np.log(self.end[:, self.failed]))


def exposed(slot: SlotData) -> Exposed:
    """The units of a slot on the grid, counts in units of their middle."""
    e = exponents_of(slot)
    begin, end = exposures(slot, e, slot.units.middle)
    late = np.flatnonzero(slot.units.start > 0)
    exposure = np.empty((SHAPES.size, e.size))
    for total, b in zip(exposure, SHAPES, strict=True):
        own = end**b
        own[:, late] -= begin[:, late] ** b
        total[:] = own.sum(axis=1)
    longest = end.max(axis=1)
    width = np.stack([*(f * longest for f in BURN_OUT), longest])
    weak = [
        EARLY_SIZE / EARLY_MEAN
        + (cumulative(law, end, eta[:, None]) - cumulative(law, begin, eta[:, None])).sum(axis=1)
        for law, eta in enumerate(width)
    ]
    return Exposed(e, end, slot.units.failed, exposure, width, np.stack(weak))


def fit_slot(slot: SlotData, on: Exposed, early: bool = True) -> SlotFit:
    """The grid of a slot whose units are ``on`` it; without an early cause unless that is wanted."""
    dead = slot.units.failed
    log_z = np.log(on.end[:, dead])
    r = float(dead.sum())
    b = SHAPES[:, None]
    # dz/dt of each failure is (V / V_use)^e
    known = exponent_prior(slot) + on.exponents * slot.x[slot.units.level[dead]].sum()
    known = known + r * np.log(b) + (b - 1) * log_z.sum(axis=1)
    plain = _rate_out(known, r, on.exposure)
    top = plain.max()
    rows = np.zeros((0, *plain.shape))
    law, number = np.zeros((2, 0), np.intp)
    if early and 0 < r <= MANY:
        ways = on.ways(dead)
        laws, most = len(on.width), ways.shape[1]
        k = np.arange(most, dtype=float)[:, None, None]
        rate = gammaln(k + EARLY_SIZE) - gammaln(EARLY_SIZE)
        rate = rate - (k + EARLY_SIZE) * np.log(on.weak)[:, None, None, :]
        rate = rate + EARLY_SIZE * np.log(EARLY_SIZE / EARLY_MEAN)
        rows = (_rate_out(known, r - k, on.exposure) + ways + rate).reshape(-1, *plain.shape)
        law, number = np.repeat(np.arange(laws), most), np.tile(np.arange(most), laws)
    return SlotFit(
        r, on.exponents, plain - top, on.exposure, rows - top, law, number, on.width, on.weak
    )


def _rate_out(known: Array, failures: float | Array, exposure: Array) -> Array:
    """Log likelihood with the rate of life integrated out: a gamma integral."""
    return np.asarray(known - failures * np.log(exposure) + gammaln(failures + HALF))


def _ways(eta: Array, log_z: Array, known: tuple[Array, Array] | None = None) -> Array:
    """Log of the sum, over all choices of k failures as early ones, of their densities over those of life.

    Parameters
    ----------
    eta : array (laws, e)
        Widths of the early laws.
    log_z : array (e, failures)
    known : pair of arrays, optional
        What ``_chosen`` found of other failures.

    Returns
    -------
    array (laws, k + 1, shapes, e)
    """
    chances, log = _chosen(eta, log_z, known)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(chances) + log[:, None])


def _chosen(
    eta: Array, log_z: Array, known: tuple[Array, Array] | None = None
) -> tuple[Array, Array]:
    """The same as chances, so that nothing overflows, and the log of what they are divided by.

    The coefficients are those of a Poisson binomial. ``known`` are those of other failures.
    """
    burns = (np.arange(len(eta)) < len(BURN_OUT))[:, None]
    b = SHAPES[:, None]
    log = np.zeros((len(eta), SHAPES.size, log_z.shape[0])) if known is None else known[1].copy()
    some = np.ones((len(eta), 1, *log.shape[1:])) if known is None else known[0]
    for z in log_z.T:
        early = -np.log(eta) - np.where(burns, np.exp(z) / eta, 0.0)
        odds = np.exp(np.clip(early[:, None] - np.log(b) - (b - 1) * z, -300, 300))
        log += np.log1p(odds)
        late = 1 / (1 + odds)[:, None]
        before, top = some.shape[1], min(some.shape[1], MOST_EARLY) + 1
        more = np.zeros((len(eta), top, *log.shape[1:]))
        more[:, :before] = some * late
        more[:, 1:] += some[:, : top - 1] * (odds[:, None] * late)
        some = more
    return some, log


def alike(values: Ints) -> list[tuple[int, Ints]]:
    """Each value met, rising, with the places where it stands."""
    order = np.argsort(values, kind="stable")
    found, first = np.unique(values[order], return_index=True)
    return list(zip(found.tolist(), np.split(order, first[1:]), strict=True))
