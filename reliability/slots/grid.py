"""The Weibull likelihood of a slot on a grid of shape and voltage exponent, profiled in closed form.

At a shape b and exponent e the slot's cumulative hazard is lambda times the exposure, so that the
likelihood of the hazard h of a mission is R ln h - h T / g and a constant: R failures, T the exposure
to the power b, g the same of the mission. Shape and exponent are held by penalties (log densities):

* shape: lognormal, median 1.3, sd of the log 0.6: a choice, by simulation (tests/benchmarks/promise.py):
  wide enough for shapes of 0.7, tight enough to be of use with one failure;
* exponent: normal, 7 with sd 3, cut to 0 to 16: covers ceramic (3; 2 to 7, Sci. Rep. 14, 616, 2024) and
  film in pulse discharge (6 to 9, practitioners' use, from memory); a choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reliability.slots.exposure import Array, Ints, SlotData, Units

SHAPES = np.exp(np.linspace(np.log(0.25), np.log(10.0), 30))
EXPONENTS = np.linspace(0.0, 16.0, 17)
SHAPE_MEDIAN, SHAPE_LOG_SD = 1.3, 0.6
EXPONENT_MEAN, EXPONENT_SD = 7.0, 3.0
SHARES = np.concatenate((np.geomspace(2e-5, 0.04, 22), np.linspace(0.055, 1.0, 48)))
"""shares of the module's hazard that a slot may have; never none"""


@dataclass(frozen=True)
class Cells:
    """Sufficient statistics of B samples in every cell of the grid.

    Attributes
    ----------
    failures : array (B,)
    const : array (cells, B)
        What does not depend on the hazard, penalty included.
    exposure : array (cells, B)
    """

    failures: Array
    const: Array
    exposure: Array


def exponents_of(slot: SlotData) -> Array:
    """Exponents looked at: all, or a single 0 where the voltage does not matter."""
    return EXPONENTS if slot.law else np.zeros(1)


def penalty(slot: SlotData) -> Array:
    """Minus the log density of shape and exponent in each cell, (shapes, exponents)."""
    shape = 0.5 * ((np.log(SHAPES) - np.log(SHAPE_MEDIAN)) / SHAPE_LOG_SD) ** 2
    e = exponents_of(slot)
    voltage = 0.5 * ((e - EXPONENT_MEAN) / EXPONENT_SD) ** 2 if slot.law else np.zeros(1)
    return np.asarray(shape[:, None] + voltage[None, :])


def cells_of(slot: SlotData, units: Units, scale: float) -> Cells:
    """Statistics of samples of the slot's units; counts in units of ``scale``."""
    e, size = exponents_of(slot), units.end.shape[1]
    dead = units.died
    failures = dead.sum(axis=0)
    exposure = np.zeros((SHAPES.size, e.size, size))
    single = np.ones(units.level.size, bool)
    single[list(units.spent)] = False
    with np.errstate(divide="ignore"):
        end, start = np.log(units.end / scale), np.log(units.start / scale)
    for level, x in enumerate(slot.x):
        rows = single & (units.level == level)
        if not rows.any():
            continue
        hi, lo = end[rows], start[rows]
        for i, b in enumerate(SHAPES):
            own = (np.exp(b * hi) - np.exp(b * lo)).sum(axis=0)
            exposure[i] += np.exp(b * e * x)[:, None] * own
    died = (dead * np.where(units.failed & single[:, None], end, 0.0)).sum(axis=0)
    pull = (dead * slot.x[units.level][:, None]).sum(axis=0)
    logs = np.where(failures > 0, died, 0.0)[None, :] + e[:, None] * np.where(
        single[:, None], dead * slot.x[units.level][:, None], 0.0
    ).sum(axis=0)
    for row, spent in units.spent.items():
        aged = np.einsum("el,lb->eb", np.exp(np.outer(e, slot.x)), spent) / scale
        begun = (
            units.start[row] / scale * np.exp(e * slot.x[int(np.argmax(spent[:, 0] > 0))])[:, None]
        )
        with np.errstate(divide="ignore"):
            z = np.log(begun + aged)
        logs = logs + dead[row] * np.where(units.failed[row], z, 0.0)
        with np.errstate(divide="ignore"):
            exposure += np.exp(SHAPES[:, None, None] * z) - np.exp(
                SHAPES[:, None, None] * np.log(begun)
            )
    # density: b z^(b-1) dz/dt; (b - 1) ln z + e x, less ln z of single units, which is a constant there
    const = (
        failures * np.log(SHAPES)[:, None, None]
        + (SHAPES[:, None, None] - 1.0) * logs
        + e[None, :, None] * pull
        - penalty(slot)[:, :, None]
    )
    return Cells(failures, const.reshape(-1, size), exposure.reshape(-1, size))


def mission_exposure(slot: SlotData, shots: float, scale: float) -> Array:
    """g of a mission in every cell, (cells,): exposure from the unit's age to age and mission."""
    e = exponents_of(slot)
    x = np.concatenate((slot.x, [0.0]))
    age = (np.exp(np.outer(e, x)) @ slot.ages.T) / scale
    b = SHAPES[:, None, None]
    pace = np.sum([share * np.exp(e * leg) for leg, share in slot.mission], axis=0)
    g = ((age + (pace * shots / scale)[:, None]) ** b - age**b).sum(axis=-1)
    return np.asarray(slot.copies * np.maximum(g, 1e-300)).ravel()


def best(cells: Cells) -> tuple[Array, Ints]:
    """Largest log-likelihood of each sample over cells and hazard, and its cell."""
    r = cells.failures
    with np.errstate(divide="ignore", invalid="ignore"):
        free = np.where(r > 0, r * (np.log(r) - np.log(cells.exposure)) - r, 0.0)
    v = cells.const + free
    k = v.argmax(axis=0)
    return v[k, np.arange(r.size)], k


def profile(cells: Cells, g: Array, hazards: Array) -> tuple[Array, Ints]:
    """Largest log-likelihood over cells at each mission hazard, (m, B), and its cell."""
    r = cells.failures
    base = cells.const - r * np.log(g)[:, None]
    rate = cells.exposure / g[:, None]
    if r.size == 1:
        v = base - rate * hazards
        cell = v.argmax(axis=0)
        value = v[cell, np.arange(hazards.size)] + r * np.log(hazards)
        return value[:, None], cell[:, None]
    value = np.empty((hazards.size, r.size))
    cell = np.empty((hazards.size, r.size), np.intp)
    columns = np.arange(r.size)
    for i, h in enumerate(hazards):
        v = base - h * rate
        cell[i] = v.argmax(axis=0)
        value[i] = v[cell[i], columns] + r * np.log(h)
    return value, cell


def share_out(deviances: list[Array], steps: int = 45) -> tuple[Array, Array, Array]:
    """Smallest sum of deviances with the hazard shared over slots, by its Lagrangian dual.

    Each slot's deviance is nearly convex in its hazard, so that one price on hazard, the same for all
    slots, finds the split; the dual's largest value is the sum. Where a deviance is not convex the dual
    takes its convex hull, in the tests drawn again as well as in those seen.

    Parameters
    ----------
    deviances : list of arrays (shares, B)
        Of each slot at each share of the total.

    Returns
    -------
    array (B,)
        At the whole total.
    array (slots,)
        For the first sample, the share of each slot on the frugal side of the price: every slot at a best
        point of its own, added up to the whole by scaling. Tests are drawn again there.
    array (slots,)
        The mixture of both sides that adds up to the whole: the best split where deviances are convex.
    """
    d = np.stack(deviances)
    if d.shape[0] == 1:
        return d[0, -1], np.ones(1), np.ones(1)
    price = SHARES[None, :, None]
    size = d.shape[2]
    low, high = np.full(size, -1e5), np.full(size, 1e7)
    for _ in range(steps):
        # the price may be of either sign: bisected on the scale of its inverse hyperbolic sine
        mu = np.sinh(0.5 * (np.arcsinh(low) + np.arcsinh(high)))
        k = (d + mu * price).argmin(axis=1)
        taken = SHARES[k].sum(axis=0)
        low, high = np.where(taken > 1, mu, low), np.where(taken > 1, high, mu)
    value = np.full(size, -np.inf)
    for mu in (low, high):
        value = np.maximum(value, (d + mu * price).min(axis=1).sum(axis=0) - mu)
    over, under = (
        SHARES[(d[:, :, 0] + mu[0] * price[:, :, 0]).argmin(axis=1)] for mu in (low, high)
    )
    gap = over.sum() - under.sum()
    mix = np.clip((1 - under.sum()) / gap, 0.0, 1.0) if gap > 0 else 0.0
    mixture = mix * over + (1 - mix) * under
    return np.maximum(value, 0.0), under / under.sum(), mixture / mixture.sum()
