"""How long it takes to publish: the demo community, and a pool of 500 contributions of 200 records each, by the
command as a user runs it, and once more to see that the bytes are the same: python -m tests.benchmarks.publish"""

import hashlib
import os
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from reliability.ask.giving import give, look
from reliability.ask.sources import Stored
from reliability.records import LifeRecords
from reliability.sheets.bundle import About, bundle_files, zipped
from tests.command import run

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
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run("demo", store=folder / "demo.duckdb")
        published("demo", folder / "demo.duckdb", folder / "demo")
        if "--demo" in sys.argv:
            return
        began = time.perf_counter()
        large(folder / "large.duckdb")
        print(f"{CONTRIBUTIONS} bundles added in {time.perf_counter() - began:.1f} s", flush=True)
        published(f"{CONTRIBUTIONS} x {EACH} records", folder / "large.duckdb", folder / "large")


if __name__ == "__main__":
    main()
