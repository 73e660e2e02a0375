"""The store: contributions, provenance, one writer at a time, versions."""

import gzip
import subprocess
import sys
from pathlib import Path

import duckdb
import numpy as np
import pytest

from reliability.sheets.life import read_life
from reliability.sheets.write import columns_of
from reliability.store import Store, StoreError
from reliability.store.schema import VERSION

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
REFERENCE = Path(__file__).parent / "reference"


@pytest.fixture
def box(tmp_path):
    return Store(tmp_path / "s.duckdb")


def test_round_trip_keeps_every_column(box):
    sheet = read_life(DEMO / "life_moss.csv")
    assert box.add(sheet).new
    back = box.records()
    assert columns_of(back) == columns_of(sheet.records)


def test_extra_columns_survive(box, tmp_path):
    path = tmp_path / "x.csv"
    path.write_text("builder,module,slot,shots_good,bin,maker\na,b,c,5,7,acme\na,b,c,6,,\n")
    box.add(read_life(path))
    r = box.records()
    assert r.covariates["bin"][0] == 7 and np.isnan(r.covariates["bin"][1])
    assert list(r.labels["maker"]) == ["acme", ""]


def test_same_bytes_are_stored_once(box):
    sheet = read_life(DEMO / "life_kite.csv")
    first, second = box.add(sheet), box.add(sheet)
    assert first.new and not second.new
    assert second.contribution.id == first.contribution.id
    assert len(box.contributions()) == 1


def test_correction_supersedes_and_nothing_is_deleted(box):
    old = box.add(read_life(DEMO / "life_kite.csv")).contribution
    state = box.state()
    new = box.add(read_life(DEMO / "life_lynx.csv"), supersedes=(old.id,)).contribution
    was = next(c for c in box.contributions() if c.id == old.id)
    assert was.status == "superseded" and was.superseded_by == new.id
    assert set(box.records().builder) == {"lynx"}
    assert set(box.records(("superseded",)).builder) == {"kite"}
    assert box.state() != state
    with pytest.raises(StoreError, match="superseded already"):
        box.add(read_life(DEMO / "life_moss.csv"), supersedes=(old.id,))
    with pytest.raises(StoreError, match="no contribution 99"):
        box.add(read_life(DEMO / "life_moss.csv"), supersedes=(99,))
    assert "moss" not in {c.builders for c in box.contributions()}


def test_received_waits_until_accepted(box):
    c = box.add(read_life(DEMO / "life_kite.csv"), status="received").contribution
    assert len(box.records()) == 0
    box.decide(c.id, "accepted", "looks sound")
    assert len(box.records()) == c.rows
    box.decide(c.id, "declined", "copy")
    assert len(box.records()) == 0
    assert box.contributions()[0].reason == "copy"


def test_no_store_yet(box):
    with pytest.raises(StoreError, match="no store"):
        box.records()


def test_future_version_and_foreign_files(tmp_path, box):
    box.add(read_life(DEMO / "life_kite.csv"))
    with duckdb.connect(str(box.path)) as c:
        c.execute("UPDATE store_info SET value = '999' WHERE key = 'schema_version'")
    with pytest.raises(StoreError, match="newer version"):
        box.records()
    other = tmp_path / "other.duckdb"
    with duckdb.connect(str(other)) as c:
        c.execute("CREATE TABLE t (a INT)")
    with pytest.raises(StoreError, match="not a store"):
        Store(other).records()
    (tmp_path / "text.duckdb").write_text("hello, this is no database at all" * 100)
    with pytest.raises(StoreError, match="cannot be opened"):
        Store(tmp_path / "text.duckdb").records()


def test_sql_cannot_reach_files(box):
    box.add(read_life(DEMO / "life_kite.csv"))
    with box._open(write=False) as c, pytest.raises(duckdb.PermissionException):
        c.execute("SELECT * FROM read_csv('/etc/hostname')")
    with box._open(write=False) as c, pytest.raises(duckdb.Error):
        c.execute("SET enable_external_access = true")


HOLD = """
import sys, time, duckdb
with duckdb.connect(sys.argv[1]) as c:
    c.execute("SELECT 1")
    print("ready", flush=True)
    time.sleep(3)
"""


def test_waits_for_a_lock_and_says_so(box):
    box.add(read_life(DEMO / "life_kite.csv"))
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(box.path)], stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout.readline() == "ready\n"
    with pytest.raises(StoreError, match="another program"):
        Store(box.path, wait=0.3).records()
    assert len(Store(box.path, wait=20).records())
    assert holder.wait(20) == 0


def test_two_processes_add_at_once(box):
    """No contribution is lost when several commands write together."""
    code = (
        "import sys; from reliability.store import Store; from reliability.sheets.life import read_life; "
        "Store(sys.argv[1], wait=60).add(read_life(sys.argv[2]))"
    )
    files = sorted(DEMO.glob("life_*.csv"))
    jobs = [subprocess.Popen([sys.executable, "-c", code, str(box.path), str(f)]) for f in files]
    assert all(j.wait(120) == 0 for j in jobs)
    assert len(box.contributions()) == len(files)


def test_threads_of_one_process_take_turns(box):
    """Readers and a writer in one process, as the dashboard and the API have them."""
    from concurrent.futures import ThreadPoolExecutor

    files = sorted(DEMO.glob("life_*.csv"))
    box.add(read_life(files[0]))

    def work(i):
        if i % 5 == 0:
            return box.add(read_life(files[(i // 5) % len(files)])).contribution.rows
        return len(box.records()) + len(box.state())

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(work, range(60)))
    assert len(box.contributions()) == len(files)


@pytest.mark.parametrize("version", range(1, VERSION + 1))
def test_a_store_of_any_version_is_brought_forward(tmp_path, version):
    """Stores written by the program as it was at each schema, kept in tests/reference: a new schema needs its own.

    Every record and file is still there.
    """
    path = tmp_path / "old.duckdb"
    path.write_bytes(gzip.decompress((REFERENCE / f"store_v{version}.duckdb.gz").read_bytes()))
    with duckdb.connect(str(path)) as c:
        assert c.execute("SELECT value FROM store_info").fetchall() == [(str(version),)]
    box = Store(path)
    r = box.records()
    assert r.shots_good.tolist() == [3000, 4000, 900, 2000]
    assert r.unit.tolist() == ["c1", "c1", "i1", "c2"]
    assert r.covariates["charge_V"][:2].tolist() == [1200, 1300]
    assert r.lot.tolist() == ["L1", "L1", "", "L2"]  # an extra column in versions 1 and 2
    assert r.labels["maker"].tolist() == ["acme", "acme", "", ""]
    assert [name for _, name, _ in box.bundle_files()] == ["wear.csv"]
    with duckdb.connect(str(path)) as c:
        assert c.execute("SELECT value FROM store_info").fetchall() == [(str(VERSION),)]
        assert c.execute("SELECT count(*) FROM kept_answer").fetchall() == [(0,)]
    assert box.contributions()[0].licence == "CC0-1.0"
