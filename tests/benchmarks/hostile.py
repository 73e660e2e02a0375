"""Hostile files at the door, for crash and for cost: what held, time and memory for each; nothing stored.

    python -m tests.benchmarks.hostile [--inputs 100000] [--apart 200] [--seed 1]

Files made to be dear, each also in a reader of its own that measures its memory (far cells, giant cells, many names, zip bombs, deep JSON, patterns that backtrack), and
sound ones damaged at random (bytes, cells, rows, numbers that are none, odd texts, encodings, broken archives
and workbooks). The dear ones, and ``--apart`` damaged ones, go the whole way of an upload (``ask/giving``): read
in the short-lived process, agreed with as far as that goes, given if they are sound; none may take 10 s or
1 GiB, and the store must be as before after each that is refused. ``--inputs`` more, damaged and swollen,
go through one process with the same limits that reads them one by one, since a process each would take
days: it can write no file, so that nothing of theirs can be stored. A sheet that is sound, questions, or
faults that name the file may come out, nothing else.
"""

import argparse
import collections
import io
import multiprocessing
import random
import tempfile
import time
import zipfile
from pathlib import Path

from reliability.ask.giving import Terms, give_bytes
from reliability.ask.sources import Stored
from reliability.filters import choose
from reliability.notes import BadInput
from reliability.sheets.bench.mapping import parse_columns
from reliability.sheets.bundle import About, write_bundle
from reliability.sheets.life import read_life
from reliability.sheets.limits import LIMITS
from reliability.sheets.side import read_sheet
from reliability.sheets.table import SheetError
from reliability.sheets.write import write_life
from reliability.store import Store
from reliability.store.intake import put
from tests.bench_files.make_bench_files import made
from tests.benchmarks.one_reader import Reader

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
ODD = [
    "", " ", "-1", "1e999", "nan", "inf", "-inf", "1_000", "1,5", "0x10", "٣", "½", "'", '"', "=1+1", "@SUM(A1)", "-2+3",
    "<script>alert(1)</script>", "'; DROP TABLE life_record; --", "../../etc/passwd", "a" * 600, "\u202e", "\ufeff", "\x0b", "\x1b[31m",
    "💥", "1e-320", "9" * 400, "TRUE", "None", "NULL", "{}", "[1]", "%s%n", "${jndi:x}", "\r", "a\nb", "0", "1e15", "2e308",
]  # fmt: skip


def bases(folder):
    """Sound files of every kind, small."""
    out = {}
    for name in ("life_kite.csv", "wear.csv", "misfires.csv", "ignition.csv"):
        out[name] = b"\n".join((DEMO / name).read_bytes().split(b"\n")[:25]) + b"\n"
    records = read_life(Path("life_kite.csv"), out["life_kite.csv"]).records
    write_life(records, folder / "x.parquet")
    out["x.parquet"] = (folder / "x.parquet").read_bytes()
    write_bundle(records, folder / "x.zip", About("x", "CC0-1.0"), {"wear.csv": out["wear.csv"]})
    out["x.zip"] = (folder / "x.zip").read_bytes()
    import openpyxl

    book = openpyxl.Workbook()
    for line in out["life_kite.csv"].decode().splitlines():
        book.active.append(line.split(","))
    book.save(folder / "x.xlsx")
    out["x.xlsx"] = (folder / "x.xlsx").read_bytes()
    out["boots.log"] = b"boot v1\n".join(
        b"".join(b"[%d] SHOT n=%d V=0x4B%X\n" % (3000 * i, i, i % 8) for i in range(1, 20))
        for _ in range(2)
    )
    out["records.jsonl"] = (
        b'{"module": "M1", "slot": "igniter", "shots": 412, "status": "ok"}\n' * 9
    )
    out["page.html"] = b"<table>%s</table>" % (
        b"<tr><td>module<td>slot<td>shots<td>status" + b"<tr><td>M1<td>igniter<td>412<td>ok" * 9
    )
    return out | {name: data for name, data, *_ in made()}


def damage_bytes(rng, data):
    data = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 8))):
        at = rng.randrange(len(data) + 1)
        what = rng.randrange(5)
        if what == 0 and data:
            data[min(at, len(data) - 1)] = rng.randrange(256)
        elif what == 1:
            data[at:at] = rng.randbytes(rng.choice((1, 3, 40)))
        elif what == 2:
            del data[at : at + rng.choice((1, 5, 200))]
        elif what == 3:
            data = data[:at]
        else:
            data[at:at] = data[:at][-rng.choice((1, 30, 300)) :]
    return bytes(data)


def damage_cells(rng, data):
    rows = [line.split(",") for line in data.decode(errors="replace").splitlines()] or [[""]]
    for _ in range(rng.choice((1, 1, 2, 5))):
        i = rng.randrange(len(rows))
        j = rng.randrange(len(rows[i])) if rows[i] else 0
        what = rng.randrange(7)
        if what <= 2 and rows[i]:
            rows[i][j] = rng.choice(ODD)
        elif what == 3:
            rows[i].insert(j, rng.choice(ODD))
        elif what == 4 and rows[i]:
            del rows[i][j]
        elif what == 5:
            rows.insert(i, list(rows[rng.randrange(len(rows))]))
        else:
            rows[i] = [rng.choice(ODD) for _ in rows[i]]
    text = rng.choice("\n\n\n\r").join(rng.choice(",,,,;").join(r) for r in rows)
    return text.encode(rng.choice(("utf-8", "utf-8", "utf-8", "utf-16", "latin-1")), "replace")


def damage_zip(rng, data):
    """The same archive with other names, a changed or missing part."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as z,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as w,
    ):
        for name in z.namelist():
            content = z.read(name)
            what = rng.randrange(6)
            if what == 0:
                continue
            if what == 1:
                content = damage_bytes(rng, content)
            if what == 2:
                name = rng.choice(
                    ("../" + name, "/" + name, "a/" + name, "C:" + name, name.upper(), "x")
                )
            w.writestr(name, content)
    return out.getvalue()


HEAD = "builder,module,slot,shots_good,note\n"
SOUND = HEAD + "kite,m,main_capacitor,100,\n"


def part(cells, dimension="A1:B2"):
    """A workbook whose sheet has this XML in its rows."""
    import openpyxl

    out = io.BytesIO()
    openpyxl.Workbook().save(out)
    done = io.BytesIO()
    with zipfile.ZipFile(out) as z, zipfile.ZipFile(done, "w", zipfile.ZIP_DEFLATED) as w:
        for name in z.namelist():
            content = z.read(name)
            if name.endswith("sheet1.xml"):
                ns = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
                content = f'<worksheet xmlns="{ns}"><dimension ref="{dimension}"/><sheetData>{cells}</sheetData></worksheet>'.encode()
            w.writestr(name, content)
    return done.getvalue()


def archive(**files):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        for name, content in files.items():
            z.writestr(name.replace("__", "."), content)
    return out.getvalue()


def dear():
    """Names and makers of files made to be dear."""
    far = '<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    yield "far.xlsx", lambda: part(far)
    yield (
        "far_spaced.xlsx",
        lambda: part(far.replace(' r="X', "\n r = 'X").replace('576"><v>', "576'><v>")),
    )
    yield "far_lowercase.xlsx", lambda: part(far.replace("XFD", "xfd"))
    yield "far_entity.xlsx", lambda: part(far.replace("XFD", "&#88;FD"))
    yield "far_row.xlsx", lambda: part('<row r="1048576"><c><v>1</v></c></row>')
    yield (
        "far_dimension.xlsx",
        lambda: part('<row r="1"><c r="A1"><v>1</v></c></row>', "A1:XFD1048576"),
    )
    yield "bomb.xlsx", lambda: archive(xl_x=b"0" * (300 << 20))
    yield (
        "many_rows.xlsx",
        lambda: part(
            "".join(f'<row r="{i}"><c r="A{i}"><v>1</v></c></row>' for i in range(1, 400_000))
        ),
    )
    yield (
        "wide_cell.csv",
        lambda: (HEAD + "a,b,c,1," + "x" * 10**6 + "\n" + "a,b,c,1,\n" * 1000).encode(),
    )
    yield (
        "long_number.csv",
        lambda: (HEAD + "a,b,c," + "1" * 30_000 + ",\n" + "a,b,c,1,\n" * 10_000).encode(),
    )
    yield "names.csv", lambda: (",".join(f"n{i}" for i in range(40_000)) + "\n").encode()
    yield (
        "odd_names.csv",
        lambda: (
            ",".join(f"Shot cuont {i}" for i in range(999)) + "\n" + "1," * 998 + "1\n"
        ).encode(),
    )
    yield (
        "odd_heads.csv",
        lambda: "".join(
            ",".join(f"chrage voltge {i} {j}" for j in range(300)) + "\n" for i in range(200)
        ).encode(),
    )
    yield "cells.csv", lambda: (HEAD + "a,b,c,1,\n" * 1_000_100).encode()
    yield "faults.csv", lambda: (HEAD + "a,,c,x,\n" * 300_000).encode()
    yield (
        "slots.csv",
        lambda: (HEAD + "".join(f"a,b,main cap{i},1,\n" for i in range(40_000))).encode(),
    )
    yield (
        "states.csv",
        lambda: (
            "module,slot,shots,status\n" + "".join(f"m,igniter,1,shrot{i}\n" for i in range(40_000))
        ).encode(),
    )
    yield "commas.csv", lambda: b"," * 5_000_000
    yield "lines.csv", lambda: b"\n" * 5_000_000
    yield "quote.csv", lambda: (HEAD + 'a,b,c,1,"' + "x\n" * 10**6).encode()
    yield "spaces.txt", lambda: (b"module  shots  status\n" + b" " * 30_000 + b"x\n") * 200
    yield (
        "digits.csv",
        lambda: ("module,slot,shots\n" + ("m,igniter," + "1 234" * 6_000 + "\n") * 500).encode(),
    )
    yield (
        "brackets.csv",
        lambda: (
            ",".join("[(" * 40 + str(i) for i in range(900)) + "\n" + "1," * 899 + "1\n"
        ).encode(),
    )
    yield "bomb.zip", lambda: archive(datapackage__json=b"0" * (300 << 20))
    yield "deep.zip", lambda: archive(datapackage__json=b"[" * 900_000, life__csv=SOUND)
    licence = '{"resources":[{"path":"life.csv"}],"licenses":[{"name":"' + "L" * (20 << 20) + '"}]}'
    yield "licence.zip", lambda: archive(datapackage__json=licence, life__csv=SOUND)
    yield "dictionary.parquet", giant_parquet


def giant_parquet():
    """A few kilobytes of Parquet that unpack to gigabytes."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    out = io.BytesIO()
    text = pa.DictionaryArray.from_arrays(
        pa.array([0] * 900_000, pa.int32()), pa.array(["x" * 30_000])
    )
    pq.write_table(pa.table({"builder": text}), out)
    return out.getvalue()


def one(name, data, box):
    """One file given to the store by a process of its own: seconds, and what became of it; refused ones leave no trace."""
    before = box.path.read_bytes()
    with multiprocessing.get_context("fork").Pool(1) as pool:
        seconds, given, said = pool.apply(upload, (name, data, box))
    if not given:
        assert box.path.read_bytes() == before, "something was stored"
        assert [p.name for p in box.path.parent.iterdir()] == [box.path.name], (
            "something lies there"
        )
    return seconds, said


def upload(name, data, box):
    """Seconds, whether it was given, and the words that refused it."""
    began = time.monotonic()
    given, said = False, ""
    try:
        give_bytes(Stored(box.path), Path(name), data, terms=Terms(agree=True))
        given, said = True, "sound"
    except SheetError as e:
        assert e.faults and all(f.file and f.message for f in e.faults)
        said = str(e.faults[0].message)[:80]
    except BadInput as e:
        said = str(e)[:80]
    return time.monotonic() - began, given, said


def memory_of(name, data):
    """Most memory in MiB of a reader that does nothing but this file; 1 GiB where it was killed at a limit."""
    reader = Reader()
    _, said = reader.read(name, data)
    reader.end()
    return LIMITS.memory_bytes / 2**20 if said in ("killed", "late") else reader.most


def cost(apart, seed, folder, sound):
    """Every dear file, and damaged ones, the whole way; prints each dear one, and the dearest of all."""
    rng = random.Random(seed)
    box = Store(folder / "store" / "s.duckdb")
    put(box, read_sheet(DEMO / "life_kite.csv"))
    longest, most, seen = (0.0, ""), (0.0, ""), collections.Counter()
    for name, make in dear():
        data = make()
        seconds, said = one(name, data, box)
        memory = memory_of(name, data)
        print(
            f"{seconds:6.2f} s {memory:5.0f} MiB  {name} ({len(data):,} bytes): {said}", flush=True
        )
        longest, most = max(longest, (seconds, name)), max(most, (memory, name))
    for _ in range(apart):
        name = rng.choice(list(sound))
        seconds, said = one(name, damaged(rng, name, sound[name]), box)
        seen["given" if said == "sound" else "refused, or asked about"] += 1
        longest = max(longest, (seconds, name))
    print(f"damaged, in a process each: {dict(seen)}")
    print(
        f"longest {longest[0]:.1f} s ({longest[1]}), most memory of a reader {most[0]:.0f} MiB ({most[1]})"
    )
    assert longest[0] < 10 and 20 < most[0] <= 1024


def damaged(rng, name, data):
    """A sound file damaged at random."""
    if name.endswith(".csv") and rng.random() < 0.6:
        return damage_cells(rng, data)
    if name.endswith(".zip") and rng.random() < 0.6:
        return damage_zip(rng, data)
    return damage_bytes(rng, data)


def swollen(rng, data):
    """A file grown: one line, one cell or one piece of it many times over."""
    room = rng.choice((2_000, 2_000, 20_000, 100_000))
    what = rng.randrange(4)
    if what == 0:
        lines = data.split(b"\n")
        at = rng.randrange(len(lines))
        lines[at:at] = [lines[at]] * (room // (len(lines[at]) + 1))
        return b"\n".join(lines)
    at = rng.randrange(len(data))
    if what == 1:
        piece = data[at : at + rng.choice((1, 2, 7, 40))]
    elif what == 2:
        piece = rng.choice(ODD).encode("utf-8", "surrogatepass") or b","
    else:
        piece = rng.choice(
            (
                b"<table>",
                b"[",
                b'{"a":',
                b"<td>",
                b'"',
                b"(",
                b" ",
                b"0x",
                b"-",
                b"1-",
                b"1,000",
                b"\xff\x00",
            )
        )
    return data[:at] + piece * (room // len(piece)) + data[at:]


def sample(rng, sound):
    """A damaged file, one in five swollen and one in twenty under another's name."""
    names = list(sound)
    name = rng.choice(names)
    data = damaged(rng, name, sound[name])
    if data and rng.random() < 0.2:
        data = swollen(rng, data)
    return (rng.choice(names) if rng.random() < 0.05 else name), data


def batches(inputs, seed, sound):
    """Damaged and swollen files through one limited process; counts, longest, most memory; what broke is shown."""
    rng = random.Random(seed + 1)
    reader = Reader()
    seen, broke, times = collections.Counter(), [], []
    for k in range(inputs):
        if k and k % 5000 == 0:  # a run that is ended before its time has said what it saw
            print(
                f"{k:,} files: {dict(seen)}; longest {max(times)[0]:.2f} s; "
                f"most memory {reader.most:.0f} MiB; started {reader.started} times",
                flush=True,
            )
        name, data = sample(rng, sound)
        seconds, said = reader.read(name, data)
        times.append((seconds, name, len(data)))
        if said.startswith(("broke", "fault")):
            broke.append((name, said))
            said = "broke"
        seen[said] += 1
    reader.end()
    times.sort(reverse=True)
    print(f"through one limited process (started {reader.started} times): {dict(seen)}")
    middle = times[len(times) // 2][0] if times else 0.0
    print(
        f"median {middle * 1000:.1f} ms; longest {[(round(t, 2), n, size) for t, n, size in times[:3]]}; most memory {reader.most:.0f} MiB"
    )
    for name, said in broke[:20]:
        print(f"BROKE {name}: {said}")
    assert times[0][0] < 10 and reader.most < 1024
    # more would mean that the reader itself does not hold, and that nothing was tried
    assert seen["killed"] + seen["late"] <= inputs / 100
    return len(broke)


def filters(inputs, seed):
    """Odd texts as filters and as named columns: taken or refused in words."""
    rng = random.Random(seed + 2)
    records = read_sheet(DEMO / "life_kite.csv").records
    seen = collections.Counter()
    for _ in range(inputs):
        text = rng.choice(ODD) + rng.choice(("=", "<=", "!=", "")) + rng.choice(ODD)
        for act in (
            lambda text=text: choose(records, conditions=[text]),
            lambda text=text: parse_columns((text,)),
        ):
            try:
                act()
                seen["taken"] += 1
            except BadInput:
                seen["refused"] += 1
    print(f"filters and named columns: {dict(seen)}")


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--inputs", type=int, default=100_000)
    p.add_argument("--apart", type=int, default=200)
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        sound = bases(Path(folder))
        cost(a.apart, a.seed, Path(folder), sound)
        filters(a.inputs // 10, a.seed)
        began = time.monotonic()
        broke = batches(a.inputs, a.seed, sound)
    print(f"{a.inputs:,} files in {time.monotonic() - began:.0f} s; {broke} broke")
    raise SystemExit(1 if broke else 0)


if __name__ == "__main__":
    main()
