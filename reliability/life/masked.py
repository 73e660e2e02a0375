"""Failures whose cause is not known: a joint fit of all causes that may have been it.

Each cause (a failure mode of one slot, or a slot of a module) is a separate hazard and the hazards
add. A failure of unknown cause is one of its candidates, so its likelihood is the sum over
candidates i of ``f_i * prod_{j != i} S_j``, which is the product of all survivals times the sum of
the candidates' hazards (Lawless 2003, sec. 9.1; masked causes: Flehinger, Reiser & Yashchin 2002,
Lifetime Data Anal. 8, 177-203). Of a failure found between two counts each candidate gives its
probability in the interval, the others being good at its lower end (modes of one unit) or at its
upper end (other units), as in the cause-specific view.

The observed-data likelihood is maximised by a few EM steps, then Newton; its profile gives bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from reliability.life.engine import fit_batch
from reliability.life.families import Family
from reliability.life.masked_likelihood import CANDIDATE, Cause, CauseData, CauseModel, Model
from reliability.life.sample import Paths, Rows, Sample, log_centre, sample_of_units
from reliability.life.targets import Target
from reliability.life.units import units_of
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords

Array = NDArray[np.float64]
_EM_STEPS = 12


@dataclass(frozen=True)
class MaskedFit:
    """Joint fit of several causes.

    Attributes
    ----------
    family : Family
    causes : tuple of Cause
    centre : float
        Log count that all causes are centred on.
    phi : tuple of arrays (p, 1)
        Parameters of each cause, as the engine holds them.
    cov : array
        Covariance of all free parameters, cause after cause.
    loglik : float
        Observed-data log-likelihood, of densities in shots.
    weights : tuple of arrays (m,)
        Of each cause: probability that each of its candidates was it.
    failures : tuple of float
        Expected failures of each cause: those known and the weights of its candidates.
    known : tuple of float
        Failures known to be of each cause.
    unknown : float
        Failures of unknown cause.
    cov_known : array
        What ``cov`` would be if the causes were known in the proportions of ``weights``.
    """

    family: Family
    causes: tuple[Cause, ...]
    centre: float
    phi: tuple[Array, ...]
    cov: Array
    loglik: float
    weights: tuple[Array, ...]
    failures: tuple[float, ...]
    known: tuple[float, ...]
    unknown: float
    cov_known: Array
    model: Model = field(repr=False, compare=False)

    def index(self, name: str) -> int:
        """Place of a cause. Raises KeyError."""
        for i, c in enumerate(self.causes):
            if c.name == name:
                return i
        raise KeyError(name)

    def complete_sample(self, cause: int) -> Sample:
        """One cause's sample with its candidates failed with their weight and good with the rest.

        Its maximum is ``phi[cause]``; its curvature is that of known causes, so bounds from it alone
        are too short: use ``masked_bounds``.
        """
        part = self.model.parts[cause]
        weight = self.weights[cause] * self.model.counts[part.group]
        return _weighted(part, weight, self.centre)

    def widening(self, cause: int, target: Target) -> float:
        """Standard error of a target of one cause over what it would be with all causes known."""
        g = np.zeros(self.model.size)
        g[self.model.slices[cause]] = target.gradient(self.phi[cause])[
            self.model.parts[cause].problem.free
        ]
        return float(np.sqrt((g @ self.cov @ g) / (g @ self.cov_known @ g)))


# --- fit -----------------------------------------------------------------------------------------


def fit_masked(causes: Sequence[Cause], counts: Array, family: Family) -> MaskedFit:
    """Fit all causes together.

    Parameters
    ----------
    causes : sequence of Cause
        As ``causes_of_modes`` or ``causes_of_slots`` make them.
    counts : array (g,)
        Equal failures that each masked failure stands for.
    family : Family

    Raises
    ------
    CannotAnswer
        If the likelihood has no maximum; the message names the cause.
    """
    known = [float(c.records.count[c.records.failed].sum()) for c in causes]
    candidates = [c.group.size for c in causes]
    for c, k, m in zip(causes, known, candidates, strict=True):
        if k + m == 0:
            raise CannotAnswer(f"Nothing failed by {c.name}, so nothing can be fitted to it.")
    every = log_centre(_joined(causes))
    model = Model(family, [CauseData(c, every) for c in causes], counts, every)
    phi = _em(model)
    theta, ll, ok = model.maximise(model.theta(phi))
    phi = model.phi(theta)
    _, _, curv, weights = model.value(theta)
    with np.errstate(all="ignore"):
        cov = _inverse(-curv)
    for i, (c, f) in enumerate(zip(causes, phi, strict=True)):
        own = np.diag(cov)[model.slices[i]]
        if not ok or not (own < 1e8).all() or not 1e-5 < f[0, 0] < 1e5:
            raise CannotAnswer(
                f"The failures of unknown cause leave no maximum of the likelihood: nothing fixes {c.name} "
                f"({known[i]:g} failures known to be of it). Find the cause of more failures, or hold its shape."
            )
    sums = [float((w * counts[c.group]).sum()) for w, c in zip(weights, causes, strict=True)]
    jacobian = sum(_log_jacobian(c.records) for c in causes)
    return MaskedFit(
        family, tuple(causes), every, phi, cov, ll - jacobian, tuple(weights),
        tuple(k + s for k, s in zip(known, sums, strict=True)), tuple(known), float(counts.sum()),
        _inverse(model.complete_information(theta)), model,
    )  # fmt: skip


def _log_jacobian(r: LifeRecords) -> float:
    return float((r.count[r.exact] * np.log(r.shots_good[r.exact])).sum())


def _joined(causes: Sequence[Cause]) -> LifeRecords:
    longest = max(causes, key=lambda c: len(c.records))
    return longest.records


def _inverse(information: Array) -> Array:
    try:
        return np.asarray(np.linalg.inv(information))
    except np.linalg.LinAlgError:
        return np.full_like(information, np.inf)


def _em(model: Model) -> tuple[Array, ...]:
    """A few EM steps from equal shares: complete-data fits with fractional weights."""
    share = 1.0 / np.bincount(model.group, minlength=model.counts.size).astype(float)
    weights = [share[p.group] for p in model.parts]
    phi: list[Array | None] = [None] * len(model.parts)
    for _ in range(_EM_STEPS if model.counts.size else 1):
        for i, part in enumerate(model.parts):
            sample = _weighted(part, weights[i] * model.counts[part.group], model.centre)
            held = part.helds[0] if part.helds else None
            found = fit_batch(model.family, sample, held, phi[i], tol=1e-10, max_iter=200)
            if not found.converged[0]:
                raise CannotAnswer(
                    f"The life of {part.data.cause.name} cannot be fitted: its failures, known and possible, leave "
                    "no maximum of the likelihood. Add records, or hold its shape."
                )
            phi[i] = found.phi
        done = tuple(f for f in phi if f is not None)
        weights = model.value(model.theta(done))[3]
    return done


def _weighted(part: CauseModel, weight: Array, centre: float) -> Sample:
    """The complete-data sample of one cause: candidates failed with their weight, good with the rest."""
    if not part.group.size:
        return part.data.base
    cause, units = part.data.cause, part.data.units
    failed = units_of(cause.failed, cause.x_failed)
    mark = units.records.covariates[CANDIDATE].astype(int)
    count = units.records.count.copy()
    at = mark >= 0
    count[at] -= weight[mark[at]]
    base = replace(units, records=replace(units.records, count=np.maximum(count, 1e-12)))
    dead = replace(failed, records=replace(failed.records, count=np.maximum(weight, 1e-12)))
    return _both(sample_of_units(base, centre), sample_of_units(dead, centre))


def _both(a: Sample, b: Sample) -> Sample:
    """Two batches of one as one, every row with its weight."""

    def rows(one: Rows | None, two: Rows | None) -> Rows | None:
        have = [r for r in (one, two) if r is not None]
        if len(have) < 2:
            return have[0] if have else None
        first = have[0]
        return Rows(
            np.concatenate([r.y for r in have]),
            np.concatenate([r.x for r in have], axis=1),
            np.concatenate([np.ones_like(r.y) if r.weight is None else r.weight for r in have]),
            None if first.d is None else np.concatenate([r.d for r in have if r.d is not None]),
            None if first.hi is None else np.concatenate([r.hi for r in have if r.hi is not None]),
        )

    return Sample(
        1, rows(a.point, b.point), rows(a.between, b.between), rows(a.entry, b.entry), a.covariates, a.centre,
        _both_paths(a.path, b.path), _both_paths(a.path_between, b.path_between),
    )  # fmt: skip


def _both_paths(one: Paths | None, two: Paths | None) -> Paths | None:
    have = [p for p in (one, two) if p is not None]
    if len(have) < 2:
        return have[0] if have else None
    k = max(p.dose.shape[0] for p in have)

    def padded(a: Array, fill: float | None) -> Array:
        axis = 0 if fill is not None else 1
        short = k - a.shape[axis]
        if not short:
            return a
        width = [(0, 0)] * a.ndim
        width[axis] = (0, short)
        return (
            np.pad(a, width, mode="edge")
            if fill is None
            else np.pad(a, width, constant_values=fill)
        )

    hi = [p.dose_hi for p in have if p.dose_hi is not None]
    return Paths(
        np.concatenate([padded(p.x, None) for p in have], axis=2),
        np.concatenate([padded(p.dose, -np.inf) for p in have], axis=1),
        np.concatenate([p.last for p in have]),
        np.concatenate([p.y for p in have]),
        None if have[0].d is None else np.concatenate([p.d for p in have if p.d is not None]),
        np.concatenate([padded(h, -np.inf) for h in hi], axis=1) if hi else None,
        np.concatenate([np.ones_like(p.y) if p.weight is None else p.weight for p in have]),
    )
