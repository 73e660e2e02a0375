"""What a test that has not run yet would show: pass chances and widths of bounds, from a stated truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr

from reliability.life.calibrated import batch_roots, failures_in, tail_cut
from reliability.life.engine import fit_batch
from reliability.life.families import Family
from reliability.life.few import FEWEST
from reliability.life.sample import Rows, Sample
from reliability.life.targets import LogQuantile

Array = NDArray[np.float64]
Informations = dict[tuple[float, ...], Array]
ALIKE = 4
"""groups of laws that share a cut, by the failures they expect"""
CALIBRATE = 2000
"""least outcomes that a cut is read from"""


def success_run(
    survival: float, confidence: float, failures: int = 0, acceleration: float = 1.0
) -> int:
    """Units that show ``survival`` at ``confidence`` with at most so many failures.

    Each unit runs so that its chance to last is ``survival ** acceleration`` (for a Weibull,
    ``(T/N)^b``). Smallest n with P(at most F of n fail) <= 1 - C; with F = 0 it is
    ln(1 - C) / ln R (success run; binomial: NIST/SEMATECH e-Handbook 8.3.1).
    """
    p = -np.expm1(acceleration * np.log(survival))
    n = failures + 1
    step = max(1, int(np.ceil(np.log1p(-confidence) / np.log1p(-p))) - 1) if failures == 0 else 1
    n = max(n, step)
    if n > 10_000_000:
        raise OverflowError("more than ten million units would be needed")
    while bdtr(failures, n, p) > 1.0 - confidence:
        n += 1 if n < 5000 else n // 100
        if n > 10_000_000:
            raise OverflowError("more than ten million units would be needed")
    while n > failures + 1 and bdtr(failures, n - 1, p) <= 1.0 - confidence:
        n -= 1
    return int(n)


def shots_each(
    survival: float, confidence: float, units: int, shots: float, shape: float, failures: int = 0
) -> float:
    """Length of test for given units: Weibull extension n = ln(1-C) / (ln R (T/N)^b), or binomial.

    Raises
    ------
    ValueError
        If no length does it (units not above the allowed failures).
    """
    if units <= failures:
        raise ValueError("there must be more units than allowed failures")
    lo, hi = -30.0, 30.0
    for _ in range(200):
        mid = 0.5 * (lo + hi)
        p = -np.expm1(np.exp(mid) * np.log(survival))
        lo, hi = (mid, hi) if bdtr(failures, units, p) > 1.0 - confidence else (lo, mid)
    return float(shots * np.exp(hi) ** (1.0 / shape))


def pass_probability(units: int, failures: int, survival_of_unit: float) -> float:
    """Chance that at most ``failures`` of ``units`` fail."""
    return float(bdtr(min(failures, units), units, 1.0 - survival_of_unit))


@dataclass(frozen=True)
class Plan:
    """A life test: units at each stress, each watched to its end count.

    Attributes
    ----------
    x : array (m, q - 1)
        Covariates of each group (empty second axis without stress).
    units : int array (m,)
    end : array (m,)
        Log end count of each group, less the centre.
    """

    x: Array
    units: NDArray[np.int_]
    end: Array

    @property
    def rows(self) -> NDArray[np.intp]:
        """Group of each unit."""
        return np.repeat(np.arange(self.units.size), self.units)

    def draw(self, fam: Family, phi: Array, size: int, rng: np.random.Generator) -> Sample:
        """``size`` outcomes of the test under parameters (p, 1), or of one each under (p, size)."""
        return self.observed(self.lives(fam, phi, size, rng))

    def lives(self, fam: Family, phi: Array, size: int, rng: np.random.Generator) -> Array:
        """Log lives of the units, less the centre, (units, size)."""
        w = fam.log_sf_inverse(np.log(rng.random((self.rows.size, size))))
        return np.asarray((w - phi[1] - self.x[self.rows] @ phi[2:]) / phi[0])

    def observed(self, lives: Array) -> Sample:
        """The test of units with such lives, watched to their end counts."""
        x, end = self.x[self.rows], self.end[self.rows][:, None]
        d = (lives <= end).astype(float)
        return Sample(
            lives.shape[1],
            Rows(np.minimum(lives, end), np.ascontiguousarray(x.T[:, :, None]), d=d),
            None,
            None,
            1 + x.shape[1],
            0.0,
        )

    def expected_failures(self, fam: Family, phi: Array) -> Array:
        """Expected failures in each group under parameters (p, B), (m, B)."""
        w = phi[0] * self.end[:, None] + phi[1] + self.x @ phi[2:]
        return np.asarray(self.units[:, None] * (1.0 - fam.survival(w)))


def unit_information(fam: Family, phi: Array, x: Array, end: float, points: int = 400) -> Array:
    """Expected information of one unit watched to ``end`` at covariates ``x``, (p, p).

    Integrated over the unit's life by the midpoint rule in its probability.
    """
    u = (np.arange(points) + 0.5) / points
    location = phi[1, 0] + float(x @ phi[2:, 0])
    y = (fam.quantile(u) - location) / phi[0, 0]
    d = (y <= end).astype(float)
    y = np.minimum(y, end)
    _, _, h = fam.point(phi[0, 0] * y + location, d)
    v = np.vstack((y, np.ones_like(y), *(np.full_like(y, xi) for xi in x)))
    info = -(v * h) @ v.T / points
    info[0, 0] += d.mean() / phi[0, 0] ** 2
    return np.asarray(info)


def asymptotic_error(
    fam: Family, phi: Array, plan: Plan, target: LogQuantile, known: Informations | None = None
) -> float:
    """Large-sample standard error of the target after the test (for ranking plans, not for bounds).

    ``known`` keeps what units at a level tell, by covariates and end count, for further plans under the same ``phi``.
    """
    p = phi.shape[0]
    info, known = np.zeros((p, p)), {} if known is None else known
    for x, n, end in zip(plan.x, plan.units, plan.end):
        if not n:
            continue
        at = (*x.tolist(), float(end))
        if at not in known:
            known[at] = unit_information(fam, phi, x, float(end))
        info += n * known[at]
    g = target.gradient(phi)
    try:
        return float(np.sqrt(max(float(g @ np.linalg.solve(info, g)), 0.0)))
    except np.linalg.LinAlgError:
        return float("inf")


@dataclass(frozen=True)
class BoundWidth:
    """What a plan's bound will look like.

    Attributes
    ----------
    factor : float
        Median over outcomes of estimate / lower bound.
    wide : float
        The same that one outcome in ten exceeds.
    short : float
        Median of truth / lower bound: how far below the truth the promise will lie.
    answerable : float
        Share of outcomes that give a bound by their failures alone: with fewer than ``FEWEST`` a prior on the
        shape speaks, with all at one end of the levels tested one on the stress, and the width counts as endless.
    failures : float
        Mean number of failures.
    """

    factor: float
    wide: float
    short: float
    answerable: float
    failures: float


def lower_bounds(
    fam: Family, sample: Sample, target: LogQuantile, cut: Array, start: Array, step: float
) -> tuple[Array, Array]:
    """Lower bound, at its own ``cut`` (B,), and estimate of the target for each sample of a batch, (B,) each.

    Samples without a maximum, or with fewer failures than a bound of its own takes, give -inf and nan.
    """
    free = fit_batch(fam, sample, start=start)
    ok = free.converged & ~free.runaway & (failures_in(sample) >= FEWEST) & _told_apart(sample)
    estimate = np.where(ok, target.value(free.phi), np.nan)
    lower = np.full(sample.size, -np.inf)
    index = np.flatnonzero(ok)
    if index.size:
        top, phi = free.loglik[index], free.phi[:, index]
        part, cuts = sample.columns(index, index.size), cut[index]

        def root(v: Array, own: NDArray[np.intp]) -> Array:
            some = part if own.size == index.size else part.columns(own, own.size)
            under = fit_batch(fam, some, target.held(v[own]), phi[:, own])
            return np.sqrt(np.maximum(2.0 * (top[own] - under.loglik), 0.0)) - cuts[own]

        lower[index] = _roots(root, estimate[index], max(step, 0.05) * cuts, cuts)
    return lower, estimate


def _told_apart(sample: Sample) -> NDArray[np.bool_]:
    """Whether failures fix how life goes with one stress (B,): not where all fell at one end of the levels tested, so
    that the likelihood rises without end as they are told apart from the rest."""
    rows = sample.point
    assert rows is not None and rows.d is not None
    if rows.x.shape[0] != 1:
        return np.ones(sample.size, bool)
    x, failed = rows.x[0], rows.d > 0
    first = np.where(failed, x, np.inf).min(axis=0)
    last = np.where(failed, x, -np.inf).max(axis=0)
    at_end = (first == last) & ((first == x.min()) | (first == x.max()))
    return np.asarray(~at_end | (x.min() == x.max()), bool)


WIDER, OUTWARDS, INWARDS, CLOSE = 1.7, 25, 12, 1e-3
"""how much farther each step outwards is, most steps outwards and inwards, and how near to 0 a root is one"""


def _roots(
    root: Callable[[Array, NDArray[np.intp]], Array], top: Array, step: Array, cut: Array
) -> Array:
    """Where a function that falls from -cut at ``top`` downwards meets 0, each by itself (false position, Illinois)."""
    near, g_near = top.copy(), -cut
    far, g_far = top - step, np.empty(top.size)
    own = np.arange(top.size)
    for _ in range(OUTWARDS):
        g_far[own] = root(far, own)
        own = own[g_far[own] < 0]
        if not own.size:
            break
        near[own], g_near[own] = far[own], g_far[own]
        far[own] = top[own] + WIDER * (far[own] - top[own])
    mid, own = far.copy(), np.arange(top.size)
    for _ in range(INWARDS):
        t = np.clip(g_near[own] / (g_near[own] - g_far[own]), 0.02, 0.98)
        mid[own] = near[own] + t * (far[own] - near[own])
        g = root(mid, own)
        inside = g < 0
        into, out = own[inside], own[~inside]
        near[into], g_near[into], far[out], g_far[out] = mid[into], g[inside], mid[out], g[~inside]
        # an end that stays loses half its weight
        g_far[into] *= 0.5
        g_near[out] *= 0.5
        own = own[np.abs(g) >= CLOSE]
        if not own.size:
            break
    return mid


@dataclass(frozen=True)
class Laws:
    """Laws that units may follow, each as likely as the other.

    Attributes
    ----------
    phi : array (p, B)
        The laws, as the family has them.
    truth : array (B,)
        What the bound is on, under each; by ``phi`` where it is None.
    lives : callable, optional
        Log lives of a plan's units less the centre, (units, B), one column a law, where units do not live by
        ``phi`` alone.
    """

    phi: Array
    truth: Array | None = None
    lives: Callable[[Plan, np.random.Generator], Array] | None = None


def bound_width(
    fam: Family,
    laws: Laws,
    plan: Plan,
    target: LogQuantile,
    confidence: float,
    seed: int = 1,
) -> BoundWidth:
    """Simulate the plan, one outcome a law, and take the calibrated lower bound of each outcome.

    The cut of the signed root is calibrated at the laws themselves, those that expect alike many failures together.
    """
    rng, phi = np.random.default_rng([seed, 5]), laws.phi
    aims = np.asarray(target.value(phi))
    truth = aims if laws.truth is None else laws.truth
    lives = plan.lives(fam, phi, phi.shape[1], rng) if laws.lives is None else laws.lives(plan, rng)
    error = asymptotic_error(fam, np.median(phi, axis=1, keepdims=True), plan, target)
    cut = np.empty(aims.size)
    order = np.argsort(plan.expected_failures(fam, phi).sum(axis=0), kind="stable")
    for own in np.array_split(order, ALIKE):
        some = np.repeat(phi[:, own], -(-CALIBRATE // own.size), axis=1)
        sample = plan.draw(fam, some, some.shape[1], rng)
        roots = batch_roots(fam, sample, target, np.asarray(target.value(some)), some)
        cut[own] = max(tail_cut(roots, confidence, True)[0], 0.1)
    step = error if np.isfinite(error) else 1.0
    lower, estimate = lower_bounds(fam, plan.observed(lives), target, cut, phi, step)
    ended = (lives <= plan.end[plan.rows][:, None]).sum(axis=0)
    good = np.isfinite(lower)
    with np.errstate(invalid="ignore"):
        gap, short = (np.where(good, v - lower, np.inf) for v in (estimate, truth))
    return BoundWidth(
        float(np.exp(np.median(gap))), float(np.exp(np.sort(gap)[int(0.9 * gap.size)])), float(np.exp(np.median(short))),
        float(good.mean()), float(ended.mean()),
    )  # fmt: skip
