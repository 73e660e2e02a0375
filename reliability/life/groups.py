"""Groups of units in samples: the rows of each, whatever kind the rows are of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reliability.life.sample import Paths, Rows, Sample
from reliability.life.scheme import Scheme
from reliability.life.units import Units

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Which = NDArray[np.bool_] | NDArray[np.intp]
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


def pieces_of(sample: Sample, kinds: ByKind, groups: NDArray[np.intp], count: int) -> list[Sample]:
    """The rows of each group; ``groups`` are the numbers of the groups of its units, 0 to ``count`` - 1."""
    rows = {}
    for kind, mask in kinds.items():
        own = groups[mask]
        order = np.argsort(own, kind="stable")
        rows[kind] = np.split(order, np.searchsorted(own[order], np.arange(1, count)))
    return [part_of(sample, {k: v[g] for k, v in rows.items()}) for g in range(count)]


def part_of(sample: Sample, keep: Mapping[str, Which]) -> Sample:
    """Some rows of a sample, by kind: flags or numbers of rows."""
    new: dict[str, Any] = {}
    for kind in KINDS:
        r = getattr(sample, kind)
        if r is None:
            continue
        k = keep[kind]
        new[kind] = (_rows if isinstance(r, Rows) else _paths)(r, k) if _some(k) else None
    return replace(sample, **new)


def _some(k: Which) -> bool:
    return bool(k.any() if k.dtype == bool else k.size)


def _pick(a: Array | None, k: Which) -> Array | None:
    return None if a is None else a[k]


def _rows(r: Rows, k: Which) -> Rows:
    return Rows(r.y[k], r.x[:, k], _pick(r.weight, k), _pick(r.d, k), _pick(r.hi, k))


def _paths(p: Paths, k: Which) -> Paths:
    return Paths(
        p.x[:, :, k], p.dose[:, k], p.last[k], p.y[k], _pick(p.d, k),
        None if p.dose_hi is None else p.dose_hi[:, k], _pick(p.weight, k),
    )  # fmt: skip
