"""Shot logs reduced: pieces joined, doubtful cells looked at row by row, each module summed up."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from reliability.notes import BadInput, Note
from reliability.sheets.shots.cells import CHARGED_ABOVE, Cells, read_cells, recheck
from reliability.sheets.shots.counter import Stretch, run_on
from reliability.sheets.shots.kept import fingerprint, keep_cells, kept_cells
from reliability.sheets.shots.log import Array, Progress
from reliability.sheets.shots.module_log import Reduced, ignition_rows, log_findings, module_log


def reduce_logs(
    paths: Sequence[Path],
    *,
    capacitance_uF: float | None = None,
    keep: Path | None = None,
    progress: Progress | None = None,
    memory: str = "1GB",
    in_order: bool = False,
) -> Reduced:
    """Reduce the pieces of one or more modules' logs.

    Parameters
    ----------
    paths : sequence of Path
        In the order they were written.
    capacitance_uF : float, optional
        Of the bank, for the energy a shot where the log does not tell the capacitance.
    keep : Path, optional
        Folder for the sums of each file, so that a run that was stopped, or new pieces, go on from
        what is done.
    progress : callable, optional
        Told the file and the share done.
    memory : str
        What DuckDB may use before it spills to disk.
    in_order : bool
        Rows stand as the shots were fired: a counter that goes back began anew, whatever the clock says.

    Raises
    ------
    SheetError
        With the faults of the first file that has any.
    BadInput
        If no file, or the same file twice, is given.
    """
    if not paths or len({p.resolve() for p in paths}) != len(paths):
        raise BadInput("give each shot log once")
    pieces, kept = [], 0
    for i, path in enumerate(paths):
        place = keep / f"{fingerprint(path)}.npz" if keep is not None and path.is_file() else None
        cells = kept_cells(place, i) if place is not None else None
        kept += cells is not None
        if cells is None:
            cells = read_cells(path, i, progress, memory)
            if place is not None:
                keep_cells(cells, place)
        pieces.append(cells)
    rows = sum(int(p.data["n"].sum()) for p in pieces)
    joined = _join(pieces)
    usual = _usual(joined)
    doubtful = _doubtful(joined, usual)
    repeated: dict[str, int] = {}
    if doubtful.any():
        key = joined.data["m"] * (int(joined.data["cell"].max()) + 1) + joined.data["cell"]
        own = np.isin(key, key[doubtful])
        first = np.unique(key[own], return_index=True)[1]
        again, repeated = recheck(
            paths, [p.order for p in pieces], [joined.names[m] for m in joined.data["m"][own][first]],
            joined.data["cell"][own][first].tolist(), dict(zip(joined.names, usual)), memory,
        )  # fmt: skip
        joined = _join([_without(joined, own), again])
    notes = [
        Note("log_reordered", f"{p.name}: rows are not in the order of the shots; taken by {'time' if c.order == 'time' else 'module'}.")
        for p, c in zip(paths, pieces)
        if c.order != "file"
    ]  # fmt: skip
    return _summarise(joined, repeated, rows, notes, capacitance_uF, kept, in_order)


def _join(pieces: Sequence[Cells]) -> Cells:
    """Cells of several pieces as one."""
    columns = tuple(dict.fromkeys(n for p in pieces for n in p.columns))
    names = tuple(sorted({n for p in pieces for n in p.names}))
    place = {n: i for i, n in enumerate(names)}
    starts = np.cumsum([0, *(p.data["n"].size for p in pieces)])

    def stack(parts: list[tuple[dict[str, Array], tuple[str, ...]]]) -> dict[str, Array]:
        if not parts:
            return {}
        out = {k: np.concatenate([d[k] for d, _ in parts]) for k in parts[0][0]}
        out["m"] = np.concatenate(
            [np.array([place[n] for n in own], np.int64)[d["m"]] for d, own in parts]
        )
        return out

    return Cells(
        columns, names, "file", stack([(p.data, p.names) for p in pieces]),
        np.concatenate([p.hit_cell + s for p, s in zip(pieces, starts)]),
        np.concatenate([p.hit_shot for p in pieces]),
        stack([(p.ignition, p.names) for p in pieces if p.ignition]),
    )  # fmt: skip


def _without(cells: Cells, own: Array) -> Cells:
    """Cells less some."""
    new = np.cumsum(~own) - 1
    hit = ~own[cells.hit_cell]
    return Cells(
        cells.columns, cells.names, cells.order, {k: v[~own] for k, v in cells.data.items()},
        new[cells.hit_cell[hit]], cells.hit_shot[hit], cells.ignition,
    )  # fmt: skip


def _by_module(cells: Cells, data: dict[str, Array]) -> list[Array]:
    """Indices of each module's rows in ``cells.data`` or ``cells.ignition``."""
    order = np.argsort(data["m"], kind="stable")
    return np.split(order, np.searchsorted(data["m"][order], np.arange(1, len(cells.names))))


def _usual(cells: Cells) -> Array:
    """Usual voltage before a shot of each module: the median of its cells' means."""
    d = cells.data
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = d["sv"] / d["nb"]
    out = np.full(len(cells.names), np.nan)
    for i, rows in enumerate(_by_module(cells, d)):
        own = mean[rows]
        own = own[np.isfinite(own)]
        # a long dead tail must not become the usual
        if own.size:
            out[i] = np.median(own[own >= 0.5 * own.max()])
    return out


def _doubtful(cells: Cells, usual: Array) -> Array:
    """Cells to look at row by row: with shots too low in voltage, counts said twice, or a hole."""
    d = cells.data
    level = usual[d["m"]] * CHARGED_ABOVE
    with np.errstate(invalid="ignore"):
        out = np.asarray(d["vb_min"] < level)
    # counts said twice in a cell, by rows that may be the same: their times overlap, or are unknown
    again = _overlapping(d, d["lo"], d["hi"]) & _overlapping(d, d["t0"], d["t1"])
    out |= again
    # losses and repeats may cancel, so that a run comes back: then the group has a hole
    return np.asarray(out | (d["n"] != d["hi"] - d["lo"] + 1))


def _overlapping(d: dict[str, Array], low: Array, high: Array) -> Array:
    """For each group: whether two groups of its cell overlap in what lies from low to high."""
    unknown = ~np.isfinite(low) | ~np.isfinite(high)
    low, high = np.where(unknown, 0.0, low), np.where(unknown, 0.0, high)
    order = np.lexsort((low, d["cell"], d["m"]))
    m, c, lo, hi = d["m"][order], d["cell"][order], low[order], high[order]
    same = (m[1:] == m[:-1]) & (c[1:] == c[:-1])
    cell = np.concatenate(([0], np.cumsum(~same)))
    # highest end so far within the cell
    span = float(np.ptp(hi)) + 1.0 if hi.size else 1.0
    reach = np.maximum.accumulate(hi + cell * span) - cell * span
    meets = np.zeros(order.size, bool)
    slack = 1e-15 * cell[1:] * span + 1e-9 * np.abs(lo[1:])  # rounding must not hide a repeat
    meets[1:] = same & (lo[1:] <= reach[:-1] + slack)
    found = np.zeros(int(cell[-1]) + 1 if cell.size else 0, bool)
    np.logical_or.at(found, cell, meets | unknown[order])
    out = np.empty(order.size, bool)
    out[order] = found[cell]
    return out


def _stretches(d: dict[str, Array], own: Array) -> tuple[list[Stretch], Array]:
    """A module's cells as stretches in the order of the rows, and each cell's stretch."""
    file, run, lo, hi = (d[k][own] for k in ("file", "run", "lo", "hi"))
    order = np.lexsort((lo + run, file))
    new = np.ones(order.size, bool)
    a, b = order[:-1], order[1:]
    new[1:] = ~((file[a] == file[b]) & (run[a] == run[b]) & (lo[b] == hi[a] + 1))
    label = np.cumsum(new) - 1
    of = np.empty(order.size, np.int64)
    of[order] = label
    k = int(label[-1]) + 1
    first, last = np.full(k, np.inf), np.full(k, -np.inf)
    t0, t1 = d["t0"][own][order], d["t1"][own][order]
    np.fmin.at(first, label, t0)
    np.fmax.at(last, label, t1)
    starts = np.flatnonzero(new)
    ends = np.append(starts[1:], order.size) - 1
    out = [
        Stretch(
            int(file[order[s]]), int(lo[order[s]]), int(hi[order[e]]),
            float(first[i]) if np.isfinite(first[i]) else np.nan, float(last[i]) if np.isfinite(last[i]) else np.nan,
        )
        for i, (s, e) in enumerate(zip(starts, ends))
    ]  # fmt: skip
    return out, of


def _summarise(
    cells: Cells, repeated: dict[str, int], rows: int, notes: list[Note],
    capacitance_uF: float | None, kept: int, in_order: bool,
) -> Reduced:  # fmt: skip
    modules, wear, misfires, ignition = [], [], [], []
    hits = _hits(cells)
    sparks = _by_module(cells, cells.ignition) if cells.ignition else []
    for i, (name, own) in enumerate(zip(cells.names, _by_module(cells, cells.data))):
        stretches, of = _stretches(cells.data, own)
        count = run_on(stretches, in_order)
        added = np.array([np.iinfo(np.int64).min if o is None else o for o in count.offset])[of]
        good = added > np.iinfo(np.int64).min
        offset = dict(zip(own[good].tolist(), added[good].tolist()))
        at = np.array([s + offset[k] for k, s in hits[i] if k in offset], np.int64)
        g = {k: v[sparks[i]] for k, v in cells.ignition.items()} if sparks else {}
        d = {k: v[own[good]] for k, v in cells.data.items()}
        one, w, m = module_log(
            name, d, added[good], at, g, count, repeated.get(name, 0), capacitance_uF
        )
        notes += log_findings(one, count)
        modules.append(one)
        wear += w
        misfires += m
        if g:
            ignition += ignition_rows(
                name, g, {k: v[own] for k, v in cells.data.items()}, of, count
            )
    if not {"main_V_before", "main_V_after"} <= set(cells.columns):
        notes.append(
            Note("no_voltages", "The log has no main_V_before and main_V_after, so misfires are not known and every row counts as a shot.")
        )  # fmt: skip
    return Reduced(tuple(modules), rows, wear, misfires, ignition, tuple(notes), kept)


def _hits(cells: Cells) -> list[list[tuple[int, int]]]:
    """Each module's misfires: cell and counter."""
    out: list[list[tuple[int, int]]] = [[] for _ in cells.names]
    m = cells.data["m"][cells.hit_cell]
    for i, k, s in zip(m.tolist(), cells.hit_cell.tolist(), cells.hit_shot.tolist()):
        out[i].append((k, s))
    return out
