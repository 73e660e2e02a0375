"""How long it takes to publish, by the commands as a user runs them; each site is built twice to see that the
bytes are the same.

python -m tests.benchmarks.publish [--demo] [--large STORE]

--demo leaves the large pool out: 500 contributions of 200 records each. --large keeps its store, or takes the
one that is there: giving 500 bundles takes minutes and is not what is measured.
"""

import argparse
import csv
import hashlib
import os
import resource
import tempfile
import time
from pathlib import Path

import frictionless
import numpy as np
import openpyxl

from reliability.ask.giving import give, look
from reliability.ask.sources import Stored
from reliability.records import LifeRecords
from reliability.sheets.bundle import About, bundle_files, zipped
from tests.command import ROOT, run

CONTRIBUTIONS, EACH = 500, 200


def bundle(number: int) -> bytes:
    """A builder's bundle of invented lives: one slot, three voltages, life ~ V^-7."""
    rng = np.random.default_rng(number)
    volts = rng.choice([1200.0, 1400.0, 1600.0], EACH)
    life = 4000 * rng.lognormal(0, 0.1) * (volts / 1400) ** -7 * rng.weibull(2, EACH)
    good = np.minimum(life, 3500.0).round() + 1
    records = LifeRecords.of(
        good, np.where(life <= 3500, good, np.inf), builder=[f"b{number:03d}"] * EACH,
        module=[f"m{i}" for i in range(EACH)], slot=["main_capacitor"] * EACH, part=["film-a"] * EACH,
        unit=[f"u{i}" for i in range(EACH)], mode=["short"] * EACH,
        covariates={"charge_V": volts, "rated_V": np.full(EACH, 2000.0), "capacitance_uF": np.ones(EACH)},
    )  # fmt: skip
    about = About(f"b{number:03d}", "CC-BY-4.0", f"Invented lives of b{number:03d}", created="2026-01-02")  # fmt: skip
    return zipped(bundle_files(records, about))


def large(store: Path) -> None:
    """A store of many bundles."""
    for i in range(CONTRIBUTIONS):
        give(Stored(store), look(Path(f"b{i:03d}.zip"), bundle(i)))


def three_commands(folder: Path) -> None:
    """From a builder's workbook to a validated bundle and a site: each command's wall time, and the whole."""
    book = openpyxl.Workbook()
    for row in csv.reader((ROOT / "datasets" / "demo" / "life_moss.csv").open()):
        book.active.append([float(c) if c.replace(".", "", 1).isdigit() else c or None for c in row])  # fmt: skip
    book.save(folder / "moss.xlsx")
    day = ("--created", "2026-01-02")
    commands = (
        ("check", folder / "moss.xlsx"),
        ("bundle", "--from", folder / "moss.xlsx", "--to", folder / "moss.zip", "--name", "moss", "--licence", "CC-BY-4.0", *day),
        ("publish", folder / "moss", "--from", folder / "moss.zip"),
    )  # fmt: skip
    taken = []
    for command in commands:
        began = time.perf_counter()
        run(*command)
        taken.append(time.perf_counter() - began)
    report = frictionless.validate(str(folder / "moss.zip"), type="package")
    told = ", ".join(f"{c[0]} {t:.1f} s" for c, t in zip(commands, taken, strict=True))
    print(
        f"workbook to site by three commands: {sum(taken):.1f} s ({told}, load {os.getloadavg()[0]:.1f}); bundle "
        f"{'valid' if report.valid else 'NOT VALID'}", flush=True,
    )  # fmt: skip


def digest(folder: Path) -> str:
    """Hash of a whole folder."""
    h = hashlib.sha256()
    for p in sorted(folder.rglob("*")):
        if p.is_file():
            h.update(str(p.relative_to(folder)).encode() + p.read_bytes())
    return h.hexdigest()


def published(what: str, store: Path, folder: Path) -> None:
    """Publish twice, and print wall and processor time of the first, sizes, and whether the bytes agree."""
    began, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    out = run("publish", folder / "a", store=store).stdout.splitlines()[0]
    wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    run("publish", folder / "b", store=store)
    pages = sum(p.stat().st_size for p in (folder / "a").rglob("*") if "data" not in p.parts and p.is_file())  # fmt: skip
    same = "same bytes" if digest(folder / "a") == digest(folder / "b") else "OTHER BYTES"
    load = os.getloadavg()[0]
    print(
        f"{what}: {wall:.1f} s ({cpu:.1f} s of processor, load {load:.1f}); {pages / 1e6:.1f} MB without downloads; {same}"
    )
    print(f"  {out.partition(': ')[2][:120]}", flush=True)


def main() -> None:
    """Print the times and sizes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--demo", action="store_true")
    parser.add_argument("--large", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        three_commands(folder)
        run("demo", store=folder / "demo.duckdb")
        published("demo", folder / "demo.duckdb", folder / "demo")
        if asked.demo:
            return
        store = asked.large or folder / "large.duckdb"
        if not store.exists():
            began = time.perf_counter()
            large(store)
            print(f"{CONTRIBUTIONS} bundles added in {time.perf_counter() - began:.1f} s", flush=True)  # fmt: skip
        published(f"{CONTRIBUTIONS} x {EACH} records", store, folder / "large")


if __name__ == "__main__":
    main()
