"""Shot logs to life records, wear readings, misfires and ignition counts: what the statistics take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reliability.notes import BadInput, Note
from reliability.sheets.counter import Count, Stretch, run_on
from reliability.sheets.shotlog import (
    CHARGED_ABOVE,
    Cells,
    Progress,
    fingerprint,
    keep_cells,
    kept_cells,
    read_cells,
    recheck,
)
from reliability.sheets.write import rows_csv

Array = NDArray[Any]
WINDOWS = 40
"""wear readings made of one module's log, at most"""


@dataclass(frozen=True)
class ModuleLog:
    """What the log of one module says.

    Attributes
    ----------
    module : str
    shots_from : int
        Shots on it when logging began.
    commanded : int
        Count at the end of the log, as the counter runs on.
    shots : int
        Main discharges: commanded less misfires and uncharged.
    misfires, uncharged, unread, lost, repeated, late : int
        Misfires seen; commanded with the bank not charged; rows without voltages (taken as fired);
        counted but not logged (taken as fired); rows said twice; rows out of order.
    dead_from : int or None
        Count from which the bank never charged again.
    charge_V, energy_J, capacitance_uF, rate_Hz, ignition_V : float
        Means; nan if the columns do not tell.
    """

    module: str
    shots_from: int
    commanded: int
    shots: int
    misfires: int
    uncharged: int
    unread: int
    lost: int
    repeated: int
    late: int
    dead_from: int | None
    charge_V: float
    energy_J: float
    capacitance_uF: float
    rate_Hz: float
    ignition_V: float


@dataclass(frozen=True)
class Reduced:
    """Logs reduced.

    Attributes
    ----------
    modules : tuple of ModuleLog
    rows : int
        Rows read.
    wear, misfires, ignition : lists of dict
        Rows of wear.csv, misfires.csv and ignition.csv, without the builder.
    notes : tuple of Note
        What was found on the way.
    kept : int
        Files whose sums were taken from an earlier run.
    """

    modules: tuple[ModuleLog, ...]
    rows: int
    wear: list[dict[str, Any]]
    misfires: list[dict[str, Any]]
    ignition: list[dict[str, Any]]
    notes: tuple[Note, ...]
    kept: int

    @property
    def sentence(self) -> str:
        """What the logs hold, in one sentence."""
        shots, misses = (
            sum(m.shots - m.shots_from for m in self.modules),
            sum(m.misfires for m in self.modules),
        )
        n = len(self.modules)
        text = f"{self.rows:,} rows of {n} module{'s' if n != 1 else ''}: {shots:,} shots"
        text += (
            f", {misses:,} misfires (one in {(shots + misses) / misses:,.0f})"
            if misses
            else ", no misfire"
        )
        lost = sum(m.lost for m in self.modules)
        return text + (f"; {lost:,} shots counted but not logged." if lost else ".")


def reduce_logs(
    paths: Sequence[Path],
    *,
    capacitance_uF: float | None = None,
    keep: Path | None = None,
    progress: Progress | None = None,
    memory: str = "1GB",
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
    return _summarise(joined, pieces, repeated, rows, notes, capacitance_uF, kept)


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


def _by_module(cells: Cells) -> list[Array]:
    """Indices of each module's cells."""
    order = np.argsort(cells.data["m"], kind="stable")
    return np.split(order, np.searchsorted(cells.data["m"][order], np.arange(1, len(cells.names))))


def _usual(cells: Cells) -> Array:
    """Usual voltage before a shot of each module: the median of its cells' means."""
    d = cells.data
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = d["sv"] / d["nb"]
    out = np.full(len(cells.names), np.nan)
    for i, rows in enumerate(_by_module(cells)):
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
    order = np.lexsort((d["lo"], d["cell"], d["m"]))
    m, c, lo, hi = (d[k][order] for k in ("m", "cell", "lo", "hi"))
    # within a cell's groups in the order of their first count: does one begin before the last ended?
    same = (m[1:] == m[:-1]) & (c[1:] == c[:-1])
    group = np.concatenate(([0], np.cumsum(~same)))
    reach = np.maximum.accumulate(hi + group * (2 * int(hi.max()) + 2)) - group * (
        2 * int(hi.max()) + 2
    )
    twice = np.flatnonzero(same & (lo[1:] <= reach[:-1]))
    out[order[twice]] = True
    out[order[twice + 1]] = True
    # losses and repeats may cancel, so that a run comes back: then the group has a hole
    return np.asarray(out | (d["n"] != d["hi"] - d["lo"] + 1))


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
    cells: Cells, pieces: Sequence[Cells], repeated: dict[str, int], rows: int, notes: list[Note],
    capacitance_uF: float | None, kept: int,
) -> Reduced:  # fmt: skip
    modules, wear, misfires, ignition = [], [], [], []
    hits, sparks = _hits(cells), _sparks(cells)
    for i, (name, own) in enumerate(zip(cells.names, _by_module(cells))):
        stretches, of = _stretches(cells.data, own)
        count = run_on(stretches)
        added = np.array([np.iinfo(np.int64).min if o is None else o for o in count.offset])[of]
        good = added > np.iinfo(np.int64).min
        offset = dict(zip(own[good].tolist(), added[good].tolist()))
        at = np.array([s + offset[k] for k, s in hits[i] if k in offset], np.int64)
        g = {k: v[sparks[i]] for k, v in cells.ignition.items()} if sparks else {}
        d = {k: v[own[good]] for k, v in cells.data.items()}
        one, w, m = _module(
            name, d, added[good], at, g, count, repeated.get(name, 0), capacitance_uF
        )
        notes += _findings(one, count)
        modules.append(one)
        wear += w
        misfires += m
        if g:
            ignition += _ignition_rows(
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


def _sparks(cells: Cells) -> list[Array]:
    """Indices of each module's ignition counts; empty if there are none."""
    if not cells.ignition:
        return []
    order = np.argsort(cells.ignition["m"], kind="stable")
    return np.split(
        order, np.searchsorted(cells.ignition["m"][order], np.arange(1, len(cells.names)))
    )


def _module(
    name: str, d: dict[str, Array], added: Array, at: Array, g: dict[str, Array], count: Count, repeated: int, capacitance_uF: float | None
) -> tuple[ModuleLog, list[dict[str, Any]], list[dict[str, Any]]]:  # fmt: skip
    """One module's summary, wear readings and misfire rows."""
    charged = d["last"] >= 0
    last = int((d["last"] + added)[charged].max()) if charged.any() else 0
    lowered = d["uncharged"] > 0
    dead = last < count.total and bool(lowered.any())
    total = last if dead else count.total
    at = np.unique(at[at <= total])
    lost = count.lost
    uncharged = int(d["uncharged"].sum()) - (count.total - total)
    shots = total - int(at.size) - max(uncharged, 0)
    capacitance, c_rows = _capacitance(name, d, added)
    farad = capacitance_uF if capacitance_uF is not None else capacitance
    with np.errstate(invalid="ignore", divide="ignore"):
        energy = (
            0.5e-6 * farad * float(np.nansum(d["sq"]) / d["nv"].sum()) if d["nv"].sum() else np.nan
        )
        volts = float(np.nansum(d["sv"]) / d["nb"].sum()) if d["nb"].sum() else np.nan
        # cells without a loss only, and each by itself: clocks may begin anew
        whole = (d["n"] == d["hi"] - d["lo"] + 1) & (d["n"] > 1) & (d["t1"] > d["t0"])
        span = float((d["t1"] - d["t0"])[whole].sum())
        rate = float((d["n"][whole] - 1).sum()) / span if span > 0 else np.nan
    spark = float(np.average(g["volts"], weights=g["n"])) if g and g["n"].size else np.nan
    one = ModuleLog(
        name, count.first, total, shots, int(at.size), max(uncharged, 0), int(d["unread"].sum()), lost, repeated, count.late,
        last + 1 if dead else None, volts, energy, capacitance, float(rate), spark,
    )  # fmt: skip
    events = [{"module": name, "shots": int(k), "event": "misfire"} for k in at if k > count.first]
    if total > count.first:
        if count.first > 0:
            events.append({"module": name, "shots": count.first, "event": "start"})
        events.append({"module": name, "shots": total, "event": "end"})
    return one, c_rows, events


def _capacitance(
    name: str, d: dict[str, Array], added: Array
) -> tuple[float, list[dict[str, Any]]]:
    """Capacitance by charge slope or energy balance: mean, and readings along the log.

    Slope: C = I / (dV/dt). Balance: C = 2 E / (V^2 - V0^2), V0 the voltage as charging began: as logged,
    or what the shot before left.
    """
    above = below = None
    if np.isfinite(d["sa"]).any():
        above, below = d["sa"] * 1e3, d["ss"]
    elif np.isfinite(d["qe"]).any():
        above, below = 2e6 * d["qe"], d["qd"].copy()
        if np.isfinite(d["end"]).any():
            _shift_rest(d, below)
    if above is None or below is None:
        return float("nan"), []
    ok = np.isfinite(above) & np.isfinite(below) & (below > 0)
    if not ok.any():
        return float("nan"), []
    above, below, middle = above[ok], below[ok], 0.5 * (d["lo"] + d["hi"] + 2 * added)[ok]
    rank = np.argsort(middle)
    windows = np.array_split(rank, min(WINDOWS, rank.size))
    rows = []
    for w in windows:
        value = above[w].sum() / below[w].sum()
        each = above[w] / below[w]
        row: dict[str, Any] = {
            "module": name, "slot": "main_capacitor", "shots": float(np.round(np.average(middle[w], weights=below[w]))),
            "quantity": "capacitance_uF", "value": float(value),
        }  # fmt: skip
        row["uncertainty"] = float(each.std(ddof=1) / np.sqrt(w.size)) if w.size > 2 else ""
        rows.append(row)
    return float(above.sum() / below.sum()), rows


def _shift_rest(d: dict[str, Array], below: Array) -> None:
    """Charging began at what the shot before left: cells summed their own shots' rests instead."""
    order = np.lexsort((d["lo"], d["run"], d["file"]))
    a, b = order[:-1], order[1:]
    follows = (
        (d["file"][a] == d["file"][b])
        & (d["run"][a] == d["run"][b])
        & (d["lo"][b] == d["hi"][a] + 1)
    )
    end = d["end"] ** 2
    change = np.zeros(below.size)
    change[b[follows]] = end[b[follows]] - end[a[follows]]
    below += np.where(np.isfinite(change), change, 0.0)


def _ignition_rows(
    name: str, g: dict[str, Array], d: dict[str, Array], of: Array, count: Count
) -> list[dict[str, Any]]:
    """Shots and misfires of one module by count and ignition voltage, at most ten bins of each."""
    if not g["n"].size or count.total <= count.first:
        return []
    file, run, shot, volts, n, k = (g[x] for x in ("file", "run", "shot", "volts", "n", "misfires"))
    added = [count.offset[i] or 0 for i in of.tolist()]
    runs = dict(zip(zip(d["file"].tolist(), d["run"].tolist()), added))
    at = np.clip(
        shot + np.array([runs.get((f, r), 0) for f, r in zip(file.tolist(), run.tolist())]),
        1,
        count.total,
    )
    ends = np.linspace(count.first, count.total, 11)
    row = np.clip(np.searchsorted(ends, at) - 1, 0, 9)
    low, high = float(volts.min()), float(volts.max())
    column = np.clip(((volts - low) / max(high - low, 1e-12) * 10).astype(int), 0, 9)
    key = row * 10 + column
    total, hit, mid, level = (np.bincount(key, w, minlength=100) for w in (n, k, n * at, n * volts))
    return [
        {
            "module": name, "shots": round(float(mid[j] / total[j])), "ignition_V": round(float(level[j] / total[j]), 3),
            "commanded": int(total[j]), "misfires": int(hit[j]),
        }
        for j in np.flatnonzero(total).tolist()
    ]  # fmt: skip


def _findings(m: ModuleLog, count: Count) -> list[Note]:
    """What was odd in a module's log, in words."""
    out = []

    def say(code: str, text: str) -> None:
        out.append(Note(code, f"{m.module}: {text}"))

    if count.lost:
        worst = max(count.gaps, key=lambda g: g[1])
        say(
            "log_gaps",
            f"{count.lost:,} shots counted but not logged, {worst[1]:,} of them after count {worst[0]:,}; taken as fired.",
        )
    for at in count.resets[:5]:
        say("log_reset", f"the counter begins anew after {at:,} shots; the count runs on.")
    if len(count.resets) > 5:
        say("log_reset", f"and {len(count.resets) - 5} more resets.")
    if m.repeated:
        say("log_repeats", f"{m.repeated:,} rows repeat another word for word; counted once.")
    if count.conflicts:
        say(
            "log_conflicts",
            f"{count.conflicts:,} rows repeat a count with other values; the first is taken.",
        )
    if m.late:
        say("log_late", f"{m.late:,} rows come after later ones; put in place by their count.")
    if m.unread:
        say("log_unread", f"{m.unread:,} rows lack a voltage; taken as fired.")
    if m.uncharged:
        say(
            "log_uncharged",
            f"{m.uncharged:,} shots were commanded with the bank below half its usual voltage; not counted.",
        )
    if m.dead_from is not None:
        say(
            "log_dead",
            f"from count {m.dead_from:,} the bank no longer charges ({m.commanded:,} was its last); no life record is made of it until --failed says which part it was.",
        )
    return out


def life_rows(
    reduced: Reduced, builder: str, failed: dict[str, tuple[str, str]], slots: Sequence[str]
) -> list[dict[str, Any]]:
    """Rows of a life sheet: each slot good at the last count, the failed one failed there.

    Parameters
    ----------
    reduced : Reduced
    builder : str
    failed : dict
        Module: (slot, mode) of the part that ended it.
    slots : sequence of str
        Slots watched by the log, one unit each from the first row to the last.

    Raises
    ------
    BadInput
        If a module in ``failed`` is not in the log.
    """
    known = {m.module for m in reduced.modules}
    for name in failed:
        if name not in known:
            raise BadInput(
                f"no module {name!r} in the log; there are: {', '.join(sorted(known)[:20])}"
            )
    rows: list[dict[str, Any]] = []
    for m in reduced.modules:
        slot_failed, mode = failed.get(m.module, ("", ""))
        if m.dead_from is not None and not slot_failed:
            continue  # some part failed, and we do not know which: no record is better than a wrong one
        for slot in dict.fromkeys((*slots, *([slot_failed] if slot_failed else []))):
            ended = slot == slot_failed
            rows.append(
                {
                    "builder": builder, "module": m.module, "slot": slot,
                    "shots_from": m.shots_from or "", "shots_good": m.shots,
                    "shots_failed": m.shots if ended else "", "mode": mode if ended else "",
                    "charge_V": _cell(m.charge_V), "energy_J": _cell(m.energy_J), "rate_Hz": _cell(m.rate_Hz),
                    "note": "from shot log",
                }
            )  # fmt: skip
    return rows


def _cell(value: float) -> Any:
    return float(f"{value:.6g}") if np.isfinite(value) and value > 0 else ""


def log_sheets(
    reduced: Reduced, builder: str, failed: dict[str, tuple[str, str]], slots: Sequence[str]
) -> dict[str, bytes]:
    """The sheets that logs give, as CSV by kind: ``life``, ``wear``, ``misfires``, ``ignition``.

    Kinds without a row are left out. Arguments and errors as ``life_rows``.
    """
    head = {"builder": builder}
    made = {
        "life": life_rows(reduced, builder, failed, slots),
        "wear": [{**head, "module": r["module"], "slot": r["slot"], "unit": "", **{k: r[k] for k in ("shots", "quantity", "value", "uncertainty")}} for r in reduced.wear],
        "misfires": [{**head, "module": r["module"], "slot": "igniter", "unit": "", "shots": r["shots"], "event": r["event"]} for r in reduced.misfires],
        "ignition": [{**head, **r} for r in reduced.ignition],
    }  # fmt: skip
    return {kind: rows_csv(rows).encode() for kind, rows in made.items() if rows}
