"""The door: serial logs, costs of hostile files, doubts, plain text."""

import io
import json
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from reliability.notes import BadInput
from reliability.records import LifeRecords
from reliability.safe_text import bounded, for_terminal
from reliability.sheets.apart import read_apart
from reliability.sheets.bench.headers import header_of
from reliability.sheets.bench.mapping import BenchMapping, parse_bench_mapping
from reliability.sheets.bench.proposal import propose
from reliability.sheets.door import open_file
from reliability.sheets.doubts import doubts
from reliability.sheets.limits import LIMITS, Limits
from reliability.sheets.quality import findings
from reliability.sheets.reading import Terms
from reliability.sheets.shots.reduce import reduce_logs
from reliability.sheets.shots.serial import (
    SerialSettings,
    flagged_rows,
    is_serial_log,
    read_serial,
)
from reliability.sheets.side import read_contribution, read_sheet
from reliability.sheets.table import SheetError
from reliability.sheets.wear import misfires_from_table
from tests.bench_files.make_bench_files import main as make_bench_files

DEMO = Path(__file__).parents[1] / "datasets" / "demo"


def test_counts_in_hexadecimal():
    """0x2F0 is 752: positional notation."""
    lines = [f"t={3000 * k} shot={k} Vb=0x{0x2F0 + k:X}" for k in range(1, 30)]
    log = read_serial(Path("h.log"), "\n".join(lines).encode())
    assert log.unread == 0
    assert list(log.columns["main_V_before"][:2]) == [753.0, 754.0]


def test_a_line_says_fired_or_missed():
    lines = [
        f"[{3000 * k} ms] shot {k}: {'MISFIRE' if k in (4, 9) else 'fired'} {1200 + k % 3} V"
        for k in range(1, 30)
    ]
    log = read_serial(Path("f.log"), "\n".join(lines).encode())
    assert list(log.columns["shot"]) == list(range(1, 30))
    assert [int(log.columns["shot"][i]) for i in log.flagged] == [4, 9]


def test_a_pattern_given_once_reads_lines_without_names():
    lines = "".join(f"{3000 * k},S,{k},0x{0x2F0 + k:X}\n" for k in range(1, 30)).encode()
    with pytest.raises(SheetError, match="pattern"):
        open_file(Path("p.log"), lines)
    mapping = BenchMapping({"log": {"pattern": "{time},S,{shot},{before}"}})
    reading = open_file(Path("p.log"), lines, Terms(mapping)).reading
    assert (reading.kind, reading.rows) == ("shots", 29)


def test_markup_that_is_no_table_is_refused():
    for name, text in (
        ("a.json", "[" * 100_000),
        ("b.json", '[{"module": "M1", "shots": {"a": 1}}]'),
        ("c.json", '[{"module": "M1", "slot": "igniter", "shots": NaN}]'),
        ("d.json", '[{"shots": 1' + "0" * 400 + "}]"),
        ("e.html", '<table><tr><td rowspan="2">module<td>shots</table>'),
        ("f.html", "<table></table>"),
    ):
        with pytest.raises(SheetError):
            open_file(Path(name), text.encode())


def serial_lines(shots=400, lost=(), reset_at=None):
    """A controller's log: a 32-bit clock in ms that wraps, converter counts, a reboot, torn lines."""
    out = ["Boot fw 1.2", "init ok"]
    for k in range(1, shots + 1):
        if k in lost:
            continue
        if k == reset_at:
            out += [f"SHOT {k}", "Brownout reset", "Boot fw 1.2"]
        miss = k in (50, 300)
        t = (2**32 - 100 * 3000 + k * 3000) % 2**32
        c = k - reset_at + 1 if reset_at and k >= reset_at else k
        out.append(
            f"[{t}] SHOT {c} Vb={3000 + k % 7} Va={2990 if miss else 60} Vign={2100 + k % 5}{' MISFIRE' if miss else ''}"
        )
    return "\n".join(out).encode()


def test_serial_log(tmp_path):
    data = serial_lines(lost=(20, 21, 22), reset_at=201)
    assert is_serial_log(data.decode())
    first = read_serial(Path("m7.log"), data)
    with pytest.raises(SheetError, match="converter"):
        first.parquet(agree=True)
    known = SerialSettings.parse(
        first.settings.answered(
            {"scale:volts": "0.4", "scale:time_s": "0.001", "module:name": "M7"}
        ).text()
    )
    log = read_serial(Path("m7.log"), data, known)
    assert not log.questions or all(not q.grave for q in log.questions)
    assert log.wraps == 1 and log.boots == 1 and log.unread == 1
    (tmp_path / "m7.parquet").write_bytes(log.parquet(agree=True))
    r = reduce_logs([tmp_path / "m7.parquet"])
    m = r.modules[0]
    # by construction: 400 shots commanded, 3 lines lost, misfires at 50 and 300 (99 as counted anew)
    assert (m.module, m.commanded, m.misfires, m.lost) == ("M7", 400, 2, 3)
    assert m.shots == 398
    assert m.rate_Hz == pytest.approx(1 / 3)
    assert m.ignition_V == pytest.approx(0.4 * 2102, abs=0.2)


def test_serial_flags_only():
    lines = "\n".join(f"pulse {k} {'misfire' if k in (7, 30) else 'ok'}" for k in range(1, 60))
    lines = lines.replace("ok", "").replace("pulse", "t 5 pulse")
    log = read_serial(Path("x.log"), lines.encode(), SerialSettings("pulse {shot}", module="M1"))
    rows = flagged_rows(log, "kite")
    assert [r["shots"] for r in rows] == [7, 30, 59] and rows[-1]["event"] == "end"


def test_serial_pattern_wanted():
    with pytest.raises(SheetError, match="pattern"):
        read_serial(Path("x.log"), b"no numbers here\nnor here\n")
    with pytest.raises(BadInput):
        read_serial(Path("x.log"), b"a 1\na 2\n", SerialSettings("no fields"))
    # a pattern of many fields on a long line of digits must not backtrack
    pattern = " ".join(f"{{f{i}}}" for i in range(40))
    with pytest.raises(SheetError):
        read_serial(
            Path("x.log"), (b"1 " * 39 + b"\n") * 50 + b"9" * 30_000, SerialSettings(pattern)
        )


def far_workbook():
    book = openpyxl.Workbook()
    book.active["A1"], book.active["XFD1048576"] = "builder", 1
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


HEAD = "builder,module,slot,shots_good,note\n"
COSTLY = {
    "far.xlsx": (far_workbook, "columns"),
    "wide_cell.csv": (lambda: (HEAD + "a,b,c,1," + "x" * 10**6 + "\n" + "a,b,c,1,\n" * 1000).encode(), "cell_chars"),
    "names.csv": (lambda: (",".join(f"n{i}" for i in range(40_000)) + "\n1\n").encode(), "columns"),
    "cells.csv": (lambda: (HEAD + "a,b,c,1,\n" * 1_000_100).encode(), "cells"),
    "quote.csv": (lambda: (HEAD + 'a,b,c,1,"' + "x\n" * 10**5).encode(), "cell_chars"),
}  # fmt: skip


@pytest.mark.parametrize("name", COSTLY)
@pytest.mark.parametrize("act", [read_contribution, propose])
def test_costly_files_are_refused_by_limit(name, act):
    make, limit = COSTLY[name]
    with pytest.raises(SheetError, match=f"limit {limit}"):
        read_apart(act, Path(name), make())


def test_limits_of_the_process():
    data = (HEAD + "kite,m,main_capacitor,100,\n" * 50_000).encode()
    with pytest.raises(SheetError, match="limit memory_bytes"):
        read_apart(read_sheet, Path("x.csv"), data, Limits(memory_bytes=150 << 20))
    slow = (HEAD + "a,,c,x,\n" * 300_000).encode()
    with pytest.raises(SheetError, match=r"limit (cpu|wall)_seconds"):
        read_apart(read_sheet, Path("x.csv"), slow, Limits(cpu_seconds=1))


def test_apart_gives_what_the_reader_gives():
    path = DEMO / "life_kite.csv"
    here, (there, notes) = read_sheet(path), read_apart(read_sheet, path)
    assert there.sha256 == here.sha256
    np.testing.assert_array_equal(there.records.shots_good, here.records.shots_good)
    p, _ = read_apart(propose, path)
    assert p.plain and p.sheet().sha256 == here.sha256
    assert all(n.code == "network_open" for n in notes)
    with pytest.raises(SheetError, match="empty"):
        read_apart(read_sheet, Path("x.csv"), b"")


def test_zip_metadata_is_bounded(tmp_path):
    from reliability.sheets.bundle import About, write_bundle

    records = read_sheet(DEMO / "life_kite.csv").records
    write_bundle(records, tmp_path / "x.zip", About("x", "CC0-1.0"))
    with zipfile.ZipFile(tmp_path / "x.zip") as z:
        files = {n: z.read(n) for n in z.namelist()}
    package = json.loads(files["datapackage.json"])
    package["licenses"][0]["name"] = "L" * 200_000
    files["datapackage.json"] = json.dumps(package).encode()
    with zipfile.ZipFile(tmp_path / "y.zip", "w", zipfile.ZIP_DEFLATED) as z:
        for name, content in files.items():
            z.writestr(name, content)
    with pytest.raises(SheetError, match="at most 300"):
        read_contribution(tmp_path / "y.zip")
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        for i in range(3):
            z.writestr(f"f{i}", b"\0" * (LIMITS.unpacked_bytes // 3 + 10))
    with pytest.raises(SheetError, match="unpacks"):
        read_contribution(Path("x.zip"), out.getvalue())


def test_plain_text():
    assert for_terminal("a\x1b]0;owned\x07b\u202ec") == "a\\x1b]0;owned\\x07b\\u202ec"
    assert for_terminal("läuft\n\tok") == "läuft\n\tok"
    assert bounded("a\r\n\x1b[31mb" + "x" * 999, 20) == "a [31mb" + "x" * 12 + "\u2026"


def life(**columns):
    n = len(next(iter(columns.values())))
    shots = columns.pop("shots", np.arange(n) * 317.0 + 1234)
    base = {
        "builder": ["b"] * n,
        "module": ["m"] * n,
        "slot": ["main_capacitor"] * n,
        "unit": [str(i) for i in range(n)],
    }
    return LifeRecords.of(
        shots,
        np.full(n, np.inf),
        **base,
        covariates={k: np.array(v, float) for k, v in columns.items()},
    )


def graves(records):
    return {f.code for f in doubts(records) if f.severity == "grave"}


def test_doubts():
    sound = life(
        charge_V=[1200, 1300, 1400], capacitance_uF=[0.5, 0.5, 0.5], energy_J=[0.36, 0.42, 0.49]
    )
    assert graves(sound) == set()
    assert "range_charge_V" in graves(life(charge_V=[1.2, 1.3, 1.4]))
    assert "range_capacitance_uF" in graves(life(capacitance_uF=[5e-7, 5e-7]))
    # 470 uF at 1,200 V hold 338 J (C V^2 / 2), a bank of 470 nF 0.338 J
    assert "energy_contradicts" in graves(
        life(charge_V=[1200.0] * 3, capacitance_uF=[470.0] * 3, energy_J=[0.34] * 3)
    )
    assert "jump_charge_V" in graves(life(charge_V=[1.2, 1.25, 1200, 1250, 1300]))
    assert "decimals_in_counts" in graves(life(shots=np.array([4.12, 3.998, 12.4])))
    assert "jump_shots" in graves(life(shots=np.array([4.0, 5.0, 4100.0, 5200.0, 3900.0])))
    twice = life(shots=np.array([100.0, 200.0]))
    both = LifeRecords.of(
        [100, 200, 100, 200],
        [np.inf] * 4,
        builder=["b"] * 4,
        module=["m"] * 4,
        slot=["main_capacitor"] * 4,
        unit=["0", "1"] * 2,
    )
    assert "all_twice" not in graves(twice) and "all_twice" in graves(both)
    scatter = {f.code for f in doubts(life(temp_C=[21.3, 22.0, 23.1, 24.4, 22.6]))}
    assert scatter == {"temp_scatter", "no_part"}  # the records name no part either


HEADER = "builder,module,slot,unit,shots,status,charge_V\n"


def test_doubts_block_until_answered():
    text = HEADER + "kite,m,main_capacitor,a,4120,ok,1.2\nkite,m,main_capacitor,b,3998,short,1.25\n"
    p = propose(Path("x.csv"), text.encode())
    (q,) = p.open
    assert q.id.startswith("agreed:range_charge_V")
    with pytest.raises(SheetError, match="outside"):
        p.sheet(agree=True)
    done = p.answered({q.id: "yes"})
    assert len(done.sheet(agree=True).records) == 2
    # agreed for these bytes only: the next file with the same doubt is asked about again
    again = propose(
        Path("y.csv"),
        text.replace("4120", "4130").encode(),
        parse_bench_mapping(done.mapping_text()),
    )
    assert again.open


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("kite,m,main_capacitor,a,4120,perhaps,1200\n", "perhaps"),
        ("kite,m,main_capacitor,a,4120,,1200\n", "empty"),
        ("kite,m,main_capacitor,a,4x20,ok,1200\n", "not a number"),
        ("kite,m,main_capacitor,a,4120,ok,1,2\n", "8 cells"),
        ("kite,m,main_capacitor,a,4.120,ok,1200\nkite,m,main_capacitor,b,5.230,ok,1200\n", "4120"),
        ("kite,m,elbow,a,4120,ok,1200\n", "elbow"),
        ("kite,m,main_capacitor,a,4120,ok,12 A\n", "not a number"),
    ],
)
def test_never_guessed(rows, said):
    with pytest.raises(SheetError, match=said):
        propose(Path("x.csv"), (HEADER + rows).encode()).sheet(agree=True)


def test_misfires_of_many_systems_in_linear_time():
    from reliability.sheets.table import Table

    n = 30_000
    columns = {
        "builder": ["kite"] * n, "module": [f"m{i}" for i in range(n)], "slot": ["igniter"] * n, "unit": [""] * n,
        "shots": ["100"] * n, "event": ["end"] * n,
    }  # fmt: skip
    assert misfires_from_table(Table("x.csv", columns, n)).systems.size == n


def test_bench_files_script_writes(tmp_path):
    make_bench_files(tmp_path)
    assert (tmp_path / "expected.json").stat().st_size > 1000


def named(units, modules=None, slot="main_capacitor", **columns):
    n = len(units)
    return LifeRecords.of(
        [1000.0 + k for k in range(n)],
        [np.inf] * n,
        builder=["kite"] * n,
        module=modules or ["m"] * n,
        slot=[slot] * n,
        unit=units,
        **columns,
    )


@pytest.mark.parametrize("other", ["Cap-7", "cap_7", "cap 7", "CAP7", "cap--7", "\uff43ap-7"])
def test_units_that_differ_only_in_writing_are_asked_about(other):
    """One capacitor under two spellings counts twice: common slips of hand-kept sheets, no source."""
    found = [f for f in doubts(named(["cap-7", "cap-8", other])) if f.code == "spelt_unit"]
    assert [f.severity for f in found] == ["grave"] and found[0].rows == (4,)
    assert "'cap-7'" in found[0].text
    # of another builder's or slot's parts nothing is said
    r = named(["cap-7", other])
    apart = replace(r, slot=np.array(["main_capacitor", "igniter"], object))
    assert "spelt_unit" not in {f.code for f in doubts(apart)}


def test_names_that_are_two():
    r = named(["1-1", "11", "a-1", "a-2", "cap-7", "cap-7"], ["m1", "m2", "m3", "m4", "m5", "m6"])
    assert not any(f.code.startswith("spelt") for f in doubts(r))
    assert "spelt_module" in graves(named(["a", "b"], ["M-1", "m1"]))
    parts = doubts(named(["a", "b"], part=["Film A", "film-a"]))
    assert [f.severity for f in parts if f.code == "spelt_part"] == ["doubt"]


def test_spelt_another_way_than_what_is_stored():
    found = findings(named(["Cap 7", "cap-9"]), named(["cap-7", "cap-8", "cap-9"]))
    assert [(f.severity, f.rows) for f in found if f.code == "spelt_unit"] == [("doubt", (2,))]


def withdrawn(at, died=(500.0, 500.0), dead_slot="main_capacitor", dead_module="m1"):
    return LifeRecords.of(
        [died[0], at],
        [died[1], np.inf],
        builder=["kite"] * 2,
        module=[dead_module, "m2"],
        slot=[dead_slot, "main_capacitor"],
        unit=["a", "b"],
        part=["x"] * 2,
        mode=["short", ""],
        removed=["", "failure"],
    )


@pytest.mark.parametrize(
    ("records", "doubted"),
    [
        (withdrawn(500.0), False),
        (withdrawn(700.0), True),
        (withdrawn(450.0, (400.0, 500.0)), False),
        (withdrawn(300.0, (400.0, 500.0)), True),
        # another slot's failure withdraws what sits in the same module only
        (withdrawn(500.0, dead_slot="igniter"), True),
        (withdrawn(500.0, dead_slot="igniter", dead_module="m2"), False),
        (withdrawn(700.0, dead_slot="igniter", dead_module="m2"), True),
    ],
)
def test_withdrawn_at_a_failure_that_is_nowhere(records, doubted):
    found = [f for f in doubts(records) if f.code == "withdrawn_at_nothing"]
    assert [f.rows for f in found] == ([(3,)] if doubted else [])


@pytest.mark.parametrize(
    ("header", "column"),
    [
        ("Rated [kV]", "rated_V"), ("Shot rat [Hz]", "rate_Hz"), ("Shot rat [kV]", "extra"),
        ("Capacitanse [nF]", "capacitance_uF"), ("Capacitanse [kV]", "extra"), ("Temprature [C]", "temp_C"),
    ],
)  # fmt: skip
def test_a_near_name_is_none_where_the_unit_speaks_against_it(header, column):
    """A rated voltage in kV was read as a rate in Hz, since the two words are near."""
    assert header_of(header).column == column
