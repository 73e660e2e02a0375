"""Restore stopped at every step: the store that was there, or the new one, never none."""

import os

import duckdb
import pytest

from reliability.sheets.life import read_life
from reliability.store import Store, StoreError
from reliability.store.backup import make_backup, restore
from tests.benchmarks.attacks.recovery import killed_backups, killed_restores, restored_in_use
from tests.command import ROOT

DEMO = ROOT / "datasets" / "demo"


@pytest.fixture
def two(tmp_path):
    old, new = Store(tmp_path / "old" / "s.duckdb"), Store(tmp_path / "new" / "s.duckdb")
    old.add(read_life(DEMO / "life_kite.csv"))
    new.add(read_life(DEMO / "life_nova.csv"))
    make_backup(new, tmp_path / "b.zip")
    return old, new.state(), tmp_path / "b.zip"


def test_restore_killed_at_every_step(two):
    """SIGKILL before each thing that a restore asks of the file system (see tests/killing.py)."""
    old, _, file = two
    lines = list(killed_restores(old, file))
    assert len(lines) > 20
    assert [x for x in lines if not x[1]] == []


def test_backup_killed_at_every_step(two, tmp_path):
    old, _, _ = two
    lines = list(killed_backups(old, tmp_path / "killed"))
    assert len(lines) > 10
    assert [x for x in lines if not x[1]] == []


def test_restore_over_a_store_in_use_loses_nothing_that_was_told_to_be_stored(two, tmp_path):
    old, _, file = two
    assert [x for x in restored_in_use(old, file, tmp_path / "sheets") if not x[1]] == []


def test_left_over_write_ahead_file_is_set_aside(two):
    old, new_state, file = two
    ahead = old.path.with_name("s.duckdb.wal")
    old.path.unlink()
    ahead.write_bytes(b"of another store")
    restore(file, old, replace=True)
    assert old.state() == new_state and not ahead.exists()


def test_a_log_of_other_content_is_not_written_over(two, tmp_path):
    old, _, _ = two
    new = Store(tmp_path / "new" / "s.duckdb")
    for box, content in ((new, b"one"), (old, b"two")):
        box.log_folder.mkdir()
        (box.log_folder / "a.parquet").write_bytes(content)
    make_backup(new, tmp_path / "c.zip")
    state = old.state()
    with pytest.raises(StoreError, match="differs"):
        restore(tmp_path / "c.zip", old, replace=True)
    assert old.state() == state and (old.log_folder / "a.parquet").read_bytes() == b"two"


@pytest.mark.parametrize("value", ["x", "", "-1", "0", "1.5", "9" * 400, "²", None])
def test_odd_versions_are_said_in_words(two, value):
    old, _, _ = two
    with duckdb.connect(str(old.path)) as c:
        c.execute("UPDATE store_info SET value = ? WHERE key = 'schema_version'", [value])
    with pytest.raises(StoreError, match="schema version"):
        old.records()


def test_a_backup_that_is_none_is_refused_in_words(two, tmp_path):
    old, _, file = two
    state, whole = old.state(), file.read_bytes()
    bad, half = tmp_path / "bad.zip", len(whole) // 2
    for data in (b"", b"hello", whole[:-200], whole[:half] + bytes([whole[half] ^ 0xFF]) + whole[half + 1 :]):  # fmt: skip
        bad.write_bytes(data)
        with pytest.raises(StoreError, match=r"no zip file, or a damaged one|is damaged"):
            restore(bad, old, replace=True)
    bad.unlink()
    with pytest.raises(StoreError, match="No such file"):
        restore(bad, old, replace=True)
    os.mkfifo(bad)
    with pytest.raises(StoreError, match="is no file"):
        restore(bad, old, replace=True)
    assert old.state() == state
