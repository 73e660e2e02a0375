"""What looks odd in a contribution: shown with advice, never dropped."""

from __future__ import annotations

import numpy as np

from reliability.records import UNKNOWN, LifeRecords
from reliability.sheets.finding import SEVERITIES, Finding, rows_of
from reliability.sheets.namesakes import namesakes


def findings(records: LifeRecords, others: LifeRecords | None = None) -> list[Finding]:
    """Quality findings of one contribution.

    Parameters
    ----------
    records : LifeRecords
        In the order of the sheet.
    others : LifeRecords, optional
        What is stored already, to look for copies across builders and for names written another way.
    """
    out: list[Finding] = []
    n = len(records)
    last = np.where(records.failed, records.shots_failed, records.shots_good)
    out += _values(records, last)
    dead = records.failed
    if dead.sum() >= 3 and (records.mode[dead] == UNKNOWN).all():
        out.append(
            Finding(
                "modes_unknown",
                "look",
                "No failure has a known mode; note what broke (short, open, no_spark ...), even if only probable.",
            )
        )
    main = records.slot == "main_capacitor"
    if main.any():
        v = records.covariates.get("charge_V", np.full(n, np.nan))
        missing = main & np.isnan(v)
        if missing.any():
            out.append(
                Finding(
                    "missing_stress",
                    "doubt",
                    f"{missing.sum()} main capacitors have no charge_V: they cannot help the derating. Add it.",
                    rows_of(missing),
                )
            )
    shots = last[last >= 100]
    if shots.size >= 10:
        for step in (1000, 500, 100):
            share = float(np.mean(shots % step == 0))
            by_inspection = float(np.mean(~records.exact[dead])) if dead.any() else 0.0
            if share > max(0.5, 20.0 / step) and by_inspection < 0.5:
                out.append(
                    Finding(
                        "heaped",
                        "doubt",
                        f"{share:.0%} of the counts are multiples of {step}: if they come from inspections, give shots_good of the inspection before and shots_failed of the one that found the failure.",
                    )
                )
                break
    exact = records.exact
    if exact.sum() >= 6:
        t = np.sort(records.shots_good[exact])
        gaps = np.diff(np.log(t))
        if np.std(np.log(t)) < 0.02:
            out.append(
                Finding(
                    "too_regular",
                    "grave",
                    "All failures fall within a few percent of one count; parts seldom do that. Check that the counts are real.",
                )
            )
        elif gaps.size >= 6 and np.std(gaps) < 0.05 * np.mean(gaps):
            out.append(
                Finding(
                    "too_regular",
                    "doubt",
                    "Failures follow each other at nearly equal ratios; check that they are measured.",
                )
            )
    out += _repeats(records, others)
    out += [] if others is None else namesakes(records, others)
    return sorted(out, key=lambda f: -SEVERITIES.index(f.severity))


def _values(records: LifeRecords, last: np.ndarray) -> list[Finding]:
    out = []
    n = len(records)
    rated = records.covariates.get("rated_V", np.full(n, np.nan))
    charge = records.covariates.get("charge_V", np.full(n, np.nan))
    series = np.nan_to_num(records.covariates.get("bank_series", np.ones(n)), nan=1.0)
    over = charge > rated * series
    if over.any():
        out.append(
            Finding(
                "above_rating",
                "look",
                f"{over.sum()} units were charged above their rating; correct if mistyped, else well worth knowing.",
                rows_of(over),
            )
        )
    odd = ((charge < 50) | (charge > 20000)) & (records.slot == "main_capacitor")
    if odd.any():
        out.append(
            Finding(
                "unit_of_voltage",
                "doubt",
                f"{odd.sum()} charge voltages lie outside 50 to 20,000 V: are they in volts?",
                rows_of(odd),
            )
        )
    far = last > 1e8
    if far.any():
        out.append(
            Finding(
                "many_shots",
                "doubt",
                f"{far.sum()} records pass 100 million shots, years at one shot in three seconds: is the unit right?",
                rows_of(far),
            )
        )
    rate = records.covariates.get("rate_Hz")
    if rate is not None and (rate > 1000).any():
        out.append(
            Finding(
                "rate",
                "doubt",
                "Rates above 1000 shots a second: is rate_Hz in shots a second?",
                rows_of(rate > 1000),
            )
        )
    cap = records.covariates.get("capacitance_uF")
    if cap is not None and (cap > 1000).any():
        out.append(
            Finding(
                "unit_of_capacitance",
                "doubt",
                "Capacitances above 1000 uF: are they in microfarads?",
                rows_of(cap > 1000),
            )
        )
    return out


def _repeats(records: LifeRecords, others: LifeRecords | None) -> list[Finding]:
    out = []

    def keys(r: LifeRecords, whole: bool) -> list[tuple[object, ...]]:
        head = (r.builder, r.module, r.slot, r.unit) if whole else (r.slot, r.part)
        columns = (*head, r.shots_good, r.shots_failed, r.shots_from)
        return list(zip(*(c.tolist() for c in columns), strict=True))

    mine = keys(records, True)
    seen: dict[tuple[object, ...], int] = {}
    twice = np.zeros(len(records), bool)
    for i, k in enumerate(mine):
        twice[i] = k in seen
        seen.setdefault(k, i)
    labelled = np.array([bool(u) for u in records.unit])
    if (twice & labelled).any():
        out.append(
            Finding(
                "repeated",
                "doubt",
                f"{(twice & labelled).sum()} rows repeat another row, unit and all; use count for equal units.",
                rows_of(twice & labelled),
            )
        )
    back = _resets(records)
    if back.any():
        out.append(
            Finding(
                "counter_reset",
                "doubt",
                f"{back.sum()} units have a record that begins before an earlier one of the same unit ended: a counter that was reset, or one unit label for two parts.",
                rows_of(back),
            )
        )
    if others is not None and len(others):
        elsewhere: dict[tuple[object, ...], set[str]] = {}
        for k, b in zip(keys(others, False), others.builder, strict=True):
            elsewhere.setdefault(k, set()).add(str(b))
        copy = np.array([
            bool(elsewhere.get(k, set()) - {str(b)}) and f == f and np.isfinite(f) and f > 200
            for k, b, f in zip(keys(records, False), records.builder, records.shots_failed, strict=True)
        ])  # fmt: skip
        if copy.sum() >= 2:
            out.append(
                Finding(
                    "copied",
                    "grave",
                    f"{copy.sum()} failures stand with equal part and counts under another builder too: one test contributed twice?",
                    rows_of(copy),
                )
            )
    return out


def _resets(records: LifeRecords) -> np.ndarray:
    """Units with a label whose records overlap in shots."""
    bad = np.zeros(len(records), bool)
    ends: dict[tuple[str, ...], float] = {}
    columns = (
        getattr(records, c).tolist()
        for c in ("builder", "module", "slot", "unit", "shots_from", "shots_good")
    )
    for i, (*labels, begin, good) in enumerate(zip(*columns, strict=True)):
        if not labels[-1]:
            continue
        key = tuple(labels)
        last = ends.get(key)
        bad[i] = last is not None and begin < last and good != last
        ends[key] = max(last or 0.0, good)
    return bad


def telling(records: LifeRecords) -> LifeRecords:
    """Those of many builders' records that findings on another builder's rest on: its parts, each once, and
    failures with equal part and counts under several builders."""
    labels = list(
        zip(records.builder.tolist(), records.slot.tolist(), records.part.tolist(), strict=True)
    )
    first = {own: i for i, own in reversed(list(enumerate(labels)))}
    where: dict[tuple[object, ...], list[int]] = {}
    dead = np.flatnonzero(np.isfinite(records.shots_failed))
    counts = (
        c[dead].tolist() for c in (records.shots_good, records.shots_failed, records.shots_from)
    )
    for i, own in zip(dead.tolist(), zip(*counts, strict=True), strict=True):
        where.setdefault((labels[i][1:], own), []).append(i)
    several = [i for rows in where.values() if len({labels[i][0] for i in rows}) > 1 for i in rows]
    return records.select(np.array(sorted({*first.values(), *several}), np.intp))
