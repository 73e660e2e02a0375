"""Places that cannot be written, links that lead elsewhere, files that others could read."""

import contextlib
import os
import stat
import subprocess
import sys

from reliability.ask.asking import ask
from reliability.ask.questions import question_class
from reliability.ask.sources import Stored
from reliability.ask.texts import from_texts
from reliability.sheets.life import read_life
from reliability.store import Store, StoreError
from reliability.store.backup import make_backup, restore
from tests.benchmarks.attacks.service import ROOT
from tests.unprivileged import as_somebody, on_read_only, open_folder

DEMO = ROOT / "datasets" / "demo"


def attacks(folder):
    """Every attack as (what, held, seen)."""
    yield from cannot_be_written()
    yield from links(folder)
    yield from _modes()


def _said(act):
    """How an act ends: "", or the words of its refusal; an error of another kind begins with !."""
    try:
        act()
    except StoreError as e:
        return str(e)
    except BaseException as e:
        return f"!{e!r}"
    return ""


def _tried(box, file, sheet):
    """What becomes of all that can be asked of a store."""
    question = from_texts(question_class("modes"), {"slot": ["igniter"]})
    return {
        "reading": _said(box.records), "asking": _said(lambda: ask(question, Stored(box.path))), "giving": _said(lambda: box.add(sheet)),
        "deciding": _said(lambda: box.decide(1, "withdrawn")), "restoring": _said(lambda: restore(file, box, replace=True)),
        "backing up into it": _said(lambda: make_backup(box, box.path.parent / "n.zip")),
    }  # fmt: skip


def cannot_be_written():
    """A store where nothing can be written: it is read, and whatever would change it is refused in words."""
    sheet = read_life(DEMO / "life_moss.csv")
    with open_folder() as folder:  # once where all is allowed: what it needs is imported then
        box = Store(folder / "s.duckdb")
        box.add(read_life(DEMO / "life_kite.csv"))
        make_backup(box, folder / "b.zip")
        _tried(box, folder / "b.zip", sheet)
    for how in ("a file and folder that may not be written, for an account that is not root", "a file alone that may not be written", "a file system mounted read-only"):  # fmt: skip
        with open_folder() as folder:
            place = folder / "p"
            box = Store(place / "s.duckdb")
            box.add(read_life(DEMO / "life_kite.csv"))
            file = folder / "b.zip"
            make_backup(box, file)
            file.chmod(0o644)
            act = lambda b=box, f=file: _tried(b, f, sheet)  # noqa: E731
            if "mounted" in how:
                told = on_read_only(place, act)
            else:
                told = as_somebody(place, lambda b=box, a=act, h=how: _closed(b, a, "folder" in h))
            if told is None:
                yield f"({how}: this kernel does not allow it)", True, ""
                continue
            before = box.state()
            for what, words in told.items():
                if what in ("reading", "asking"):
                    yield f"{how}: {what} goes on", words == "", words[:100]
                elif what in ("giving", "deciding"):
                    yield f"{how}: {what} is refused and says so", "cannot be written" in words, words[:100]  # fmt: skip
                elif "folder" in how or "mounted" in how:
                    yield f"{how}: {what} is refused in words", words != "" and words[0] != "!", words[:100]  # fmt: skip
            yield f"{how}: the store is as it was", box.state() == before, ""


def _closed(box, act, folder_too):
    box.path.chmod(0o400)
    if folder_too:
        box.path.parent.chmod(0o500)
    try:
        return act()
    finally:
        box.path.parent.chmod(0o700)
        box.path.chmod(0o600)


def links(folder):
    """Links in the store's place and beside it."""
    box = Store(folder / "s" / "s.duckdb")
    box.add(read_life(DEMO / "life_kite.csv"))
    file = folder / "b.zip"
    make_backup(box, file)
    dear = folder / "dear"
    dear.mkdir()
    (dear / "photo").write_text("dear")
    (box.path.parent / f".{box.path.name}.restoring").symlink_to(dear)
    seen = _said(lambda: restore(file, box, replace=True))
    yield "a link where a restore works: what it leads to stays", (dear / "photo").exists() and seen[:1] != "!", seen[:80]  # fmt: skip
    (box.path.parent / f".{box.path.name}.restoring").unlink(missing_ok=True)
    (folder / "far").mkdir()
    far = Store(folder / "far" / "s.duckdb")
    (folder / "link.duckdb").symlink_to(far.path)
    seen = _said(lambda: restore(file, Store(folder / "link.duckdb")))
    whole = far.exists and far.state() == box.state() if not seen else seen[:1] != "!"
    yield "a link in the store's place: restored where it leads to, or refused", whole, seen[:80]
    box.log_folder.mkdir(exist_ok=True)
    (box.log_folder / "a.parquet").symlink_to("/etc/passwd")
    seen = _said(lambda: make_backup(box, folder / "c.zip"))
    inside = (folder / "c.zip").exists() and b"a.parquet" in (folder / "c.zip").read_bytes()
    yield "a link among the shot logs is not followed into a backup", not inside and seen[:1] != "!", seen[:80]  # fmt: skip
    for what, make in (("a pipe", os.mkfifo), ("a device", lambda p: p.symlink_to("/dev/zero"))):
        place = folder / f"{what[2:]}.duckdb"
        make(place)
        code = f"from reliability.store import Store; Store({str(place)!r}, wait=1).records()"
        with contextlib.suppress(subprocess.TimeoutExpired):
            p = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, cwd=ROOT)  # fmt: skip
            yield f"{what} in the store's place is refused in words", "StoreError" in p.stderr, p.stderr[-100:]  # fmt: skip
            continue
        yield f"{what} in the store's place is refused in words", False, "it waits for ever"


def _modes():
    """Whatever is made in the store's folder is its owner's alone, however open the account is by habit."""
    with open_folder() as folder:
        place = folder / "new"
        store = place / "s.duckdb"
        steps = (
            f"demo --store {store}", f"add {DEMO / 'wear.csv'} --store {store}", f"shots {DEMO / 'shotlog.csv'} --builder zeta --add --store {store}",
            f"access --store {store} --token t --role reader", f"access --store {store} --new-sign-in https://lives.example.org",
            f"backup {place / 'b.zip'} --store {store} --with-roles", f"restore {place / 'b.zip'} --store {store} --replace --with-roles",
        )  # fmt: skip
        for step in steps:
            p = subprocess.run(
                f"umask 000; {sys.executable} -m reliability.cli {step}", shell=True, capture_output=True, text=True, cwd=ROOT
            )  # fmt: skip
            yield f"(shotlife {step.split()[0]})", p.returncode == 0, (p.stdout + p.stderr)[-100:]
        found = {p.relative_to(folder): stat.S_IMODE(p.lstat().st_mode) for p in place.rglob("*")}
        found[place.relative_to(folder)] = stat.S_IMODE(place.lstat().st_mode)
        open_ = {str(k): oct(v) for k, v in found.items() if v & 0o077}
        yield f"{len(found)} files and folders, none open to others", not open_ and len(found) > 5, open_  # fmt: skip
