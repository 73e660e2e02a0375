"""Life sheets: every fault by file, row and column; nothing half stored."""

import csv

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import reliability as rl
from reliability.filters import choose, where
from reliability.notes import BadInput
from reliability.sheets.door import open_file
from reliability.sheets.life import read_life
from reliability.sheets.table import SheetError
from reliability.sheets.write import columns_of, write_life

HEAD = "builder,module,slot,shots_good,shots_failed,charge_V,lot\n"


def sheet(tmp_path, text, name="s.csv"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def faults(path):
    with pytest.raises(SheetError) as e:
        read_life(path)
    return [str(f) for f in e.value.faults]


def test_every_fault_is_listed_with_its_place(tmp_path):
    text = (
        HEAD
        + "a,m,fuel,x,,1200,7\na,,fuel,nan,9,1200,7\na,m,fuel,9,5,-3,7\na,m,fuel,-9,5,1,7\na,m,fuel,,,1,7\n"
    )
    got = faults(sheet(tmp_path, text))
    for place in (
        "2:shots_good",
        "3:module",
        "3:shots_good",
        "4:charge_V",
        "4:shots_failed",
        "5:shots_good",
        "6:shots_good",
    ):
        assert any(g.startswith(f"s.csv:{place}:") for g in got), place
    assert len(got) == 7


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        (HEAD, "no records"),
        ("builder,module,slot\na,b,c\n", "column is missing"),
        ("builder,builder,module,slot,shots_good\na,a,b,c,1\n", "appears twice"),
        (HEAD + "a,b,c\n", "names 7 columns"),
        (b"\xff\xfe\x00builder", "not UTF-8"),
        (HEAD + "a,b,c,1_000,,1,1\n", "not a number"),
        (HEAD + "a,b,c,inf,,1,1\n", "not a number"),
        (HEAD + 'a,b,c,"1,5",,1,1\n', "decimal mark"),
        (HEAD + "a,b,c,0,0,1,1\n", "failure at 0 shots"),
        (HEAD + 'a,"b\n', "not readable"),
    ],
)
def test_refusals_say_what_is_wrong(tmp_path, text, words):
    assert any(words in f for f in faults(sheet(tmp_path, text)))


def test_missing_file_and_folder(tmp_path):
    assert "no such file" in faults(tmp_path / "none.csv")[0]
    assert "folder" in faults(tmp_path)[0]
    assert "unknown kind" in faults(sheet(tmp_path, "x", "a.doc"))[0]
    assert "XLSX" in faults(sheet(tmp_path, "x", "a.xlsx"))[0]
    assert "Parquet" in faults(sheet(tmp_path, "x", "a.parquet"))[0]


def test_four_columns_are_enough(tmp_path):
    r = read_life(sheet(tmp_path, "builder,module,slot,shots_good\na,b,c,100\n")).records
    assert r.right.all() and r.shots_good[0] == 100


def test_unknown_columns_are_kept_with_a_warning(tmp_path):
    s = read_life(
        sheet(tmp_path, HEAD.replace(",lot", ",bin,maker") + "a,m,fuel,10,,1200,7,acme\n")
    )
    assert s.records.covariates["bin"][0] == 7
    assert s.records.labels["maker"][0] == "acme"
    assert s.notes[0].code == "unknown_columns"


def test_semicolons_and_byte_order_mark(tmp_path):
    text = "\ufeffbuilder;module;slot;shots_good\na;b;c;12.5\n"
    assert read_life(sheet(tmp_path, text)).records.shots_good[0] == 12.5


def test_the_three_formats_say_the_same(tmp_path):
    rows = [
        ["builder", "module", "slot", "shots_good", "shots_failed", "charge_V"],
        ["a", "12", "fuel", 100.5, None, 1200],
        ["a", "13", "fuel", 50, 50, 1300],
    ]
    with (tmp_path / "s.csv").open("w", newline="") as f:
        csv.writer(f).writerows([["" if c is None else c for c in r] for r in rows])
    book = openpyxl.Workbook()
    for r in rows:
        book.active.append(r)
    book.active["B2"] = 12  # a spreadsheet turns the label into a number
    book.save(tmp_path / "s.xlsx")
    pq.write_table(
        pa.table({h: [r[i] for r in rows[1:]] for i, h in enumerate(rows[0])}),
        tmp_path / "s.parquet",
    )
    got = [read_life(tmp_path / f"s.{k}").records for k in ("csv", "xlsx", "parquet")]
    for r in got[1:]:
        assert columns_of(r) == columns_of(got[0])


def test_written_sheet_reads_back_equal(tmp_path):
    text = (
        "builder,module,slot,unit,shots_from,shots_good,shots_failed,mode,count,charge_V,date,lot,maker\n"
        "a,m,fuel,u1,5,10,,,3,1200,2026-01-02,7,x\na,m,fuel,u2,,0.25,0.5,short,1,,,,\n"
    )
    r = read_life(sheet(tmp_path, text)).records
    for name in ("o.csv", "o.parquet"):
        write_life(r, tmp_path / name)
        again = read_life(tmp_path / name).records
        assert columns_of(again) == columns_of(r)
        np.testing.assert_array_equal(again.count, r.count)
    with pytest.raises(BadInput):
        write_life(r, tmp_path / "o.doc")


def test_exported_texts_cannot_run_as_formulas(tmp_path):
    r = read_life(sheet(tmp_path, "builder,module,slot,shots_good\n=1+1,b,c,1\n")).records
    write_life(r, tmp_path / "o.csv")
    assert "'=1+1" in (tmp_path / "o.csv").read_text()


def test_filters(tmp_path):
    r = read_life(sheet(tmp_path, HEAD + "a,m,fuel,10,,1200,7\nb,m,fuel,20,,1400,8\n")).records
    assert len(where(r, "charge_V<=1300")) == 1
    assert len(where(r, "builder!=a")) == 1
    assert len(where(r, "lot=8")) == 1
    with pytest.raises(BadInput, match="no column"):
        where(r, "nothing=1")
    with pytest.raises(BadInput, match="holds texts"):
        where(r, "builder>a")
    with pytest.raises(BadInput, match="holds numbers"):
        where(r, "charge_V=x")
    with pytest.raises(BadInput, match="there are: fuel"):
        choose(r, slot=["igniter"])


def test_a_mode_without_the_count_of_its_failure_is_said(tmp_path):
    """It is read as good, which is too hopeful if it is a count forgotten."""
    head = "builder,module,slot,unit,shots_good,shots_failed,mode\n"
    path = sheet(
        tmp_path,
        head + "k,m,igniter,a,900,,short\nk,m,igniter,b,800,800,short\nk,m,igniter,c,700,,\n",
    )
    (note,) = read_life(path).notes
    assert note.code == "mode_of_good" and "(row 2)" in note.text
    (asked,) = open_file(path, path.read_bytes()).reading.grave
    assert asked.id.startswith("agreed:mode_without_count")


def test_grave_doubts_stand_beside_answers_from_files(tmp_path):
    """A file that is asked of directly passes no door where anybody would be asked about it."""
    head = "builder,module,slot,unit,shots_good,shots_failed,part\n"
    text = (
        head
        + "k,m1,igniter,ign-1,900,900,p\nk,m1,igniter,Ign 1,1900,,p\nk,m2,igniter,x,700,700,p\n"
    )
    a = rl.ask(rl.Modes(), sheet(tmp_path, text))
    assert a.notes[0].code == "doubtful" and "'Ign 1' and 'ign-1'" in a.notes[0].text
    assert "doubtful" not in {
        n.code for n in rl.ask(rl.Modes(), sheet(tmp_path, text.replace("Ign 1", "y"))).notes
    }
