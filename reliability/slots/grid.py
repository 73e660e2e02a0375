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

import numpy as np
from scipy.special import gammaln

from reliability.slots.exposure import Array, Ints, SlotData

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


def fit_slot(slot: SlotData, scale: float, early: bool = True) -> SlotFit:
    """The grid of a slot; counts in units of ``scale``; without an early cause unless that is wanted."""
    e = exponents_of(slot)
    begin, end = exposures(slot, e, scale)
    dead = slot.units.failed
    exposure = np.stack([(end**b - begin**b).sum(axis=1) for b in SHAPES])
    log_z = np.log(end[:, dead])
    r = float(dead.sum())
    b = SHAPES[:, None]
    # dz/dt of each failure is (V / V_use)^e
    known = exponent_prior(slot) + e * slot.x[slot.units.level[dead]].sum()
    known = known + r * np.log(b) + (b - 1) * log_z.sum(axis=1)
    plain = _rate_out(known, r, exposure)
    longest = end.max(axis=1)
    width = np.stack([*(f * longest for f in BURN_OUT), longest])
    weak, rows, laws = [], [np.zeros((0, *plain.shape))], [np.zeros((2, 0), np.intp)]
    for law, eta in enumerate(width):
        g = cumulative(law, end, eta[:, None]) - cumulative(law, begin, eta[:, None])
        weak.append(EARLY_SIZE / EARLY_MEAN + g.sum(axis=1))
        if early and 0 < r <= MANY:
            ways = _ways(law, eta, log_z)
            k = np.arange(len(ways), dtype=float)[:, None, None]
            rate = (
                gammaln(k + EARLY_SIZE) - gammaln(EARLY_SIZE) - (k + EARLY_SIZE) * np.log(weak[-1])
            )
            rate = rate + EARLY_SIZE * np.log(EARLY_SIZE / EARLY_MEAN)
            rows.append(_rate_out(known, r - k, exposure) + ways + rate)
            laws.append(np.stack((np.full(len(ways), law, np.intp), np.arange(len(ways)))))
    top = plain.max()
    law_of, number = np.concatenate(laws, axis=1)
    return SlotFit(
        r,
        e,
        plain - top,
        exposure,
        np.concatenate(rows) - top,
        law_of,
        number,
        width,
        np.stack(weak),
    )


def _rate_out(known: Array, failures: float | Array, exposure: Array) -> Array:
    """Log likelihood with the rate of life integrated out: a gamma integral."""
    return np.asarray(known - failures * np.log(exposure) + gammaln(failures + HALF))


def _ways(law: int, eta: Array, log_z: Array) -> Array:
    """Log of the sum, over all choices of k failures as early ones, of their densities over those of life.

    Parameters
    ----------
    law : int
    eta : array (e,)
    log_z : array (e, failures)

    Returns
    -------
    array (k + 1, shapes, e)
    """
    most = min(log_z.shape[1], MOST_EARLY)
    log = np.zeros((SHAPES.size, eta.size))
    some = np.zeros((most + 1, SHAPES.size, eta.size))
    some[0] = 1.0
    b = SHAPES[:, None]
    for i in range(log_z.shape[1]):
        z = np.exp(log_z[:, i])
        early = -np.log(eta) - (z / eta if law < len(BURN_OUT) else 0.0)
        odds = np.exp(np.clip(early - np.log(b) - (b - 1) * log_z[:, i], -300, 300))
        # as chances, so that nothing overflows: the coefficients are those of a Poisson binomial
        chance = odds / (1 + odds)
        some[1:] = some[1:] * (1 - chance) + some[:-1] * chance
        some[0] *= 1 - chance
        log += np.log1p(odds)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(some) + log)
