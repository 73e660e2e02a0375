"""Doubts about numbers of any slot: ranges, energies that do not fit, repeats, jumps by a thousand, scatter."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from reliability.records import LifeRecords
from reliability.sheets.finding import Finding, rows_of
from reliability.sheets.namesakes import namesakes

RANGES: dict[str, tuple[float, float, str]] = {
    "charge_V": (20.0, 20_000.0, "volts"),
    "rated_V": (20.0, 50_000.0, "volts"),
    "ignition_V": (20.0, 50_000.0, "volts"),
    "capacitance_uF": (1e-3, 1_000.0, "microfarads"),
    "energy_J": (1e-4, 500.0, "joules a shot"),
    "peak_A": (1.0, 1e6, "amperes"),
    "rate_Hz": (1e-4, 100.0, "shots a second"),
    "period_s": (0.01, 1e4, "seconds"),
    "temp_C": (-80.0, 180.0, "degrees Celsius"),
    "pressure_Pa": (0.0, 110_000.0, "pascals"),
}
"""lowest and highest value that a bench of pulsed thrusters of some joules would write (common practice, no source)"""
MOST_SHOTS = 1e8


def plausible(column: str, value: float) -> bool:
    """Whether a number of that column is one that benches write in our unit."""
    low, high, _ = RANGES.get(column, (-np.inf, np.inf, ""))
    return low <= value <= high


def doubts(records: LifeRecords) -> list[Finding]:
    """Findings about the numbers of a life sheet, grave ones first to be answered before it is stored.

    Grave: out of a column's range, energy that capacitance and voltage contradict, every unit twice,
    counts with decimals beside whole ones, jumps by a thousand, names of units written two ways. Doubt:
    temperatures that scatter by a few kelvin, which no test holds apart; units withdrawn at a failure
    that is nowhere.
    """
    return [
        *_ranges(records),
        *_energy(records),
        *_counts(records),
        *_twice(records),
        *_temperatures(records),
        *_no_part(records),
        *namesakes(records),
        *_withdrawn_at_nothing(records),
    ]


def side_doubts(kind: str, cells: Mapping[str, Sequence[Any]]) -> list[Finding]:
    """Findings about a wear, misfire or ignition sheet, from its cells by column (texts, numbers, None).

    Grave: counts with decimals, every row twice, values of one quantity some factor 1,000 apart, ignition
    voltages or capacitances out of range.
    """
    out: list[Finding] = []
    for name in ("shots", "commanded", "misfires"):
        if name in cells:
            out += _broken(name, _floats(cells[name]))
    if kind == "ignition":
        out += _outside("ignition_V", _floats(cells.get("ignition_V", ())))
    elif kind == "wear":
        out += _readings(cells)
    if kind != "ignition":
        out += _again(list(zip(*cells.values(), strict=True)))
    return out


def _floats(values: Sequence[Any]) -> np.ndarray:
    out = np.full(len(values), np.nan)
    for i, v in enumerate(values):
        try:
            out[i] = np.nan if v is None else float(v)
        except (TypeError, ValueError):
            continue  # its fault is told when the sheet is checked
    return out


def _broken(name: str, values: np.ndarray) -> list[Finding]:
    broken = np.isfinite(values) & (values != np.floor(values))
    if not broken.any():
        return []
    first = values[np.flatnonzero(broken)[0]]
    text = f"{int(broken.sum())} counts of {name} have decimals, such as {first:g}: a thousands mark read as a decimal mark?"
    return [Finding("decimals_in_counts", "grave", text, rows_of(broken))]


def _outside(name: str, values: np.ndarray) -> list[Finding]:
    low, high, words = RANGES[name]
    bad = (values < low) | (values > high)
    if not bad.any():
        return []
    first = values[np.flatnonzero(bad)[0]]
    text = f"{name} {first:g} (and {int(bad.sum()) - 1} more) lies outside {low:g} to {high:g} {words}: is the unit right?"
    return [Finding(f"range_{name}", "grave", text, rows_of(bad))]


def _readings(cells: Mapping[str, Sequence[Any]]) -> list[Finding]:
    quantity, value = list(cells.get("quantity", ())), _floats(cells.get("value", ()))
    out = []
    for name in list(dict.fromkeys(quantity))[:100]:
        own = np.array([q == name for q in quantity])
        of_it = np.where(own, value, np.nan)
        if name == "capacitance_uF":
            out += _outside(str(name), of_it)
        out += _jumps(str(name), of_it)
    return out


def _again(rows: list[tuple[Any, ...]]) -> list[Finding]:
    seen: set[tuple[Any, ...]] = set()
    again = np.zeros(len(rows), bool)
    for i, k in enumerate(rows):
        again[i] = k in seen
        seen.add(k)
    if not again.any() or 2 * again.sum() < len(rows) - again.sum():
        return []
    text = f"{int(again.sum())} of {len(rows)} rows repeat another row: is the sheet pasted twice?"
    return [Finding("all_twice", "grave", text, rows_of(again))]


def _withdrawn_at_nothing(r: LifeRecords) -> list[Finding]:
    """Units withdrawn because another failed, where none did: of their slot at that count, or in their module."""
    withdrawn = r.removed == "failure"
    if not withdrawn.any():
        return []
    module = list(zip(r.builder, r.module, strict=True))
    bare = withdrawn & ~_at_a_failure(r, list(zip(r.builder, r.slot, strict=True)))
    bare &= ~_at_a_failure(r, module)
    # counts of parts that were swapped in differ from their module's: there any failure will do
    swapped = _swapped(r)
    died = {m for m, dead in zip(module, r.failed, strict=True) if dead}
    later = {m for m, dead in zip(module, r.failed & swapped, strict=True) if dead}
    bare &= [
        m not in later and not (own and m in died) for m, own in zip(module, swapped, strict=True)
    ]
    if not bare.any():
        return []
    k = int(bare.sum())
    text = (
        f"{k} unit{'s are' if k > 1 else ' is'} marked removed=failure, but no unit of the slot failed at that count, and none in "
        "the module: taken as an end like any other. Add the failure, correct the count, or leave removed empty."
    )
    return [Finding("withdrawn_at_nothing", "doubt", text, rows_of(bare))]


def _at_a_failure(r: LifeRecords, place: Sequence[tuple[str, ...]]) -> np.ndarray:
    """Records whose good count is one at which a unit of the same place failed, or may have, (n,)."""
    rows: dict[tuple[str, ...], list[int]] = {}
    for i, p in enumerate(place):
        rows.setdefault(p, []).append(i)
    out = np.zeros(len(r), bool)
    for own in rows.values():
        dead = [i for i in own if r.failed[i]]
        begun = np.searchsorted(np.sort(r.shots_good[dead]), r.shots_good[own], side="right")
        over = np.searchsorted(np.sort(r.shots_failed[dead]), r.shots_good[own], side="left")
        out[own] = begun > over
    return out


def _swapped(r: LifeRecords) -> np.ndarray:
    """Records of places in which more than one part has been, (n,)."""
    names: dict[tuple[str, ...], set[object]] = {}
    places = list(zip(r.builder, r.module, r.slot, strict=True))
    for i, (place, unit) in enumerate(zip(places, r.unit.tolist(), strict=True)):
        names.setdefault(place, set()).add(unit or i)
    return np.array([len(names[place]) > 1 for place in places], bool)


def _no_part(r: LifeRecords) -> list[Finding]:
    """Records without a part: of no use where the slot's parts differ, which nobody notices later."""
    bare = r.part == ""
    if not bare.any():
        return []
    slots = ", ".join(sorted(set(r.slot[bare].tolist()))[:8])
    text = (
        f"{int(bare.sum())} of {len(r)} records name no part ({slots}): they are left out wherever the pool has several parts "
        "of the slot. Say it once for each slot if it was the same."
    )
    return [Finding("no_part", "doubt", text, rows_of(bare))]


def _ranges(r: LifeRecords) -> list[Finding]:
    out = []
    for name, (low, high, words) in RANGES.items():
        values = r.covariates.get(name)
        if values is None:
            continue
        bad = (values < low) | (values > high)
        if bad.any():
            first = float(values[np.flatnonzero(bad)[0]])
            out.append(
                Finding(
                    f"range_{name}", "grave",
                    f"{name} {first:g} (and {int(bad.sum()) - 1} more) lies outside {low:g} to {high:g} {words}: is the unit right?",
                    rows_of(bad),
                )
            )  # fmt: skip
        out += _jumps(name, values)
    far = np.where(r.failed, r.shots_good, r.shots_good) > MOST_SHOTS
    if far.any():
        out.append(
            Finding(
                "range_shots",
                "grave",
                f"{int(far.sum())} records pass 100 million shots: is the count right?",
                rows_of(far),
            )
        )
    return out


def _jumps(name: str, values: np.ndarray) -> list[Finding]:
    """Values of one column that form two groups some factor 1,000 apart."""
    own = np.isfinite(values) & (values > 0)
    if own.sum() < 2 or name in ("pressure_Pa", "rate_Hz"):
        return []
    order = np.sort(np.log10(values[own]))
    gaps = np.diff(order)
    k = int(np.argmax(gaps))
    if gaps[k] < 2.3:
        return []
    small = values < 10 ** (0.5 * (order[k] + order[k + 1]))
    fewer = small if (small & own).sum() <= (~small & own).sum() else ~small
    return [
        Finding(
            f"jump_{name}", "grave",
            f"{name} jumps by a factor {10 ** gaps[k]:,.0f} between rows: two units in one column?", rows_of(fewer & own),
        )
    ]  # fmt: skip


def _energy(r: LifeRecords) -> list[Finding]:
    c, v, e = (r.covariates.get(k) for k in ("capacitance_uF", "charge_V", "energy_J"))
    if c is None or v is None:
        return []
    main = r.slot == "main_capacitor"
    par, ser = (
        np.nan_to_num(r.covariates.get(k, np.ones(len(r))), nan=1.0)
        for k in ("bank_parallel", "bank_series")
    )
    stored = 0.5e-6 * c * v**2
    out = []
    odd = main & ((stored > 2_000) | (stored < 1e-3))
    if odd.any():
        i = int(np.flatnonzero(odd)[0])
        out.append(
            Finding(
                "energy_odd", "grave",
                f"{c[i]:g} uF at {v[i]:g} V hold {stored[i]:.3g} J: is a unit wrong?", rows_of(odd),
            )
        )  # fmt: skip
    if e is not None:
        # per unit or per bank, in series or not: only what no reading of the bank explains
        bank = stored * np.maximum(par, 1) / np.maximum(ser, 1) ** 2
        low, high = (
            np.minimum(stored, bank) / 5,
            np.maximum(stored, stored * np.maximum(par, 1) * np.maximum(ser, 1)) * 5,
        )
        off = main & ((e < low) | (e > high))
        if off.any():
            i = int(np.flatnonzero(off)[0])
            out.append(
                Finding(
                    "energy_contradicts", "grave",
                    f"energy_J is {e[i]:g}, but {c[i]:g} uF at {v[i]:g} V hold {stored[i]:.3g} J: is a unit wrong?", rows_of(off),
                )
            )  # fmt: skip
    return out


def _counts(r: LifeRecords) -> list[Finding]:
    good = r.shots_good
    out = []
    broken = good != np.floor(good)
    if broken.any():
        sure = "grave" if broken.sum() < len(good) or float(np.median(good)) < 1_000 else "doubt"
        i = int(np.flatnonzero(broken)[0])
        out.append(
            Finding(
                "decimals_in_counts", sure,
                f"{int(broken.sum())} counts have decimals, such as {good[i]:g}: a thousands mark read as a decimal mark, or hours instead of shots?",
                rows_of(broken),
            )
        )  # fmt: skip
    tally = Counter(r.slot.tolist())
    for slot in sorted(k for k, n in tally.most_common(100) if n >= 4):
        own = (r.slot == slot) & (good > 0)
        if own.sum() < 4:
            continue
        order = np.sort(np.log10(good[own]))
        gaps = np.diff(order)
        k = int(np.argmax(gaps))
        if gaps[k] >= 2.5 and order[-1] - order[k + 1] < 1.2 and order[k] - order[0] < 1.2:
            low = own & (np.log10(np.maximum(good, 1e-300)) <= order[k])
            out.append(
                Finding(
                    "jump_shots", "grave",
                    f"{slot}: counts fall in two groups a factor {10 ** gaps[k]:,.0f} apart: are some in thousands?", rows_of(low),
                )
            )  # fmt: skip
    return out


def _twice(r: LifeRecords) -> list[Finding]:
    keys = list(
        zip(
            r.builder,
            r.module,
            r.slot,
            r.unit,
            r.part,
            r.shots_from,
            r.shots_good,
            r.shots_failed,
            strict=True,
        )
    )
    seen: dict[tuple[object, ...], int] = {}
    again = np.zeros(len(keys), bool)
    for i, k in enumerate(keys):
        again[i] = k in seen
        seen.setdefault(k, i)
    out = []
    if again.sum() >= 1 and 2 * again.sum() >= len(keys) - again.sum():
        out.append(
            Finding(
                "all_twice", "grave",
                f"{int(again.sum())} of {len(keys)} rows repeat another row: is the sheet pasted twice? For equal units give count.", rows_of(again),
            )
        )  # fmt: skip
    return out


def _temperatures(r: LifeRecords) -> list[Finding]:
    t = r.covariates.get("temp_C")
    if t is None:
        return []
    own = t[np.isfinite(t)]
    levels = np.unique(own)
    if levels.size >= 4 and levels.size > own.size / 4 and 0 < levels.max() - levels.min() <= 8:
        return [
            Finding(
                "temp_scatter", "doubt",
                f"temp_C scatters from {levels.min():g} to {levels.max():g}: room temperature read off, not a stress of the test; "
                "it tells no effect of temperature.",
            )
        ]  # fmt: skip
    return []
