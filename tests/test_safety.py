"""The store under bad luck: full disk, damage, kills, many at once; backups that can be relied on."""

import os
import random
import resource
import signal
import subprocess
import sys
import threading
import time
import zipfile
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient

from reliability.access import Access, save_access, with_token
from reliability.api.routes import api_routes
from reliability.ask.sources import Stored
from reliability.store import Store, StoreError
from reliability.store.backup import make_backup, read_backup, restore
from reliability.store.demo import load_demo
from tests.command import ROOT, run

DEMO = ROOT / "datasets" / "demo"


@pytest.fixture
def box(tmp_path):
    b = Store(tmp_path / "store" / "s.duckdb")
    load_demo(b)
    return b


def test_full_disk_is_said_in_words_and_stores_nothing(box, tmp_path):
    """A limit on file size stands in for a full disk: the write fails half way."""
    sheet = tmp_path / "big.csv"
    rows = "\n".join(f"kite,m{i},igniter,{i + 1}" for i in range(60_000))
    sheet.write_text("builder,module,slot,shots_good\n" + rows + "\n")
    before = box.contributions()
    limit = box.path.stat().st_size + 100_000

    def small():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    p = subprocess.run(
        [sys.executable, "-m", "reliability.cli", "add", str(sheet), "--store", str(box.path)],
        capture_output=True, text=True, cwd=ROOT, preexec_fn=small,
    )  # fmt: skip
    assert p.returncode == 2
    assert "could not be used" in p.stderr and "Traceback" not in p.stderr
    assert box.contributions() == before
    assert "added" in run("add", sheet, store=box.path).stdout


@pytest.mark.parametrize("place", ["/proc/x/s.duckdb", "/sys/s.duckdb"])
def test_folder_that_cannot_be_written(place):
    p = run("add", DEMO / "life_kite.csv", store=place, code=2)
    assert "Error:" in p.stderr


def test_damaged_store_is_said_in_words(box):
    """Bytes overwritten at random: an answer or words, never a traceback."""
    rng = random.Random(4)
    whole = box.path.read_bytes()
    said = 0
    for _ in range(12):
        data = bytearray(whole)
        at = rng.randrange(len(data) - 4000)
        data[at : at + 4000] = rng.randbytes(4000)
        box.path.write_bytes(data)
        try:
            box.records()
            box.bundle_files()
        except StoreError as e:
            assert str(box.path) in str(e)
            said += 1
    assert said


def test_killed_add_leaves_nothing_half_done(tmp_path):
    """SIGKILL at random moments (tests/benchmarks/kill.py does it 200 times)."""
    sheet, box = tmp_path / "x.csv", Store(tmp_path / "s.duckdb")
    rng = random.Random(2)
    for k in range(6):
        rows = "\n".join(f"kite,m{k}-{i},igniter,{i + 1}" for i in range(5000))
        sheet.write_text("builder,module,slot,shots_good\n" + rows + "\n")
        child = subprocess.Popen(
            [sys.executable, "-m", "reliability.cli", "add", str(sheet), "--store", str(box.path)],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=ROOT, start_new_session=True,
        )  # fmt: skip
        try:
            child.wait(rng.uniform(0.4, 1.6))
        except subprocess.TimeoutExpired:
            os.killpg(child.pid, signal.SIGKILL)
        child.communicate()
        if box.exists:
            assert len(box.records()) == 5000 * len(box.contributions())
    run("add", sheet, store=box.path)
    assert len(box.records()) == 5000 * len(box.contributions())


def test_many_at_once(tmp_path):
    """Readers and writers in threads on one service: every contribution there, no error
    (tests/benchmarks/load.py does it with 20 and 5 for a minute)."""
    box = Store(tmp_path / "s.duckdb")
    load_demo(box)
    before = len(box.contributions())
    access, token = with_token(Access(), "t", "contributor")
    save_access(access, tmp_path)
    app = Starlette(routes=api_routes(Stored(box.path)))
    wrong = []

    def read():
        client = TestClient(app)
        for _ in range(6):
            r = client.get("/api/v1/life?slot=igniter&bound=likelihood")
            if r.status_code != 200:
                wrong.append(r.text)

    def write(k):
        client = TestClient(app)
        for n in range(5):
            given = {
                "url": f"/api/v1/contributions?file=w{k}-{n}.csv", "headers": {"Authorization": f"Bearer {token}"},
                "content": f"builder,module,slot,shots_good\nb{k},m{n},switch,{n + 1}\n",
            }  # fmt: skip
            # too much at once is refused with when to come again, and nothing is lost by coming again
            while (r := client.post(**given)).status_code == 429:
                assert float(r.headers["Retry-After"]) > 0
                time.sleep(0.02)
            if r.status_code != 201:
                wrong.append(r.text)

    crew = [threading.Thread(target=read) for _ in range(8)]
    crew += [threading.Thread(target=write, args=(k,)) for k in range(3)]
    for t in crew:
        t.start()
    for t in crew:
        t.join()
    assert not wrong
    assert len(box.contributions()) == before + 15


def test_backup_and_restore(box, tmp_path):
    (box.log_folder).mkdir()
    (box.log_folder / "a.parquet").write_bytes(b"kept as it is")
    saved = make_backup(box, tmp_path / "b.zip")
    assert saved == read_backup(tmp_path / "b.zip")
    assert (saved.contributions, saved.logs) == (len(box.contributions()), 1)
    other = Store(tmp_path / "other" / "s.duckdb")
    restore(tmp_path / "b.zip", other)
    assert other.state() == box.state()
    assert other.bundle_files() == box.bundle_files()
    assert (other.log_folder / "a.parquet").read_bytes() == b"kept as it is"
    with pytest.raises(StoreError, match="--replace"):
        restore(tmp_path / "b.zip", other)
    restore(tmp_path / "b.zip", other, replace=True)
    assert other.path.with_name("s.duckdb.before").exists()


def test_damaged_backup_is_found(box, tmp_path):
    path = tmp_path / "b.zip"
    make_backup(box, path)
    whole = path.read_bytes()
    for at in (200, len(whole) // 2, len(whole) - 30):
        data = bytearray(whole)
        data[at : at + 20] = bytes(b ^ 0xFF for b in data[at : at + 20])
        path.write_bytes(data)
        with pytest.raises(StoreError):
            read_backup(path)
    path.write_bytes(whole)
    with zipfile.ZipFile(path, "a") as z:
        z.writestr("../../evil", "x")
    with pytest.raises(StoreError, match="no backup"):
        read_backup(path)


def test_backup_commands(box, tmp_path):
    assert "sound" in run("backup", tmp_path / "b.zip", store=box.path).stdout
    assert "there already" in run("backup", tmp_path / "b.zip", store=box.path, code=2).stderr
    new = Path(tmp_path / "new" / "s.duckdb")
    run("restore", tmp_path / "b.zip", store=new)
    assert Store(new).state() == box.state()
