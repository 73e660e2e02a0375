"""At least 100,000 hostile inputs: every one refused in words or read whole; nothing half stored.

    python tests/benchmarks/hostile.py [--inputs 100000] [--seed 1]

Sound sheets, bundles and shot-log headers are damaged at random (bytes, cells, rows, columns, numbers
that are none, huge or odd texts, encodings, broken archives and workbooks). Allowed outcomes are a
sheet that is sound, or SheetError with faults that name the file. One in 200 also goes to the store:
a refused one must leave it as it was.
"""

import argparse
import collections
import io
import random
import tempfile
import time
import zipfile
from pathlib import Path

from reliability.filters import choose
from reliability.notes import BadInput
from reliability.sheets.bundle import About, write_bundle
from reliability.sheets.life import read_life
from reliability.sheets.mapping import parse_mapping
from reliability.sheets.side import read_contribution
from reliability.sheets.table import SheetError
from reliability.sheets.write import write_life
from reliability.store import Store
from reliability.store.intake import take_in

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
    return out


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
    rows = [line.split(",") for line in data.decode().splitlines()]
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


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--inputs", type=int, default=100_000)
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    rng = random.Random(a.seed)
    seen = collections.Counter()
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        sound = bases(Path(folder))
        box = Store(Path(folder) / "s.duckdb")
        take_in(box, Path("first.csv"), sound["life_kite.csv"], status="accepted")
        names = list(sound)
        records = box.records()
        for k in range(a.inputs):
            name = rng.choice(names)
            data = sound[name]
            if name.endswith(".csv"):
                data = damage_cells(rng, data) if rng.random() < 0.6 else damage_bytes(rng, data)
            elif name.endswith(".zip") and rng.random() < 0.6:
                data = damage_zip(rng, data)
            else:
                data = damage_bytes(rng, data)
            if rng.random() < 0.05:
                name = rng.choice(names)
            refused = False
            try:
                read_contribution(Path(name), data)
                seen["sound"] += 1
            except SheetError as e:
                refused = True
                seen["refused"] += 1
                assert e.faults and all(f.file and f.message for f in e.faults)
            if k % 200 == 0:
                before = box.state()
                try:
                    take_in(box, Path(name), data, status="received")
                except SheetError:
                    assert refused
                    assert box.state() == before, "something was stored of a refused file"
                seen["to the store"] += 1
            if k % 10 == 0:
                text = rng.choice(ODD) + rng.choice(("=", "<=", "!=", "")) + rng.choice(ODD)
                for act in (
                    lambda text=text: choose(records, conditions=[text]),
                    lambda text=text: parse_mapping((text,)),
                ):
                    try:
                        act()
                        seen["filters and mappings taken"] += 1
                    except BadInput:
                        seen["filters and mappings refused"] += 1
    print(f"{a.inputs:,} files in {time.monotonic() - began:.0f} s: {dict(seen)}; no other outcome")


if __name__ == "__main__":
    main()
