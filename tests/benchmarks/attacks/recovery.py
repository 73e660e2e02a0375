"""Backup and restore killed at every step; stores that are odd, hostile, or of older versions."""

import subprocess
import sys

import duckdb

from reliability.sheets.life import read_life
from reliability.store import Store, StoreError
from reliability.store.backup import make_backup, read_backup, restore
from tests.benchmarks.attacks.service import ROOT
from tests.killing import killed_at

DEMO = ROOT / "datasets" / "demo"


def attacks(folder):
    """Every attack as (what, held, seen)."""
    old, new = Store(folder / "old" / "s.duckdb"), Store(folder / "new" / "s.duckdb")
    old.add(read_life(DEMO / "life_kite.csv"))
    new.add(read_life(DEMO / "life_nova.csv"))
    file = folder / "b.zip"
    make_backup(new, file)
    yield from killed_restores(old, file)
    yield from killed_backups(new, folder / "killed")
    yield from restored_in_use(old, file, folder / "sheets")
    yield from _left_over(new, file, folder / "over")
    yield from _targets(new, folder)
    yield from _odd_stores(new, folder / "odd")


def killed_restores(box, file):
    """Restore over a store, killed before each of its steps: one of the two stores stands whole, never none."""
    before, after = box.state(), read_backup(file).state
    for step in range(1000):
        killed = killed_at(step, lambda: restore(file, box, replace=True))
        state = box.state() if box.exists else "none"
        whole = state in (before, after) and len(box.contributions()) == 1
        yield f"restore killed at step {step}", whole and (killed or state == after), state[:12]
        if not killed:
            break
    left = [p.name for p in box.path.parent.iterdir() if not p.name.startswith(box.path.name)]
    yield "nothing of the killed ones lies about after a whole one", not left, left


def killed_backups(box, folder):
    """A backup killed before each step: no file of its name, or a sound one; the store as before."""
    folder.mkdir()
    before = box.state()
    for step in range(1000):
        target = folder / f"b{step}.zip"
        killed = killed_at(step, lambda t=target: make_backup(box, t))
        sound = not target.exists() or read_backup(target).state == before
        yield f"backup killed at step {step}", sound and box.state() == before, target.exists()
        if not killed:
            break


WRITER = """
import sys
from pathlib import Path
from reliability.sheets.life import read_life
from reliability.store import Store
from reliability.store.opening import linger
linger(float(sys.argv[3]))
for i in range(60):
    sheet = Path(sys.argv[2]) / f"{sys.argv[3]}-{i}.csv"
    sheet.write_text(f"builder,module,slot,shots_good\\nw,{sheet.stem},fuel,{i + 1}\\n")
    Store(Path(sys.argv[1])).add(read_life(sheet))
    print(sheet.stem, flush=True)
"""


def restored_in_use(box, file, folder):
    """Restores over a store to which another process adds: what it was told is stored is in a store set aside."""
    folder.mkdir()
    for lingering in ("0.2", "0"):  # as a service, and as a command, keeps it open
        arguments = [sys.executable, "-c", WRITER, str(box.path), str(folder), lingering]
        times = 0
        with subprocess.Popen(arguments, cwd=ROOT, stdout=subprocess.PIPE, text=True) as writer:
            told = {writer.stdout.readline().strip()}
            while writer.poll() is None:
                restore(file, box, replace=True)
                times += 1
            told |= set(writer.stdout.read().split())
        kept = set(_modules(box))
        for aside in box.path.parent.glob(f"{box.path.name}.before*"):
            if aside.suffix != ".wal":
                kept |= set(_modules(Store(aside)))
        lost = sorted(told - kept)
        yield f"restored {times} times over a store that another keeps open {lingering} s: nothing told is lost", len(told) == 60 and times > 1 and not lost, f"{len(lost)} of {len(told)} lost"  # fmt: skip


def _modules(box):
    return box.records(("accepted", "superseded")).column("module").tolist()


def _left_over(box, file, folder):
    """A write-ahead file of the store that stood there is not replayed into the restored one."""
    folder.mkdir()
    place = Store(folder / "s.duckdb")
    code = (
        "import duckdb, os\n"
        f"c = duckdb.connect({str(folder / 's.duckdb')!r})\n"
        "c.execute('PRAGMA disable_checkpoint_on_shutdown'); c.execute('CREATE TABLE evil (x INT)')\n"
        "os._exit(0)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
    ahead = folder / "s.duckdb.wal"
    yield "(a write-ahead file is left over)", ahead.exists(), ""
    (folder / "s.duckdb").unlink()
    restore(file, place)
    yield "write-ahead file left over: not replayed", place.state() == box.state() and not ahead.exists(), ""  # fmt: skip


def _says(what, act, *words):
    """Whether it is refused in words."""
    try:
        act()
    except StoreError as e:
        return what, all(w in str(e) for w in words), str(e)[:100]
    except BaseException as e:
        return what, False, repr(e)[:100]
    return what, False, "not refused"


def _targets(box, folder):
    box.log_folder.mkdir(exist_ok=True)
    log = box.log_folder / "a.parquet"
    log.write_bytes(b"log")
    (folder / "link.zip").symlink_to(log)
    for target in (log, box.log_folder / "c.zip", box.path, folder / "link.zip", folder / "b.zip", folder / "b.txt"):  # fmt: skip
        yield _says(
            f"backup onto {target.relative_to(folder)}", lambda t=target: make_backup(box, t)
        )
    yield "the shot log is as it was", log.read_bytes() == b"log", ""


ODD = {
    "version is text": "UPDATE store_info SET value = 'x' WHERE key = 'schema_version'",
    "version is empty": "UPDATE store_info SET value = '' WHERE key = 'schema_version'",
    "version is null": "UPDATE store_info SET value = NULL WHERE key = 'schema_version'",
    "version is -1": "UPDATE store_info SET value = '-1' WHERE key = 'schema_version'",
    "version is 1e3": "UPDATE store_info SET value = '1e3' WHERE key = 'schema_version'",
    "version is a superscript": "UPDATE store_info SET value = '²' WHERE key = 'schema_version'",
    "version is of the future": "UPDATE store_info SET value = '77' WHERE key = 'schema_version'",
    "version is of the past": "UPDATE store_info SET value = '1' WHERE key = 'schema_version'",
    "no version": "DELETE FROM store_info",
    "a table is gone": "DROP TABLE life_record",
    "a column is gone": "ALTER TABLE life_record DROP COLUMN module",
    "a view in a table's place": "DROP TABLE bundle_file; CREATE VIEW bundle_file AS SELECT 1 contribution, 'x' AS name, 'y'::BLOB AS content",
    "a macro": "CREATE MACRO sha256(x) AS 'same'",
    "a column of another type": "ALTER TABLE life_record ALTER shots_good TYPE VARCHAR",
}  # fmt: skip


def _odd_stores(box, folder):
    folder.mkdir()
    for number, (what, change) in enumerate(ODD.items()):
        place = folder / f"{number}.duckdb"
        place.write_bytes(box.path.read_bytes())
        with duckdb.connect(str(place)) as c:
            c.execute(change)
        yield _says(f"store whose {what}", lambda p=place: Store(p).records(), str(place))
    for what, data in (
        ("empty", b""),
        ("text", b"hello " * 1000),
        ("cut", box.path.read_bytes()[:5000]),
    ):
        place = folder / f"{what}.duckdb"
        place.write_bytes(data)
        seen = _says(f"store that is {what}", lambda p=place: Store(p).records(), str(place))
        yield (
            (seen[0], True, "a new store") if what == "empty" and seen[2] == "not refused" else seen
        )
    (folder / "folder.duckdb").mkdir()
    yield _says("a folder in the store's place", lambda: Store(folder / "folder.duckdb").records())
