"""Benches' own files: ninety-odd invented ones, what must come out stated by the script that makes them."""

import math
from pathlib import Path

import pytest

from reliability.sheets.bench.mapping import BenchMapping, parse_bench_mapping
from reliability.sheets.bench.proposal import propose
from reliability.sheets.door import open_file
from reliability.sheets.reading import Terms
from reliability.sheets.shots.serial import SerialSettings, read_serial
from reliability.sheets.table import SheetError, read_table
from tests.bench_files.logs import SHOTS, WHOSE, made_logs
from tests.bench_files.make_bench_files import made
from tests.command import run

FILES = made()
_LIFE = ("shots_good", "shots_failed", "shots_from")


def _of(kind, sheet, i, key):
    """What the checked sheet says in one cell."""
    if kind != "life":
        return read_table(Path(sheet.name), sheet.content).columns[key][i]
    r = sheet.records
    if key in r.covariates:
        return r.covariates[key][i]
    return r.labels[key][i] if key in r.labels else getattr(r, key)[i]


@pytest.mark.parametrize("file", FILES, ids=lambda f: f[0])
def test_bench_file(file):
    name, data, kind, answers, expected = file
    p = propose(Path(name), data)
    assert len(p.open) <= 1, [q.id for q in p.open]
    if p.open or not p.plain:
        with pytest.raises(
            SheetError
        ):  # nothing read otherwise than written counts before it is agreed with
            p.sheet()
    sheet = p.sheet(answers, agree=True)
    assert p.kind == kind or kind == p.answered(answers).kind
    rows = len(sheet.records) if kind == "life" else sheet.rows
    assert rows == len(expected)
    for i, row in enumerate(expected):
        for key, value in row.items():
            got = _of(kind, sheet, i, key)
            if isinstance(value, (int, float)):
                assert math.isclose(float(got), value, rel_tol=1e-9), (name, i, key, got, value)
            elif value is None:
                assert math.isinf(got), (name, i, key, got)
            else:
                assert str(got) == value, (name, i, key, got, value)
    # the mapping that is written answers everything when the file comes again
    m = parse_bench_mapping(p.answered(answers).mapping_text())
    later = propose(Path(name), data, m)
    assert not later.questions, [q.id for q in later.questions]
    assert later.sheet().sha256 == sheet.sha256


def test_forty_files():
    assert len(FILES) >= 40 and len({f[0] for f in FILES}) == len(FILES)


def test_why_a_unit_was_taken_out_is_a_column_of_ours(tmp_path):
    sheet = tmp_path / "bench.csv"
    sheet.write_text(
        "Builder,module,slot,unit,part,shots_good,shots_failed,mode,removed\n"
        "kite,m1,igniter,c1,p,1000,,,suspect\nkite,m1,igniter,c2,p,1300,1300,eroded,\n"
    )
    said = run("check", sheet).stdout
    assert "read as a life sheet" in said and "no column of ours" not in said


@pytest.mark.parametrize(
    ("head", "row"),
    [
        ("module,slot,unit,shots,quantity,value", "m,igniter,i1,{},gap_mm,1.2"),
        ("module,slot,shots,event", "m,igniter,{},misfire"),
        ("module,slot,good at,failed at", "m,igniter,{},9000"),
        ("module,slot,good at", "m,igniter,{}"),
        ("module,slot,shots,status", "m,igniter,{},ok"),
    ],
)
@pytest.mark.parametrize("count", ["<5000", "4000 - 3000", "1-2k"])
def test_a_count_that_cannot_be_kept_is_named(head, row, count):
    """Less than a count, a range the wrong way round, or in two units: no number is taken from it."""
    text = f"builder,{head}\nkite,{row.format(count)}\nkite,{row.format(700)}\n"
    assert [f.row for f in propose(Path("x.csv"), text.encode()).faults][:1] == [2]


def test_failed_later_than_a_count_is_named():
    text = "builder,module,slot,shots,status\nkite,m,igniter,>5000,failed\n"
    assert "last count it was good at" in str(propose(Path("x.csv"), text.encode()).faults[0])


@pytest.mark.parametrize(
    ("head", "row"),
    [
        ("module,slot,unit,shots,quantity,value", "m,igniter,i1,{},gap_mm,1.2"),
        ("module,slot,shots,event", "m,igniter,{},misfire"),
    ],
)
@pytest.mark.parametrize("count", [">5000", "4000-4500"])
def test_readings_stand_at_one_count(head, row, count):
    text = f"builder,{head}\nkite,{row.format(count)}\nkite,{row.format(700)}\n"
    assert "one count is wanted" in str(propose(Path("x.csv"), text.encode()).faults[0])


def test_a_table_on_its_side_is_refused_with_how_to_turn_it():
    text = "Builder,kite,kite\nModule,M1,M1\nSlot,main cap,main cap\nShots,4120,3998\nStatus,ok,short\n"
    with pytest.raises(SheetError, match="transpose"):
        propose(Path("x.csv"), text.encode())


def test_counts_of_which_only_some_say_k_are_asked_about():
    head = "builder,module,slot,unit,shots,status\n"
    rows = ["kite,M1,igniter,I1,4k,ok", "kite,M1,igniter,I2,12,short", "kite,M1,igniter,I3,9000,ok"]
    bare = lambda text: [q for q in propose(Path("x.csv"), text.encode()).open if "bare" in q.id]  # noqa: E731
    assert "1 others are as small as 12" in bare(head + "\n".join(rows))[0].text
    assert not bare(head + "\n".join([rows[0], rows[2]]))


def test_a_capacitance_without_its_unit_is_asked_about():
    text = "builder,module,slot,specimen,shots,quantity,value\nkite,M1,main_capacitor,C1,0,C,470\n"
    assert [q.id for q in propose(Path("x.csv"), text.encode()).open] == ["units:C"]


@pytest.mark.parametrize("repeated", ["rows", "columns"])
def test_cells_repeated_beyond_a_limit_are_refused(repeated):
    from tests.bench_files.abroad import open_document

    content = open_document([["shots", 1]])
    mark = {"rows": "<table:table-row", "columns": "<table:table-cell"}[repeated]
    bomb = repacked(content, lambda xml: xml.replace(mark, f'{mark} table:number-{repeated}-repeated="9999999"'))  # fmt: skip
    with pytest.raises(SheetError, match="limit cells"):
        propose(Path("x.ods"), bomb)


def repacked(content, change):
    """An OpenDocument file with its content changed."""
    import io
    import zipfile

    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
        for i in old.infolist():
            text = old.read(i)
            new.writestr(i, change(text.decode()) if i.filename == "content.xml" else text)
    return out.getvalue()


@pytest.mark.parametrize("log", made_logs(), ids=lambda log: log.name)
def test_serial_log_file(log):
    """Whose log it is, and at most one answer more; then what it covers, by how it was made."""
    path, data = Path(log.name), log.text.encode()
    grave = lambda answers: {  # noqa: E731
        q.id for q in open_file(path, data, Terms(BenchMapping().with_answers(answers))).reading.grave
    }  # fmt: skip
    if "log:pattern" not in log.answers:  # nothing else is known of such a file
        assert grave({}) == {*WHOSE, *log.answers} and len(log.answers) <= 1
    said = Terms(BenchMapping().with_answers({**WHOSE, **log.answers}), True)
    sheets = {s.kind: s for s in open_file(path, data, said).sheets}
    r = sheets["life"].records
    assert set(r.shots_from) == {log.start}
    assert set(r.shots_good) == {log.end - len(log.misfires)} and not r.failed.any()
    rows = read_table(Path("m.csv"), sheets["misfires"].content) if "misfires" in sheets else None
    events = [] if rows is None else zip(rows.columns["shots"], rows.columns["event"], strict=True)
    assert [int(n) for n, event in events if event == "misfire"] == list(log.misfires)
    read = read_serial(path, data, SerialSettings(log.answers.get("log:pattern", "")))
    assert read.boots == log.boots and len(read.columns["shot"]) in (SHOTS, SHOTS - 3)
    if log.seconds is not None:
        assert math.isclose(read.columns["time_s"][-1] - read.columns["time_s"][0], log.seconds)


def serial(lines):
    return read_serial(Path("x.log"), "\n".join(lines).encode())


def test_serial_logs_with_a_decimal_comma_and_kilovolts():
    log = serial(f"Schuss {i}: Uvor=1,{20 + i % 3}kV Unach=0,04kV" for i in range(1, 50))
    assert log.columns["main_V_before"][:3].tolist() == [1210.0, 1220.0, 1200.0]
    assert log.columns["main_V_after"][0] == 40.0 and not [q for q in log.questions if q.grave]
    with pytest.raises(SheetError, match="decimal comma"):
        serial(f"Schuss {i}: Uvor=1,{200 + i % 3} V Unach=40 V" for i in range(1, 50))


def test_a_time_of_day_in_serial_lines_is_seconds_of_the_day():
    log = serial(f"12:{i // 20:02d}:{i * 3 % 60:02d}.5 -> shot {i} Vb=1200 V" for i in range(1, 60))
    # three seconds a shot, over the minutes
    assert set((log.columns["time_s"][1:] - log.columns["time_s"][:-1]).tolist()) == {3.0}
    assert log.columns["time_s"][0] == 12 * 3600 + 3.5


def test_a_controller_without_a_clock_that_begins_its_count_anew():
    """Its lines stand in the order of the shots: what comes after a reboot is no older shot."""
    counts = [*range(500, 561), *range(1, 31)]
    text = "\n".join(f"SHOT {n} Vpre=1201.5V Vpost=31.5V" for n in counts)
    said = Terms(BenchMapping().with_answers(WHOSE), True)
    life = next(s for s in open_file(Path("x.log"), text.encode(), said).sheets if s.kind == "life")
    assert set(life.records.shots_from) == {499} and set(life.records.shots_good) == {590}
