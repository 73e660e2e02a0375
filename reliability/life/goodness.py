"""Which family, and does it fit: AICc, and a distance with a Monte-Carlo p value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.engine import BatchFit, fit_batch
from reliability.life.families import FAMILIES, Family
from reliability.life.fit import LifeFit, NoMaximum, fit_life
from reliability.life.sample import Sample
from reliability.life.scheme import scheme_of
from reliability.notes import Note
from reliability.records import LifeRecords

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FamilyScore:
    """How one family does on the data.

    Attributes
    ----------
    family : str
    loglik, aicc : float
        ``aicc`` is inf where there are too few failures for the correction, nan where no fit.
    weight : float
        Akaike weight among the families that fit.
    fit : LifeFit or None
    reason : str
        Why there is no fit.
    """

    family: str
    loglik: float
    aicc: float
    weight: float
    fit: LifeFit | None
    reason: str = ""


def aicc(loglik: float, k: int, n: float) -> float:
    """Akaike's criterion corrected for small samples (Hurvich & Tsai 1989), n = failures.

    Failures, not units, carry the information of censored data; with n <= k + 1 it is inf.
    """
    if n <= k + 1:
        return float("inf")
    return -2.0 * loglik + 2.0 * k + 2.0 * k * (k + 1) / (n - k - 1)


def compare_families(records: LifeRecords) -> list[FamilyScore]:
    """Every family, best first."""
    out = []
    for name in FAMILIES:
        try:
            fit = fit_life(records, name)
            score = aicc(fit.loglik, fit.parameters, fit.failed)
            out.append(FamilyScore(name, fit.loglik, score, 0.0, fit))
        except NoMaximum as e:
            out.append(FamilyScore(name, float("nan"), float("nan"), 0.0, None, str(e)))
    finite = [s.aicc for s in out if np.isfinite(s.aicc)]
    if finite:
        low = min(finite)
        raw = [np.exp(-0.5 * (s.aicc - low)) if np.isfinite(s.aicc) else 0.0 for s in out]
        out = [
            FamilyScore(s.family, s.loglik, s.aicc, float(r / sum(raw)), s.fit, s.reason)
            for s, r in zip(out, raw)
        ]
    return sorted(out, key=lambda s: (not np.isfinite(s.aicc), s.aicc, -np.nan_to_num(s.loglik)))


@dataclass(frozen=True)
class GoodnessOfFit:
    """Distance between data and fitted family, and how often chance alone gives as much.

    Attributes
    ----------
    distance : float
        Anderson-Darling form of the residual distance, see ``residual_distance``.
    p : float
        Monte-Carlo p value, (1 + exceeding) / (1 + draws).
    draws : int
    """

    distance: float
    p: float
    draws: int

    def note(self, family_name: str) -> Note | None:
        """A warning where the fit is poor at the 5 % level."""
        if self.p >= 0.05:
            return None
        return Note(
            "poor_fit",
            f"The {family_name} family fits poorly (Monte-Carlo p = {self.p:.3f}): look at the "
            "probability plot, for mixed modes or parts, and try another family.",
        )


def residual_distance(fam: Family, sample: Sample, fit: BatchFit) -> Array:
    """Distance of the probability transforms from uniform, for each sample, (B,).

    Each unit's transform ``u = F(w)`` is uniform under the model; a censored unit counts with its
    expected share above (or between) its ends. The distance is the weighted square distance of
    the expected distribution of u from uniform, summed over 40 cells with weight 1/(u(1-u))
    (Anderson & Darling's weight; the null distribution is simulated, so no table is needed).
    """
    cells = np.linspace(0.0, 1.0, 41)
    below = np.zeros((cells.size, sample.size))
    total = np.zeros(sample.size)
    phi = fit.phi

    def cdf(y: Array, x: Array) -> Array:
        w = phi[0] * y + phi[1]
        for j in range(x.shape[0]):
            w = w + x[j] * phi[2 + j]
        return 1.0 - fam.survival(w)

    def add(lo: Array, hi: Array, weight: Array | None, entry: Array | float = 0.0) -> None:
        nonlocal total
        wt = 1.0 if weight is None else weight
        width = np.maximum(hi - lo, 1e-12)
        for i, c in enumerate(cells):
            below[i] += (wt * np.clip((c - lo) / width, 0.0, 1.0)).sum(axis=0)
        total = total + (wt * np.ones_like(lo)).sum(axis=0)

    if sample.point is not None:
        u = cdf(sample.point.y, sample.point.x)
        assert sample.point.d is not None
        dead = np.broadcast_to(sample.point.d > 0, u.shape)
        add(u, np.where(dead, u, 1.0), sample.point.weight)
    if sample.between is not None:
        assert sample.between.hi is not None
        add(
            cdf(sample.between.y, sample.between.x),
            cdf(sample.between.hi, sample.between.x),
            sample.between.weight,
        )
    inner = cells[1:-1, None]
    gap = below[1:-1] / total - inner
    return np.asarray(total * (gap**2 / (inner * (1 - inner))).mean(axis=0))


def goodness_of_fit(
    records: LifeRecords, fit: LifeFit, draws: int = 999, seed: int = 1
) -> GoodnessOfFit:
    """Parametric bootstrap of the distance under the observed scheme (Stute et al. 1993).

    Parameters
    ----------
    records : LifeRecords
    fit : LifeFit
    draws : int
        Samples drawn from the fit, each fitted again.
    seed : int
    """
    own = BatchFit(fit.phi, np.zeros(1), np.ones(1, bool), np.zeros(1, bool), 0)
    observed = float(residual_distance(fit.family, fit.sample, own)[0])
    scheme = scheme_of(records, centre=fit.sample.centre)
    draws = int(min(draws, max(99, 2_000_000 // max(scheme.size, 1))))
    sample = scheme.draw(fit.family, fit.phi, draws, np.random.default_rng(seed))
    again = fit_batch(fit.family, sample, start=fit.phi)
    null = residual_distance(fit.family, sample, again)
    null = np.where(again.converged, null, 0.0)
    p = (1 + int((null >= observed).sum())) / (1 + draws)
    return GoodnessOfFit(observed, p, draws)
