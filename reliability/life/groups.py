"""Groups of units in samples: more columns, or a part of the rows, whatever kind the rows are of."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reliability.life.sample import Paths, Rows, Sample
from reliability.life.scheme import Scheme
from reliability.life.units import Units

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
ByKind = dict[str, Flags]
KINDS = ("point", "between", "path", "path_between", "entry")


def kinds_of_units(units: Units) -> ByKind:
    """Which units stand in which kind of row of their sample (``sample_of_units``)."""
    r, varying = units.records, units.varying
    found = r.failed & ~r.exact
    return {
        "point": (r.exact | (r.right & (r.shots_good > 0))) & ~varying,
        "between": found & ~varying,
        "path": (r.exact | r.right) & varying,
        "path_between": found & varying,
        "entry": r.shots_from > 0,
    }


def kinds_of_scheme(scheme: Scheme) -> ByKind:
    """Which units of a scheme stand in which kind of row of what it draws."""
    watched = ~scheme.inspected
    path = np.zeros(scheme.size, bool) if scheme.plans is None else scheme.plans.varying
    return {
        "point": watched & ~path, "between": ~watched & ~path, "path": watched & path,
        "path_between": ~watched & path, "entry": np.isfinite(scheme.entry),
    }  # fmt: skip


def unit_labels(units: Units, labels: NDArray[np.object_]) -> NDArray[np.object_]:
    """Label of each unit (that of its last stretch) from labels of the records that were given."""
    out: NDArray[np.object_] = labels[units.histories.order][units.histories.last]
    return out


def scheme_labels(units: Units, labels: NDArray[np.object_]) -> NDArray[np.object_]:
    """The same of each unit of the scheme of these units, counts unrolled."""
    lives = units.records
    keep = lives.failed | (lives.shots_good > 0)
    own: NDArray[np.object_] = unit_labels(units, labels)[
        np.repeat(np.flatnonzero(keep), lives.count[keep].astype(int))
    ]
    return own


def with_columns(sample: Sample, columns: dict[str, Array]) -> Sample:
    """A sample with more covariates, (m, rows) for each kind of row."""
    more = next(iter(columns.values())).shape[0]
    new: dict[str, Any] = {}
    for kind in KINDS:
        r = getattr(sample, kind)
        if isinstance(r, Rows):
            new[kind] = replace(r, x=np.concatenate((r.x, columns[kind][:, :, None])))
        elif isinstance(r, Paths):
            own = columns[kind][:, None, :, None]
            wide = np.broadcast_to(own, (more, *r.x.shape[1:]))
            new[kind] = replace(r, x=np.concatenate((r.x, wide)))
    return replace(sample, covariates=sample.covariates + more, **new)


def part_of(sample: Sample, keep: ByKind) -> Sample:
    """Some rows of a sample, by kind."""
    new: dict[str, Any] = {}
    for kind in KINDS:
        r = getattr(sample, kind)
        if r is None:
            continue
        k = keep[kind]
        new[kind] = (_rows if isinstance(r, Rows) else _paths)(r, k) if k.any() else None
    return replace(sample, **new)


def _pick(a: Array | None, k: Flags) -> Array | None:
    return None if a is None else a[k]


def _rows(r: Rows, k: Flags) -> Rows:
    return Rows(r.y[k], r.x[:, k], _pick(r.weight, k), _pick(r.d, k), _pick(r.hi, k))


def _paths(p: Paths, k: Flags) -> Paths:
    return Paths(
        p.x[:, :, k], p.dose[:, k], p.last[k], p.y[k], _pick(p.d, k),
        None if p.dose_hi is None else p.dose_hi[:, k], _pick(p.weight, k),
    )  # fmt: skip
