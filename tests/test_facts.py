"""The store's door: repeated facts, contradictions between contributions, stores of the first version."""

from __future__ import annotations

import gzip
from pathlib import Path

import duckdb
import numpy as np
import pytest

from reliability.ask.sources import Files, read_pool
from reliability.sheets.life import read_life
from reliability.sheets.side import read_sheet
from reliability.sheets.table import SheetError
from reliability.sheets.write import life_csv
from reliability.store import Store, StoreError
from reliability.store.demo import load_demo
from reliability.store.intake import Terms, put
from reliability.store.readings import side_faults, stored_reading_contradictions
from reliability.store.schema import MIGRATIONS, VERSION
from tests.command import run

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
REFERENCE = Path(__file__).parent / "reference"
HEAD = (
    "builder,module,slot,unit,shots_from,shots_good,shots_failed,charge_V,removed,event,lot,mode\n"
)


@pytest.fixture
def box(tmp_path):
    return Store(tmp_path / "s.duckdb")


@pytest.fixture
def sheet(tmp_path):
    def make(name, *rows):
        path = tmp_path / name
        path.write_text(HEAD + "".join(r + "\n" for r in rows))
        return read_life(path)

    return make


def test_new_columns_are_read_stored_and_written(box, sheet):
    s = sheet(
        "a.csv",
        "kite,m,main_capacitor,c1,0,900,,1200,,,L1,",
        "kite,m,main_capacitor,c1,900,1500,1500,1400,,e1,L1,open| short",
        "kite,m,igniter,g1,0,1500,1500,,,e1,,",
        "kite,n,igniter,g2,0,1500,,,failure,,,",
    )
    box.add(s)
    r = box.records()
    assert list(r.lot) == ["L1", "L1", "", ""] and list(r.event) == ["", "e1", "e1", ""]
    assert list(r.removed) == ["", "", "", "failure"] and r.mode[1] == "open|short"
    again = read_life(Path("b.csv"), life_csv(r).encode())
    assert list(again.records.event) == list(r.event) and again.records.mode[1] == "open|short"


def test_a_sheet_that_contradicts_itself_is_refused_by_row_and_column(sheet):
    with pytest.raises(SheetError) as e:
        sheet(
            "bad.csv",
            "kite,m,igniter,g1,0,900,,,,,,",
            "kite,m,igniter,g1,950,1500,,,,,,",
            "kite,m,igniter,g2,0,900,900,,suspect,,,",
            "kite,m,igniter,g3,0,900,,,lost,,,",
            "kite,m,igniter,g4,900,400,,,,,,",
            "kite,m,igniter,g4,0,900,,,,,,",
        )
    text = str(e.value)
    for part in ("bad.csv:3:shots_from", "row 2 left it at 900", "bad.csv:4:removed", "bad.csv:5:removed",
                 "allowed: end, failure, suspect", "bad.csv:6:shots_good", "runs backwards", "row 7"):  # fmt: skip
        assert part in text


def test_the_same_facts_under_other_bytes_do_not_count_twice(box, sheet):
    rows = ["kite,m,igniter,g1,0,900,,1200,,,,", "kite,m,igniter,g2,0,700,700,1200,,,,short"]
    first = box.add(sheet("a.csv", *rows))
    again = put(box, sheet("b.csv", *reversed(rows)))
    assert not again.new and again.contribution.id == first.contribution.id
    assert again.notes[0].code == "repeated_facts" and "2 rows" in again.notes[0].text
    assert len(box.records()) == 2 and len(box.contributions()) == 1
    more = put(box, sheet("c.csv", *rows, "kite,m,igniter,g3,0,100,,1200,,,,"))
    assert more.new and more.contribution.rows == 1
    assert list(box.records().unit) == ["g1", "g2", "g3"]
    # records without a unit name cannot be told apart and count
    plain = ["lynx,m,igniter,,0,900,,1200,,,,"]
    box.add(sheet("d.csv", *plain))
    assert box.add(sheet("e.csv", *plain, *plain)).new
    assert len(box.records()) == 6


def test_other_values_for_a_stored_stretch_need_a_correction(box, sheet):
    old = box.add(sheet("a.csv", "kite,m,igniter,g1,0,900,,1200,,,,"))
    changed = sheet("b.csv", "kite,m,igniter,g1,0,900,,1300,,,,")
    with pytest.raises(
        SheetError, match=r"b.csv:2:charge_V: .*row 2 of a.csv \(contribution 1\).*supersedes"
    ):
        box.add(changed)
    with pytest.raises(SheetError, match="filled here and empty there"):
        box.add(sheet("c.csv", "kite,m,igniter,g1,0,900,,1200,,,L7,"))
    assert box.add(changed, supersedes=(old.contribution.id,)).new
    assert list(box.records().covariates["charge_V"]) == [1300]


def test_contributions_chain_or_contradict(box, sheet):
    box.add(sheet("a.csv", "kite,m,igniter,g1,0,900,,1200,,,,"))
    box.add(sheet("b.csv", "kite,m,igniter,g1,900,1500,1500,1400,,,,"))
    assert len(box.records()) == 2
    for row, text in (
        (
            "kite,m,igniter,g1,1500,1900,,1400,,,,",
            r"c.csv:2:shots_from: .*failed at 1500 in row 2 of b.csv",
        ),
        ("kite,m,igniter,g1,0,400,,1200,,,,", r"c.csv:2:shots_from: contradicts|the same shots"),
    ):
        with pytest.raises(SheetError, match=text):
            box.add(sheet("c.csv", row))
    assert len(box.records()) == 2 and len(box.contributions()) == 2
    assert box.contradictions() == []


def test_a_declined_contribution_comes_back_only_if_nothing_took_its_place(box, sheet):
    first = box.add(sheet("a.csv", "kite,m,igniter,g1,0,900,,1200,,,,")).contribution
    box.decide(first.id, "declined")
    box.add(sheet("b.csv", "kite,m,igniter,g1,0,950,,1200,,,,"))
    with pytest.raises(StoreError, match="cannot be taken back"):
        box.decide(first.id, "accepted")


def test_a_store_of_the_first_version_is_carried_over(tmp_path, box):
    with duckdb.connect(str(box.path)) as c:
        for statement in MIGRATIONS[0]:
            c.execute(statement)
        c.execute("INSERT INTO store_info VALUES ('schema_version', '1')")
        c.execute(
            "INSERT INTO contribution VALUES (1, 'x', 'old.csv', 'life', 'kite', '', 'accepted', now()::TIMESTAMP, "
            "NULL, '', NULL, 2)"
        )
        for row, good, extra in ((2, 900, '{"lot": 7.0, "maker": "acme"}'), (3, 700, None)):
            c.execute(
                "INSERT INTO life_record (contribution, row, builder, module, slot, unit, shots_good, extra) "
                "VALUES (1, ?, 'kite', 'm', 'igniter', 'g1', ?, ?)",
                [row, good, extra],
            )
    r = box.records()
    assert list(r.lot) == ["7", ""] and r.labels["maker"][0] == "acme" and "lot" not in r.covariates
    found = box.contradictions()
    assert len(found) == 1 and "row 2 of old.csv (contribution 1)" in found[0]
    with duckdb.connect(str(box.path)) as c:
        assert c.execute("SELECT value FROM store_info").fetchone()[0] == str(VERSION)
    assert np.array_equal(np.sort(box.records().shots_good), [700, 900])


def test_the_demo_is_stored_and_its_repetition_is_seen(box, tmp_path):
    sheet = read_life(DEMO / "life_kite.csv")
    assert box.add(sheet).repeated == 0
    path = tmp_path / "again.csv"
    path.write_text((DEMO / "life_kite.csv").read_text() + "\n")
    try:
        again = read_life(path)
    except SheetError:
        path.write_text((DEMO / "life_kite.csv").read_text().replace("invented", "invented too"))
        again = read_life(path)
    out = box.add(again)
    assert not out.new and out.repeated == len(sheet.records)


def test_readings_that_a_life_record_buries_are_named_with_both_rows(box, sheet, tmp_path):
    box.add(
        sheet(
            "a.csv",
            "kite,m,igniter,g1,0,900,950,1200,,,,short",
            "kite,m,igniter,g2,0,900,,1200,,,,",
        )
    )
    path = tmp_path / "wear.csv"
    path.write_text(
        "builder,module,slot,unit,shots,quantity,value\n"
        "kite,m,igniter,g1,940,gap_mm,0.5\nkite,m,igniter,g1,960,gap_mm,0.6\n"
        "kite,m,igniter,g2,901,gap_mm,0.6\nkite,m,igniter,g9,9999,gap_mm,0.6\n"
    )
    side = read_sheet(path)
    faults = side_faults(box, side)
    assert [(f.row, f.column) for f in faults] == [(3, "shots"), (4, "shots")]
    assert "it failed at 950 in row 2 of a.csv (contribution 1)" in faults[0].message
    assert "last known good at 900 in row 3 of a.csv" in faults[1].message
    box.add_side(side)
    found = stored_reading_contradictions(box)
    assert len(found) == 2 and found[0].startswith("row 3 of wear.csv (contribution 2)")


def test_the_demo_is_free_of_contradictions(box):
    load_demo(box)
    assert len(box.contributions()) == 9
    assert box.contradictions() == [] and stored_reading_contradictions(box) == []


def test_readings_beyond_a_death_are_refused_whichever_comes_first(box, sheet, tmp_path):
    life = sheet("a.csv", "kite,m,igniter,g1,0,900,950,1200,,,,short")
    path = tmp_path / "wear.csv"
    path.write_text(
        "builder,module,slot,unit,shots,quantity,value\nkite,m,igniter,g1,940,gap_mm,0.5\n"
        "kite,m,igniter,g1,960,gap_mm,0.6\n"
    )
    side = read_sheet(path)
    put(box, life)
    with pytest.raises(SheetError, match=r"wear.csv:3:shots.*failed at 950 in row 2 of a.csv"):
        put(box, side)
    assert len(box.contributions()) == 1
    other = Store(tmp_path / "other.duckdb")
    put(other, side)
    with pytest.raises(
        SheetError, match=r"a.csv:2:shots_failed.*row 3 of wear.csv \(contribution 1\)"
    ):
        put(other, life)
    assert len(other.contributions()) == 1
    # a corrected sheet that supersedes the readings' own contribution is free to come
    right = tmp_path / "right.csv"
    right.write_text(
        "builder,module,slot,unit,shots,quantity,value\nkite,m,igniter,g1,940,gap_mm,0.5\n"
    )
    put(other, read_sheet(right), Terms(supersedes=(1,)))
    assert put(other, life).new


def test_files_read_together_are_held_against_each_other(tmp_path):
    a, b = tmp_path / "a.csv", tmp_path / "b.csv"
    a.write_text(HEAD + "kite,m,igniter,g1,0,900,,1200,,,,\n")
    b.write_text(HEAD + "kite,m,igniter,g1,800,1500,,1400,,,,\n")
    with pytest.raises(SheetError, match=r"b.csv:2:shots_from.*row 2 of a.csv"):
        read_pool(Files((a, b)))


def test_an_old_store_lists_its_contradictions_and_how_to_mend_them(tmp_path):
    path = tmp_path / "old.duckdb"
    path.write_bytes(gzip.decompress((REFERENCE / "store_v2.duckdb.gz").read_bytes()))
    out = run("records", "--contradictions", store=path).stdout
    assert "row 3 of life.csv (contribution 1)" in out and "in row 2 of life.csv" in out
    assert "row 3 of wear.csv (contribution 2)" in out and "in row 4 of life.csv" in out
    assert "--supersedes" in out and "--decline" in out
    refused = run("life", "--slot", "main_capacitor", store=path, code=2)
    assert "records --contradictions" in refused.stderr
    put(Store(path), read_life(DEMO / "life_moss.csv"))
    run("records", "--decline", "1", store=path)
    assert "No contradictions" in run("records", "--contradictions", store=path).stdout
