"""Every kind of data given, corrected, replaced and withdrawn through every door, and what the log of deeds and the numbers say.

What must come out is by construction: each version of a kind ends at another count. No source.
"""

import contextlib
import datetime as dt
import io
import json
from dataclasses import dataclass
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient
from streamlit.testing.v1 import AppTest

from reliability.access import Access, save_access, with_token
from reliability.api.routes import api_routes
from reliability.ask.change import Effect
from reliability.ask.deeds import deed_log
from reliability.ask.sources import Stored, read_pool
from reliability.cli import main
from reliability.commands.common import who_runs
from reliability.sheets.bundle import About, write_bundle
from reliability.sheets.life import read_life

ROOT = Path(__file__).parents[1]
ENDS = (900, 950, 1000)
"""last count of what is given, of its correction, of what replaces that"""


def life(end):
    return f"builder,module,slot,unit,part,shots_good\nkite,m1,igniter,i1,std,{end}\n".encode()


def wear(end):
    rows = "".join(f"kite,m1,igniter,i1,{n},gap_mm,{1 + n / 5000}\n" for n in (100, end))
    return f"builder,module,slot,unit,shots,quantity,value\n{rows}".encode()


def misfires(end):
    head = "builder,module,slot,unit,shots,event\n"
    return f"{head}kite,m1,igniter,i1,40,misfire\nkite,m1,igniter,i1,{end},end\n".encode()


def ignition(end):
    head = "builder,module,shots,ignition_V,commanded,misfires\n"
    return f"{head}kite,m1,500,840,228,1\nkite,m1,{end},870,224,0\n".encode()


def log(end):
    rows = "".join(f"m1,{k},1200,3,{3 * k}\n" for k in range(1, end + 1))
    return f"module,shot,main_V_before,main_V_after,time_s\n{rows}".encode()


def bundle(end, folder):
    records = read_life(Path("x.csv"), life(end)).records
    write_bundle(records, folder / "b.zip", About("b", "CC0-1.0"), {"wear.csv": wear(end)})
    return (folder / "b.zip").read_bytes()


KINDS = {
    "life": (life, "csv"), "wear": (wear, "csv"), "misfires": (misfires, "csv"), "ignition": (ignition, "csv"),
    "shots": (log, "csv"), "bundle": (bundle, "zip"),
}  # fmt: skip
MADE = {"shots": 2}
"""contributions that a kind makes, where more than one: the log gives a life and a misfire sheet"""
READ = {"life": ("life",), "wear": ("wear",), "misfires": ("misfires",), "ignition": ("ignition",), "shots": ("life", "misfires"), "bundle": ("life", "wear")}  # fmt: skip


def last_counts(pool, kind):
    """The last count of each sheet of the kind; empty where nothing of it counts."""
    ends = {
        "life": lambda: pool.life.shots_good.max(), "wear": lambda: pool.wear.shots.max(),
        "misfires": lambda: pool.misfires.end.max(), "ignition": lambda: pool.ignition.shots.max(),
    }  # fmt: skip
    there = [k for k in READ[kind] if getattr(pool, k) is not None]
    return {k: int(ends[k]()) for k in there if k != "life" or len(pool.life)}


@dataclass
class Command:
    """The command line, in this process."""

    store: Path

    @property
    def who(self):
        return who_runs()

    def _run(self, *args):
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.raises(SystemExit) as ended:  # fmt: skip
            main([*map(str, args), "--store", str(self.store)])
        assert ended.value.code == 0, err.getvalue() + out.getvalue()

    def give(self, name, content, answers, old=0, whole=False):
        path = self.store.parent / name
        path.write_bytes(content)
        said = [w for k, v in answers.items() for w in ("--answer", f"{k}={v}")]
        self._run("add", path, "--agree", *said, *(["--supersedes", old] if old else []), *(["--replace"] if whole else []))  # fmt: skip

    def withdraw(self, number):
        self._run("records", "--withdraw", number, "--reason", "wrong bench")


@dataclass
class Api:
    """The API, by a maintainer's token."""

    store: Path

    who = "token bench"

    def __post_init__(self):
        access, token = with_token(Access(), "bench", "maintainer")
        save_access(access, self.store.parent)
        self.app = TestClient(Starlette(routes=api_routes(Stored(self.store))))
        self.head = {"Authorization": f"Bearer {token}"}

    def give(self, name, content, answers, old=0, whole=False):
        said = {"file": name, "agree": "true", "answer": [f"{k}={v}" for k, v in answers.items()]}
        said |= ({"supersedes": old} if old else {}) | ({"replace": "true"} if whole else {})
        r = self.app.post("/api/v1/contributions", params=said, content=content, headers=self.head)
        assert r.status_code == 201, r.text

    def withdraw(self, number):
        said = {"act": "withdraw", "reason": "wrong bench"}
        r = self.app.post(f"/api/v1/contributions/{number}", params=said, headers=self.head)
        assert r.status_code == 200, r.text


@dataclass
class Page:
    """The page of records, by the framework's own harness."""

    store: Path

    who = "this machine (dashboard)"

    def _page(self):
        app = AppTest.from_file(str(ROOT / "dashboard" / "app.py"), default_timeout=120)
        return app.switch_page("records.py").run()

    def give(self, name, content, answers, old=0, whole=False):
        app = self._page()
        app.file_uploader(key="upload").upload(name, content).run()
        for ident, answer in answers.items():
            (box,) = [b for b in app.text_input if str(b.key).endswith(ident)]
            box.set_value(answer).run()
        if old or whole:
            box = app.selectbox(key="corrects")
            (option,) = [o for o in box.options if o.startswith(f"{old}:" if old else "all that")]
            box.set_value(option)
        app.button(key="add").click().run()
        assert not app.exception and app.success, [e.value for e in app.error]

    def withdraw(self, number):
        app = self._page()
        box = app.selectbox(key="withdraw_which")
        (option,) = [o for o in box.options if o.startswith(f"{number}:")]
        box.set_value(option).run()
        app.text_input(key="withdraw_reason").set_value("wrong bench")
        app.button(key="withdraw").click().run()
        assert not app.exception and not app.error, [e.value for e in app.error]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("door", [Command, Api, Page])
def test_given_corrected_replaced_withdrawn(door, kind, tmp_path, monkeypatch):
    store = tmp_path / "store" / "s.duckdb"
    store.parent.mkdir(mode=0o700)
    monkeypatch.setenv("SHOTLIFE_STORE", str(store))
    monkeypatch.chdir(ROOT)
    # what would change is tested elsewhere, and takes longer than all the rest
    monkeypatch.setattr("dashboard.door.change", lambda *_: Effect(0, ()))
    act, to = door(store), Stored(store)
    make, suffix = KINDS[kind]
    answers = {"fill:builder": "kite"} if kind == "shots" else {}
    n = MADE.get(kind, 1)
    began = dt.datetime.now(dt.UTC)
    for k, end in enumerate(ENDS):
        content = make(end, tmp_path) if kind == "bundle" else make(end)
        old = 1 if k == 1 else 0
        act.give(f"{kind}{k}.{suffix}", content, answers, old=old, whole=k == 2)
        assert last_counts(read_pool(to), kind) == dict.fromkeys(READ[kind], end)
    kept = [json.loads(d.detail)["sha256"] for d in deed_log(to).deeds if d.act != "supersede"]
    assert kept == [c.sha256 for c in to.box.contributions()]
    standing = [c.id for c in to.box.contributions() if c.status == "accepted"]
    assert standing == list(range(2 * n + 1, 3 * n + 1))
    for number in standing:
        act.withdraw(number)
    assert last_counts(read_pool(to), kind) == {}
    told = deed_log(to)
    assert told.broken is None and {d.who for d in told.deeds} == {act.who}
    acts = lambda what: sorted(d.contribution for d in told.deeds if d.act == what)  # noqa: E731
    assert acts("give") == list(range(1, n + 1))
    assert acts("correct") == list(range(n + 1, 3 * n + 1))
    assert acts("supersede") == list(range(1, 2 * n + 1))
    assert acts("withdraw") == standing
    reasons = [json.loads(d.detail).get("reason") for d in told.deeds if d.act == "withdraw"]
    assert reasons == ["wrong bench"] * n
    times = [dt.datetime.fromisoformat(d.at) for d in told.deeds]
    assert times == sorted(times)
    assert began - dt.timedelta(milliseconds=1) <= times[0] <= times[-1] <= dt.datetime.now(dt.UTC)
