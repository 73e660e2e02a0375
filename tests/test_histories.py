"""Histories: which records are one unit, and what contradicts. The rules are DEVELOPERS.md's; no source."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reliability.histories import Histories, contradictions, reading_faults
from reliability.records import InvalidRecords, LifeRecords, join
from reliability.sheets.life import read_life
from reliability.sheets.wear import read_misfires, read_wear

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
INF = np.inf


def records(*rows, slot="main_capacitor"):
    """Rows of (module, unit, from, good, failed) with optional extra columns as a dict at the end."""
    extra = [r[5] if len(r) > 5 else {} for r in rows]
    return LifeRecords.of(
        [r[3] for r in rows],
        [r[4] for r in rows],
        shots_from=[r[2] for r in rows],
        builder=[e.get("builder", "kite") for e in extra],
        module=[r[0] for r in rows],
        slot=[e.get("slot", slot) for e in extra],
        unit=[r[1] for r in rows],
        event=[e.get("event", "") for e in extra],
        removed=[e.get("removed", "") for e in extra],
        part=[e.get("part", "") for e in extra],
        lot=[e.get("lot", "") for e in extra],
        count=[e.get("count", 1) for e in extra],
    )


def test_stretches_in_order_whatever_the_order_of_rows():
    r = records(
        ("a", "c2", 0, 500, INF),
        ("b", "c1", 1000, 1800, 1800),
        ("a", "c1", 0, 600, INF),
        ("a", "", 0, 10, INF),
        ("a", "c1", 600, 1000, INF),
    )
    h = Histories.of(r)
    assert len(h) == 3 == r.units
    assert h.order.tolist() == [0, 2, 4, 1, 3]
    assert h.unit.tolist() == [0, 1, 1, 1, 2]
    assert h.first.tolist() == [0, 1, 4] and h.last.tolist() == [0, 3, 4]
    assert h.moved.tolist() == [False, True, False]
    lives = h.lives()
    assert lives.units == 3 and lives.failures == 1
    assert (lives.shots_from[1], lives.shots_good[1], lives.module[1]) == (0, 1800, "b")
    part = h.select(np.array([False, True, True]))
    assert part.unit.tolist() == [0, 0, 0, 1] and part.last.tolist() == [2, 3]


def test_late_entry_stays_on_the_first_stretch():
    h = Histories.of(records(("a", "c", 300, 600, INF), ("a", "c", 600, 900, 950)))
    assert h.lives().shots_from.tolist() == [300]
    assert h.lives().shots_failed.tolist() == [950]


def test_names_that_begin_anew_in_every_module_are_units_of_their_own():
    steps = [(m, "mai1", a, b, INF) for m in "ab" for a, b in ((0, 1000), (1000, 2000))]
    assert len(Histories.of(records(*steps))) == 2 == records(*steps).units
    stopped = records(*steps[:3])  # b ended where a went on
    assert len(Histories.of(stopped)) == 2 == stopped.units
    late = records(("a", "mai1", 600, 3000, INF), ("b", "mai1", 600, 2000, INF))
    assert len(Histories.of(late)) == 2
    # another slot shows how this builder names; here the ranges alone would contradict
    slots = records(
        ("a", "ign1", 0, 3000, INF, {"slot": "igniter"}),
        ("b", "ign1", 0, 2000, INF, {"slot": "igniter"}),
        ("a", "mai1", 0, 1000, INF),
        ("b", "mai1", 500, 1500, INF),
    )
    assert len(Histories.of(slots)) == 4
    # and a chain across modules is one unit that moved all the same
    moved = records(
        ("a", "mai1", 0, 1000, INF), ("b", "mai1", 1000, 2000, INF), ("c", "mai1", 0, 700, INF)
    )
    h = Histories.of(moved)
    assert len(h) == 2 == moved.units and h.moved.tolist() == [True, False]


def test_the_demo_chains_as_its_units_are():
    sheets = [read_life(p).records for p in sorted(DEMO.glob("life_*.csv"))]
    r = join(sheets)
    h = Histories.of(r)
    keys = set(zip(r.builder, r.module, r.slot, r.unit, strict=True))
    # one unit moves to another module on its way: two places, one unit
    assert len(h) == len(keys) - h.moved.sum() == r.units and h.moved.sum() == 1


def test_published_files_are_read_as_before():
    for path in (DEMO.parent / "published").glob("*.csv"):
        if "shots_good" not in path.read_text().splitlines()[0]:
            continue  # wear readings
        r = read_life(path).records
        assert Histories.of(r).simple, path.name


CASES = {
    "the same shots": [("a", "c", 0, 1000, INF), ("a", "c", 800, 1500, INF)],
    "200 shots are missing": [("a", "c", 0, 1000, INF), ("a", "c", 1200, 1500, INF)],
    "failed at 1000": [("a", "c", 0, 1000, 1000), ("a", "c", 1000, 1500, INF)],
    "failed at 1100": [("a", "c", 0, 1000, 1100), ("a", "c", 1100, 1500, INF)],
    "with the same shots": [("a", "c", 0, 1000, INF), ("a", "c", 0, 1000, INF)],
    "fired no shot": [("a", "c", 0, 1000, INF), ("b", "c", 1000, 1000, INF)],
    "two modules at once": [
        ("a", "c", 0, 1000, INF),
        ("b", "c", 1000, 2000, INF),
        ("d", "c", 1000, 1700, INF),
    ],
    "taken out here": [("a", "c", 0, 1000, INF, {"removed": "suspect"}), ("a", "c", 1000, 1500, INF)],
    "cannot be one stretch": [("a", "c", 0, 1000, INF), ("a", "c", 1000, 1500, INF, {"count": 3})],
    "of lot 'L2' here and of 'L1'": [
        ("a", "c", 0, 1000, INF, {"lot": "L1"}), ("b", "c", 1000, 1500, INF, {"lot": "L2"}),
    ],
    "of part 'mica' here and of 'film'": [
        ("a", "c", 0, 1000, INF, {"part": "film"}), ("a", "c", 1000, 1500, 1500, {"part": "mica"}),
    ],
    "one row only": [("a", "c", 0, 900, 900, {"event": "e1"}), ("a", "d", 0, 900, 900)],
    "of module 'a' here and of 'b'": [
        ("a", "c", 0, 900, 900, {"event": "e1"}),
        ("b", "d", 0, 900, 900, {"event": "e1"}),
    ],
    "needs the count of the failure": [
        ("a", "c", 0, 900, 900, {"event": "e1"}),
        ("a", "d", 0, 900, INF, {"event": "e1"}),
    ],
    "was a suspect of 'e1'": [
        ("a", "c", 0, 900, 900, {"event": "e1"}),
        ("a", "d", 0, 900, 900, {"event": "e1"}),
        ("a", "d", 900, 1200, INF),
    ],
}  # fmt: skip


@pytest.mark.parametrize("text", CASES)
def test_contradictions_name_both_records(text):
    r = records(*CASES[text])
    with pytest.raises(InvalidRecords) as e:
        Histories.of(r)
    fault = next(f for f in e.value.faults if text in f.message)
    assert fault.other is not None and f"record {fault.other}" in fault.message
    assert "allowed" in fault.message


def hostile(rng):
    """A sound history of some units, broken in one way; gives the rows and the pair that disagree."""
    rows = []
    for u in range(int(rng.integers(1, 4))):
        cuts = np.cumsum(rng.integers(50, 900, int(rng.integers(2, 5)))).astype(float)
        starts = np.concatenate(([0.0], cuts[:-1]))
        modules = rng.choice(list("abcd"), cuts.size)
        for m, s, e in zip(modules, starts, cuts, strict=True):
            rows.append([str(m), f"c{u}", float(s), float(e), INF, {}])
    own = [i for i, r in enumerate(rows) if r[1] == "c0"]
    k = int(rng.integers(1, len(own)))
    a, b = own[k - 1], own[k]
    kind = str(
        rng.choice(["overlap", "gap", "death", "negative", "event", "modules", "circle", "twice"])
    )
    if kind == "overlap":
        rows[b][2] -= float(rng.integers(1, 40))
    elif kind == "gap":
        for i in own[k:]:
            rows[i][2] += 37.0
            rows[i][3] += 37.0
    elif kind == "death":
        rows[a][4] = rows[a][3] + float(rng.choice([0.0, 20.0]))
    elif kind == "negative":
        rows[b][3] = rows[b][2] - 25.0
    elif kind == "event":
        rows[own[-1]][4] = rows[own[-1]][3]
        rows[own[-1]][5] = {"event": "e"}
        rows.append([rows[own[-1]][0], "x", 0.0, 10.0, INF, {}])
        a, b = len(rows) - 1, own[-1]
    elif kind == "modules":
        rows.append(["e", "c0", rows[b][2], rows[b][3] + 11.0, INF, {}])
        rows[b][0] = "f"
        a, b = b, len(rows) - 1
    elif kind == "circle":
        rows[b][3] = rows[a][2]  # back to the module and count it came from
        rows.append([rows[a][0], "c0", rows[a][2], rows[a][3], INF, {}])
        a = len(rows) - 1
    else:
        rows.append(list(rows[b]))
        a = len(rows) - 1
    return kind, rows, (a, b)


@pytest.mark.parametrize("seed", range(300))
def test_hostile_histories_are_refused_naming_both_rows(seed):
    kind, rows, pair = hostile(np.random.default_rng([14, seed]))
    order = np.random.default_rng(seed).permutation(len(rows))
    mixed = [rows[i] for i in order]
    raw = LifeRecords.of([0.0] * len(mixed), unit=[r[1] for r in mixed], module=[r[0] for r in mixed],
                         builder=["kite"] * len(mixed), slot=["igniter"] * len(mixed),
                         event=[r[5].get("event", "") for r in mixed])  # fmt: skip
    unchecked = replace(
        raw,
        shots_from=np.array([r[2] for r in mixed]),
        shots_good=np.array([r[3] for r in mixed]),
        shots_failed=np.array([r[4] for r in mixed]),
    )
    faults = contradictions(unchecked)
    assert faults, kind
    places = {int(np.flatnonzero(order == i)[0]) for i in pair}
    unit = {mixed[i][1] for i in places}
    assert all(f.other is not None and f"record {f.other}" in f.message for f in faults)
    assert any(mixed[f.row][1] in unit for f in faults)
    if kind in ("overlap", "gap", "death", "negative"):
        assert any(f.row in places for f in faults)


def test_readings_after_death_and_beyond_the_record():
    r = records(("a", "c", 0, 900, 1000), ("b", "d", 0, 400, INF), ("b", "d", 400, 800, INF))
    h = Histories.of(r)
    labels = (
        ["kite/a/main_capacitor/c"] * 2 + ["kite/b/main_capacitor/d"] * 2 + ["kite/z/igniter/q"]
    )
    faults = reading_faults(h, labels, [1000, 1001, 800, 900, 5])
    assert [(f.row, f.other) for f in faults] == [(1, 0), (3, 2)]
    assert "it failed at 1000 in record 0" in faults[0].message
    assert "last known good at 800 in record 2" in faults[1].message


def test_the_demo_readings_that_its_life_records_bury_are_found():
    """The present demo holds readings after death (issue 14 counted 14 of 30 units)."""
    h = Histories.of(join([read_life(p).records for p in sorted(DEMO.glob("life_*.csv"))]))
    wear = read_wear(DEMO / "wear.csv")
    for f in reading_faults(h, wear.labels, wear.shots):
        row = int(np.flatnonzero(h.order == f.other)[0])
        known = h.records.shots_failed[row]
        known = known if np.isfinite(known) else h.records.shots_good[row]
        assert wear.shots[f.row] > known
        assert wear.labels[f.row].endswith(h.records.unit[row])
    misfires = read_misfires(DEMO / "misfires.csv")
    assert isinstance(reading_faults(h, misfires.system, misfires.shots, "a misfire"), list)


def test_units_taken_out_as_suspect_count_as_failed_there():
    r = LifeRecords.of(
        [500, 900, 0, 700],
        [np.inf, 900, np.inf, np.inf],
        removed=["suspect", "", "suspect", "failure"],
    )
    safe = r.suspects_failed()
    assert safe.shots_failed.tolist() == [500, 900, INF, INF]
    assert list(safe.mode) == ["unknown", "unknown", "", ""]
    assert r.failures == 1 and safe.failures == 2


def test_unknown_reasons_of_removal_and_reasons_of_failed_units_are_refused():
    with pytest.raises(InvalidRecords, match="allowed: end, failure, suspect"):
        LifeRecords.of([5.0], removed=["lost"])
    with pytest.raises(InvalidRecords, match="this one failed at 5"):
        LifeRecords.of([5.0], [5.0], removed=["suspect"])


def test_mode_sets_have_one_spelling():
    r = LifeRecords.of(
        [5.0] * 4, [5.0] * 4, mode=["short| open", "open|short|open", "open|unknown", "open"]
    )
    assert list(r.mode) == ["open|short", "open|short", "unknown", "open"]


def test_a_lot_or_part_that_is_said_once_only_contradicts_nothing():
    r = records(
        ("a", "c", 0, 1000, INF, {"lot": "L1"}), ("a", "c", 1000, 1500, INF, {"part": "film"})
    )
    assert len(Histories.of(r)) == 1


def test_a_unit_of_very_many_stretches():
    """A voltage raised every shot; what is looked for among the others of a unit is looked up."""
    n = 20_000
    at = np.arange(n + 1.0)
    r = LifeRecords.of(
        at[1:], np.full(n, INF), shots_from=at[:-1], builder=["k"] * n, module=["m"] * n, slot=["igniter"] * n, unit=["i"] * n
    )  # fmt: skip
    assert len(Histories.of(r)) == 1
    again = replace(r, shots_good=np.where(at[1:] == 7, 5.0, r.shots_good))
    with pytest.raises(InvalidRecords, match="backwards"):
        Histories.of(again)
