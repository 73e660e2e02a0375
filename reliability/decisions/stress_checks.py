"""Is the stress model right? One shape for all levels, and the assumed form, each tested by
simulation (likelihood ratio with its distribution drawn under the simpler model)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reliability.life.calibrated import failures_in
from reliability.life.engine import fit_batch
from reliability.life.sample import Rows, Sample
from reliability.life.scheme import scheme_of
from reliability.life.stress import StressFit, fit_stress
from reliability.life.units import units_of
from reliability.notes import CannotAnswer, Note

Array = NDArray[np.float64]


@dataclass(frozen=True)
class StressChecks:
    """Monte-Carlo p values; nan where the data do not allow the test.

    Attributes
    ----------
    shape_p : float
        One common shape against a shape for each stress level.
    form_p : float
        The assumed form against a free life for each stress level.
    levels : int
        Stress levels with enough failures to take part.
    notes : tuple of Note
    """

    shape_p: float
    form_p: float
    levels: int
    notes: tuple[Note, ...]


def _take(sample: Sample, keep: dict[str, NDArray[np.bool_]], x: dict[str, Array] | None) -> Sample:
    """Rows of a sample, with other covariates (None: none)."""

    def rows(r: Rows | None, name: str) -> Rows | None:
        if r is None or not keep[name].any():
            return None
        k = keep[name]
        new_x = np.empty((0, int(k.sum()), 1)) if x is None else x[name][:, k]
        return Rows(
            r.y[k], new_x, None if r.weight is None else r.weight[k],
            None if r.d is None else r.d[k], None if r.hi is None else r.hi[k],
        )  # fmt: skip

    q = 1 if x is None else 1 + next(iter(x.values())).shape[0]
    return Sample(
        sample.size, rows(sample.point, "point"), rows(sample.between, "between"),
        rows(sample.entry, "entry"), q, sample.centre,
    )  # fmt: skip


def _cells(sample: Sample, levels: Array) -> list[dict[str, NDArray[np.bool_]]]:
    """Rows of each stress level, by kind of row."""
    out = []
    for level in levels:
        keep = {}
        for name in ("point", "between", "entry"):
            r: Rows | None = getattr(sample, name)
            keep[name] = (
                np.zeros(0, bool)
                if r is None
                else (np.abs(r.x[:, :, 0].T - level) < 1e-9).all(axis=1)
            )
        out.append(keep)
    return out


def _statistics(
    fit: StressFit, sample: Sample, levels: Array, start: Array
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Twice the log-likelihood gains, (B,): free shapes, free lives; and which samples count."""
    fam = fit.family
    model = fit_batch(fam, sample, start=start)
    cells = _cells(sample, levels)
    separate = np.zeros(sample.size)
    usable = model.converged.copy()
    for keep in cells:
        part = _take(sample, keep, None)
        own = fit_batch(fam, part)
        usable &= own.converged & ~own.runaway & (failures_in(part) >= 2)
        separate += own.loglik
    dummies = {}
    for name in ("point", "between", "entry"):
        r: Rows | None = getattr(sample, name)
        n = 0 if r is None else r.y.shape[0]
        dummies[name] = np.array([[c[name].astype(float)] for c in cells[1:]]).reshape(
            len(cells) - 1, n, 1
        )
    everything = {k: np.ones(v.shape[1], bool) for k, v in dummies.items()}
    common = fit_batch(fam, _take(sample, everything, dummies))
    usable &= common.converged & ~common.runaway
    return 2 * (separate - common.loglik), 2 * (common.loglik - model.loglik), usable


def check_stress_model(fit: StressFit, draws: int = 299, seed: int = 1) -> StressChecks:
    """Test the common shape and the form of the stress relation.

    Levels are the distinct combinations of stress; all must have two failures or more at two or
    more counts, else nothing is tested. Units whose stress changed on the way have no level: the test
    is made on the others, and a note says so.
    """
    nan = float("nan")
    if fit.sample.path is not None or fit.sample.path_between is not None:
        return _of_steady_units(fit, draws, seed)
    levels, inverse = np.unique(np.round(fit.x, 9), axis=0, return_inverse=True)
    inverse = inverse.reshape(-1)
    units = fit.records.units
    nothing = StressChecks(nan, nan, len(levels), ())
    if len(levels) < 2 or len(levels) > 12 or units > 1500:
        return nothing
    for k in range(len(levels)):
        if fit.records.count[(inverse == k) & fit.records.failed].sum() < 2:
            return nothing
    shape_obs, form_obs, ok = _statistics(
        fit,
        fit.sample,
        fit.x[[np.flatnonzero(inverse == k)[0] for k in range(len(levels))]],
        fit.phi,
    )
    if not ok[0]:
        return nothing
    scheme = scheme_of(fit.records, fit.x, fit.sample.centre)
    draws = int(min(draws, max(99, 400_000 // units)))
    sample = scheme.draw(fit.family, fit.phi, draws, np.random.default_rng([seed, 3]))
    cells = fit.x[[np.flatnonzero(inverse == k)[0] for k in range(len(levels))]]
    shape, form, usable = _statistics(fit, sample, cells, fit.phi)
    if usable.sum() < 50:
        return nothing
    shape_p = float((1 + (shape[usable] >= shape_obs[0]).sum()) / (1 + usable.sum()))
    free = len(levels) > fit.x.shape[1] + 1
    form_p = float((1 + (form[usable] >= form_obs[0]).sum()) / (1 + usable.sum())) if free else nan
    notes = []
    if shape_p < 0.05:
        notes.append(
            Note(
                "shape_differs",
                f"The spread of life differs between stress levels (p = {shape_p:.3f}): one shape for all is "
                "assumed but doubtful, so bounds at other levels are too. Look for another failure mode at some level.",
            )
        )
    if free and form_p < 0.05:
        notes.append(
            Note(
                "poor_fit",
                f"Lives at the tested levels do not follow the assumed relation (p = {form_p:.3f}): another form, a "
                "missing stress, or mixed parts.",
            )
        )
    return StressChecks(shape_p, form_p, len(levels), tuple(notes))


def _of_steady_units(fit: StressFit, draws: int, seed: int) -> StressChecks:
    """The tests on the units whose stress stayed, where some changed."""
    units = units_of(fit.records, fit.x)
    h = units.histories
    changed = float(units.records.count[units.varying].sum())
    rest = fit.records.select(np.sort(h.select(~units.varying).order))
    nan = float("nan")
    found = StressChecks(nan, nan, 0, ())
    if len(rest):
        try:
            own = fit_stress(rest, fit.terms, fit.family.name)
        except CannotAnswer:
            pass
        else:
            found = check_stress_model(own, draws, seed)
    tested = np.isfinite(found.shape_p)
    text = (
        f"{changed:g} units changed their stress on the way: they are in the fit, by cumulative exposure, but "
        + ("the check of its form and its one shape is made on the others." if tested else
           "the others are too few to check its form and its one shape.")
    )  # fmt: skip
    return replace(found, notes=(*found.notes, Note("steps_unchecked", text)))
