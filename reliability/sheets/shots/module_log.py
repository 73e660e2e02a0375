"""What one module's log says: shots, misfires, capacitance, ignition, and what was odd."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from reliability.notes import Note
from reliability.sheets.shots.counter import Count
from reliability.sheets.shots.log import Array

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


def module_log(
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


def ignition_rows(
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


def log_findings(m: ModuleLog, count: Count) -> list[Note]:
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
            f"from count {m.dead_from:,} the bank no longer charges ({m.commanded:,} was its last); every slot that the log covers is a suspect, at least two of them, until --failed says which part it was.",
        )
    return out
