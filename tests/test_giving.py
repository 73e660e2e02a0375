"""Giving data: one door for every kind, corrections, withdrawals, and the log of who did what."""

import json
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient

from reliability.access import Access, save_access, with_token
from reliability.api.routes import api_routes
from reliability.ask.change import change
from reliability.ask.deeds import decide, decider, deed_log, giver
from reliability.ask.giving import (
    How,
    LogSettings,
    Terms,
    give,
    give_bytes,
    give_logs,
    known_names,
    look,
    reduce,
    replaced,
)
from reliability.ask.mappings import BenchMapping
from reliability.ask.sources import Stored, read_pool
from reliability.notes import BadInput
from reliability.sheets import door
from reliability.sheets.bench.mapping import parse_bench_mapping
from reliability.sheets.door import open_file
from reliability.sheets.table import SheetError
from reliability.store.schema import MIGRATIONS, VERSION
from reliability.store.store import Store, StoreError
from tests.bench_files.make_bench_files import made
from tests.command import run
from tests.test_door import serial_lines

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
FILES = {f[0]: f for f in made()}

LIFE = b"builder,module,slot,unit,part,shots_good,shots_failed\nkite,m1,igniter,i1,std,900,\nkite,m2,igniter,i2,std,500,500\n"
WEAR = b"builder,module,slot,unit,shots,quantity,value\nkite,m1,igniter,i1,100,gap_mm,1.1\nkite,m1,igniter,i1,900,gap_mm,1.2\n"
MISFIRES = b"builder,module,slot,unit,shots,event\nkite,m1,igniter,i1,40,misfire\nkite,m1,igniter,i1,900,end\n"
IGNITION = b"builder,module,shots,ignition_V,commanded,misfires\nkite,m1,500,840,228,1\nkite,m1,900,870,224,0\n"
KINDS = {"life": LIFE, "wear": WEAR, "misfires": MISFIRES, "ignition": IGNITION}


@pytest.fixture
def to(tmp_path):
    return Stored(tmp_path / "s.duckdb")


def terms(given, agree=True):
    return Terms(BenchMapping().with_answers(given), agree)


@pytest.mark.parametrize("name", FILES)
def test_nothing_of_a_bench_file_counts_before_it_is_agreed_with(name):
    """Without agreement no sheet; with one agreement, and at most one answer, one that has every row."""
    _, data, kind, answers, expected = FILES[name]
    first = open_file(Path(name), data)
    assert len(first.reading.grave) <= 1
    assert first.reading.plain or not first.sheets
    if first.reading.grave:
        assert not open_file(Path(name), data, Terms(agree=True)).sheets
    done = open_file(Path(name), data, Terms(BenchMapping().with_answers(answers), True))
    assert done.reading.kind == kind
    (sheet,) = done.sheets
    assert (len(sheet.records) if kind == "life" else sheet.rows) == len(expected)
    # the mapping that is written makes the next run need nothing more
    again = parse_bench_mapping(done.reading.mapping_text())
    assert open_file(Path(name), data, Terms(again)).sheets[0].sha256 == sheet.sha256


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_given_corrected_withdrawn(to, kind):
    first = give_bytes(to, Path(f"{kind}.csv"), KINDS[kind], How("ada"))
    assert first.contribution.kind == kind and first.contribution.status == "accepted"
    better = KINDS[kind].replace(b"900", b"950")
    second = give_bytes(
        to, Path(f"{kind}2.csv"), better, How("ada", supersedes=(first.contribution.id,))
    )
    old, new = to.box.contributions()
    assert (old.status, old.superseded_by, new.status) == ("superseded", new.id, "accepted")
    gone = decide(to, second.contribution.id, "withdraw", "grace", "wrong bench")
    assert (gone.status, gone.reason) == ("withdrawn", "wrong bench")
    pool = read_pool(to)
    assert not any(len(x) for x in (pool.life,) if x is not None) and pool.wear is None
    log = deed_log(to)
    assert [(d.act, d.who, d.contribution) for d in log.deeds] == [
        ("give", "ada", 1), ("correct", "ada", 2), ("supersede", "ada", 1), ("withdraw", "grace", 2),
    ]  # fmt: skip
    assert log.broken is None and giver(log, 2) == "ada" and decider(log, 2) == "grace"
    back = decide(to, 2, "accept", "grace")
    assert back.status == "accepted"


def test_a_correction_that_waits_takes_no_place_before_it_is_accepted(to):
    give_bytes(to, Path("a.csv"), LIFE)
    better = LIFE.replace(b"900", b"950")
    give_bytes(to, Path("b.csv"), better, How("lone", status="received", supersedes=(1,)))
    assert [c.status for c in to.box.contributions()] == ["accepted", "received"]
    decide(to, 2, "accept", "grace")
    assert [c.status for c in to.box.contributions()] == ["superseded", "accepted"]
    with pytest.raises(StoreError, match="superseded"):
        decide(to, 1, "accept", "grace")
    # declined, the correction no longer stands in the way of what it took the place of
    decide(to, 2, "decline", "grace")
    assert decide(to, 1, "accept", "grace").status == "accepted"


def test_the_log_tells_when_it_was_changed(to):
    for k, content in KINDS.items():
        give_bytes(to, Path(f"{k}.csv"), content, How("ada"))
    assert deed_log(to).broken is None
    for change_it, at in (
        ("UPDATE deed SET who = 'eve' WHERE number = 2", 2),
        ("DELETE FROM deed WHERE number = 3", 2),
    ):
        with duckdb.connect(str(to.path)) as c:
            c.execute(change_it)
        assert deed_log(to).broken == at
        assert "broken from entry 2" in deed_log(to).sentence


def test_the_same_records_under_other_bytes_do_not_count_twice(to):
    give_bytes(to, Path("a.csv"), LIFE)
    resaved = look(Path("b.csv"), LIFE.replace(b"\n", b"\r\n"))
    with pytest.raises(BadInput, match="2 of 2 records stand already"):
        give(to, resaved)
    assert len(to.box.contributions()) == 1
    # the whole of a builder's is replaced by its newest sheet; other kinds and builders stay
    give_bytes(to, Path("wear.csv"), WEAR)
    give_bytes(to, Path("c.csv"), LIFE.replace(b"kite", b"moss"))
    assert replaced(to, resaved) == (1,)
    give(to, resaved, How(supersedes=replaced(to, resaved)))
    assert read_pool(to).life.units == 4
    # units of the same names are the same units, whatever is said
    assert not give(to, look(Path("d.csv"), LIFE + b"\n"), How(beside=True)).new
    unnamed = LIFE.replace(b"i1", b"").replace(b"i2", b"")
    give(to, look(Path("e.csv"), unnamed), How(beside=True))
    give(to, look(Path("f.csv"), unnamed + b"\n"), How(beside=True))
    assert read_pool(to).life.units == 8


def test_serial_log_gives_its_sheets_once(to):
    answers = {
        "fill:builder": "kite",
        "scale:volts": "0.4",
        "scale:time_s": "0.001",
        "module:m7.log": "M7",
    }
    open_ = look(Path("m7.log"), serial_lines())
    assert {q.id for q in open_.reading.grave} == {
        "fill:builder",
        "scale:volts",
    } and not open_.ready
    ready = look(Path("m7.log"), serial_lines(), terms({**answers, "fill:part of igniter": "std"}))
    given = give(to, ready, How("ada"))
    assert {t.contribution.kind for t in given.all} == {"life", "misfires", "ignition"}
    r = read_pool(to).life
    # by construction: 400 shots commanded, two of them misfires
    assert set(r.module) == {"M7"} and set(r.shots_good) == {398.0}
    assert dict(zip(r.slot, r.part, strict=True)) == {"main_capacitor": "", "igniter": "std"}
    # the log sent again takes the place of its earlier part, with its misfires and ignition
    longer = look(Path("m7.log"), serial_lines(500), terms(answers))
    assert change(to, longer).rows == longer.rows
    give(to, longer)
    with pytest.raises(BadInput, match=r"shots of M7 .* are 0 to 398 in this log, but 0 to 498"):
        give(to, ready)
    assert set(read_pool(to).life.shots_good) == {498.0}
    assert {c.kind for c in to.box.contributions() if c.status == "accepted"} == {
        "life",
        "misfires",
        "ignition",
    }


def test_a_log_that_ends_dead_is_asked_about():
    lines = serial_lines(60).decode().splitlines()
    lines += [f"[{k * 3000}] SHOT {60 + k} Vb=3 Va=2 Vign=2100" for k in range(1, 12)]
    data = "\n".join(lines).encode()
    answers = {
        "fill:builder": "kite",
        "scale:volts": "0.4",
        "scale:time_s": "0.001",
        "module:m7.log": "M7",
    }
    asked = look(Path("m7.log"), data, terms(answers)).reading.grave
    assert [q.id for q in asked] == ["failed:M7"]
    done = look(Path("m7.log"), data, terms({**answers, "failed:M7": "main_capacitor:short"}))
    r = done.records
    assert list(r.mode[r.failed]) == ["short"] and list(r.slot[r.failed]) == ["main_capacitor"]
    left = look(Path("m7.log"), data, terms({**answers, "failed:M7": "unknown"}))
    assert left.ready and set(left.records.event) != {""} and left.records.failed.all()
    assert len(left.records) >= 2


def test_what_a_file_would_change(to):
    for f in ("life_kite.csv", "wear.csv"):
        give(to, look(DEMO / f))
    more = look(DEMO / "life_nova.csv")
    found = change(to, more, (), "kite-01")
    life, promise = found.moved
    assert life.before != life.after and life.after_lower < life.after
    assert promise.before is not None and promise.after is not None
    instead = change(to, look(Path("x.csv"), LIFE), (1,))
    assert instead.moved[0].after_lower is None or instead.moved[0].after_lower < life.before_lower
    # what was foretold is what comes
    give(to, more)
    assert change(to, more, (3,)).moved[0].before == life.after


def test_missing_parts_are_told_and_filled_by_slot(to):
    bare = LIFE.replace(b",part", b"").replace(b",std", b"")
    found = look(Path("a.csv"), bare)
    assert "no_part" in {f.code for f in found.findings} and found.ready
    assert found.reading.slots_without_part == ("igniter",)
    assert '"part of igniter": "?"' in found.reading.mapping_text()
    filled = look(Path("a.csv"), bare, terms({"fill:part of igniter": "std"}))
    assert set(filled.records.part) == {"std"}


def test_near_names_of_the_pool_are_suggested(to):
    give_bytes(to, Path("a.csv"), LIFE.replace(b",std,", b",film-a-470,"))
    found = look(
        Path("b.csv"), LIFE.replace(b",std,", b",film a 470,"), Terms(known=known_names(to))
    )
    assert [q.suggestion for q in found.reading.questions] == ["film-a-470"] and not found.ready


def test_large_sheets_of_ours_are_read_the_same(monkeypatch):
    for path in (DEMO / "life_kite.csv", DEMO / "life_moss.csv"):
        careful = open_file(path)
        monkeypatch.setattr(door, "LARGE", 0)
        quick = open_file(path)
        monkeypatch.undo()
        assert quick.reading.plain and careful.reading.plain
        assert quick.sheets[0].sha256 == careful.sheets[0].sha256
        assert quick.reading.findings == careful.reading.findings
    monkeypatch.setattr(door, "LARGE", 0)
    doubtful = LIFE.replace(b"900", b"4.120").replace(b"500,500", b"3.998,")
    assert [q.id for q in open_file(Path("x.csv"), doubtful).reading.grave] == [
        "decimal:shots_good"
    ]


@pytest.mark.parametrize(
    ("kind", "content", "code"),
    [
        ("wear", WEAR.replace(b"1.1", b"1100"), "jump_gap_mm"),
        ("wear", WEAR.replace(b",100,", b",4.12,"), "decimals_in_counts"),
        ("wear", WEAR.replace(b"gap_mm,1.1", b"capacitance_uF,4.7e-7"), "range_capacitance_uF"),
        ("wear", WEAR + b"\n".join(WEAR.splitlines()[1:]) + b"\n", "all_twice"),
        ("ignition", IGNITION.replace(b"840", b"0.84"), "range_ignition_V"),
    ],
)
def test_grave_doubts_of_every_kind_block(to, kind, content, code):
    found = look(Path(f"{kind}.csv"), content, Terms(agree=True))
    (q,) = [q for q in found.reading.grave if code in q.id]
    with pytest.raises(SheetError, match="not answered"):
        give(to, found)
    assert not to.box.exists
    rest = {x.id: "yes" for x in found.reading.grave}
    assert give_bytes(to, Path(f"{kind}.csv"), content, None, terms(rest)).new, q


def test_a_bundle_with_a_grave_doubt_is_asked_about(tmp_path):
    from reliability.sheets.bundle import About, write_bundle
    from reliability.sheets.life import read_life

    sound = read_life(Path("x.csv"), LIFE).records
    write_bundle(sound, tmp_path / "a.zip", About("a", "CC0-1.0"))
    assert look(tmp_path / "a.zip").licence == "CC0-1.0"
    odd = read_life(Path("x.csv"), LIFE.replace(b"900", b"4.12")).records
    write_bundle(odd, tmp_path / "b.zip", About("b", "CC0-1.0"))
    found = look(tmp_path / "b.zip", terms=Terms(agree=True))
    assert not found.ready and "decimals_in_counts" in found.reading.grave[0].id


def test_a_store_of_version_two_is_taken_on(tmp_path):
    path = tmp_path / "old.duckdb"
    with duckdb.connect(str(path)) as c:
        for step in MIGRATIONS[:2]:
            for statement in step:
                c.execute(statement)
        c.execute("INSERT INTO store_info VALUES ('schema_version', '2')")
        c.execute(
            "INSERT INTO contribution VALUES (nextval('contribution_id'), 'ab', 'a.csv', 'life', 'kite', '', 'accepted', "
            "TIMESTAMP '2026-01-01', NULL, '', NULL, 1)"
        )
        c.execute(
            "INSERT INTO life_record (contribution, row, builder, module, slot, shots_from, shots_good, shots_failed, count) "
            "VALUES (1, 0, 'kite', 'm1', 'igniter', 0, 900, NULL, 1)"
        )
    box = Store(path)
    assert [c.status for c in box.contributions()] == ["accepted"] and len(box.records()) == 1
    assert box.decide(1, "withdrawn", by="ada").status == "withdrawn"
    with duckdb.connect(str(path)) as c:
        assert c.execute("SELECT value FROM store_info").fetchone() == (str(VERSION),)


# --- shells ---------------------------------------------------------------------------------


def test_command_line_from_workbook_to_life(tmp_path):
    """A new user's steps from an empty store: check, add; and a doubtful count never by itself."""
    path, store = tmp_path / "title_and_total.xlsx", tmp_path / "s.duckdb"
    path.write_bytes(FILES["title_and_total.xlsx"][1])
    out = run("check", path, store=store).stdout
    assert "What I read" in out and "row 11 left out (a total)" in out and "--agree" in out
    assert not store.exists()
    assert "look at them and agree" in run("add", path, store=store, code=2).stderr
    added = run("add", path, "--agree", store=store).stdout
    assert (
        "added as contribution 1 (6 records, accepted)" in added
        and "unit of the header: kV" in added
    )
    assert "6 records" in run("records", store=store).stdout
    doubtful = tmp_path / "all_doubtful.csv"
    doubtful.write_bytes(FILES["all_doubtful.csv"][1])
    assert "4120" in run("add", doubtful, "--agree", store=store, code=2).stderr
    mapping = tmp_path / "m.json"
    run("check", doubtful, "--write-mapping", mapping, store=store, code=2)
    raw = json.loads(mapping.read_text())
    assert raw["decimal"] == {"shots": "?"}
    raw["decimal"]["shots"] = ","
    mapping.write_text(json.dumps(raw))
    assert (
        "5 of 5 records stand already"
        in run("add", doubtful, "--mapping", mapping, store=store, code=2).stderr
    )
    run("add", doubtful, "--mapping", mapping, "--replace", store=store)
    assert "5 records" in run("records", store=store).stdout.splitlines()[0]
    run("records", "--withdraw", 2, "--reason", "test", store=store, code=0)
    log = run("records", "--log", store=store).stdout
    assert "an unbroken chain" in log and "withdraw" in log


def test_terminal_is_not_steered(tmp_path):
    path = tmp_path / "a\x1b]0;owned\x07.csv"
    path.write_text("builder,module,slot,shots_good,\x1b[31mx\na,b,c,x,1\n")
    for args in (("check", path), ("add", path), ("life", "--from", path)):
        p = run(*args, code=2, env={"SHOTLIFE_STORE": str(tmp_path / "s.duckdb")})
        assert "\x1b" not in p.stdout + p.stderr and "\x07" not in p.stdout + p.stderr


@pytest.fixture
def client(to):
    access, tokens = Access(), {}
    for name, role, builder in (
        ("bench", "contributor", "kite"), ("other", "contributor", ""), ("chief", "maintainer", ""),
    ):  # fmt: skip
        access, tokens[name] = with_token(access, name, role, builder=builder)
    save_access(access, to.path.parent)
    app = TestClient(Starlette(routes=api_routes(to)), raise_server_exceptions=False)

    def post(path, who, content=b"", **params):
        head = {"Authorization": f"Bearer {tokens[who]}"}
        return app.post(f"/api/v1/{path}", params=params, content=content, headers=head)

    post.get = app.get
    return post


def test_api_reads_asks_and_takes(client):
    data = FILES["all_doubtful.csv"][1]
    r = client("readings", "bench", data, file="a.csv", agree="true").json()
    assert not r["ready"] and r["reading"]["questions"][0]["id"] == "decimal:shots"
    asked = client("contributions", "bench", data, file="a.csv", agree="true")
    assert asked.status_code == 400 and asked.json()["faults"][0]["column"] == "decimal:shots"
    given = {"file": "a.csv", "agree": "true", "answer": "decimal:shots=,"}
    r = client("readings", "bench", data, change="true", **given).json()
    assert r["ready"] and r["change"]["moved"][0]["before"] is None
    assert r["reading"]["cells"][0][r["reading"]["columns"].index("shots_good")] == "4120"
    taken = client("contributions", "bench", data, **given)
    assert taken.status_code == 201 and taken.json()["contribution"]["status"] == "received"


def test_api_roles_and_bound_tokens(client):
    r = client("contributions", "bench", LIFE.replace(b"kite", b"moss"), file="a.csv")
    assert r.status_code == 400 and "builder kite only" in r.json()["error"]
    assert client("contributions", "bench", LIFE, file="a.csv").status_code == 201
    moss = client("contributions", "other", LIFE.replace(b"kite", b"moss"), file="b.csv").json()
    number = moss["contribution"]["id"]
    # a bound token cannot take the place of others' data either
    r = client(
        "contributions", "bench", LIFE + b"\n", file="c.csv", supersedes=str(number), beside="true"
    )
    assert r.status_code == 400 and "moss" in r.json()["error"]
    assert client(f"contributions/{number}", "bench", act="withdraw").status_code == 403
    assert client(f"contributions/{number}", "other", act="accept").status_code == 403
    assert client(f"contributions/{number}", "chief", act="accept").json()["status"] == "accepted"
    assert client(f"contributions/{number}", "other", act="withdraw").status_code == 403
    assert (
        client("contributions/1", "bench", act="withdraw", reason="typo").json()["status"]
        == "withdrawn"
    )
    log = client.get("/api/v1/deeds").json()
    assert log["broken"] is None
    assert [(d["act"], d["who"]) for d in log["deeds"]] == [
        ("give", "token bench"), ("give", "token other"), ("accept", "token chief"), ("withdraw", "token bench"),
    ]  # fmt: skip


def test_nothing_lies_beside_the_store_after_a_refusal(to, tmp_path):
    with pytest.raises(SheetError):
        give_bytes(to, Path("x.zip"), b"PK\x03\x04 no bundle")
    with pytest.raises(SheetError):
        give(to, replace(look(Path("x.csv"), LIFE), sheets=()))
    assert list(tmp_path.iterdir()) == []


LOG = "module,shot,main_V_before,main_V_after,time_s\n"


def log_of(first, last, module="m1"):
    return LOG + "".join(f"{module},{k},1200,3,{3 * k}\n" for k in range(first, last))


@pytest.mark.parametrize("earlier", ["command", "page", "service"])
@pytest.mark.parametrize("later", ["command", "page", "service"])
def test_a_log_sent_again_supersedes_its_earlier_part_by_whichever_door(
    to, tmp_path, earlier, later
):
    """The rule of the project itself; no source."""
    agreed = {"fill:builder": "kite"}
    app = TestClient(Starlette(routes=api_routes(to)), raise_server_exceptions=False)
    access, token = with_token(Access(), "bench", "maintainer")
    save_access(access, to.path.parent)

    def send(door, name, text):
        path = tmp_path / name
        path.write_text(text)
        if door == "command":
            give_logs(to, reduce([path]), LogSettings("kite"))
        elif door == "page":
            give(to, look(path, text.encode(), terms(agreed)))
        else:
            said = {"file": name, "answer": "fill:builder=kite", "agree": "true"}
            r = app.post(
                "/api/v1/contributions",
                params=said,
                content=text.encode(),
                headers={"Authorization": f"Bearer {token}"},
            )
            if r.status_code >= 400:
                raise BadInput(r.json()["error"])

    send(earlier, "part.csv", log_of(1, 400))
    with pytest.raises(BadInput, match="399 to 899 in this log, but 0 to 399"):
        send(later, "rest.csv", log_of(400, 900))
    with pytest.raises(BadInput, match="0 to 99 in this log, but 0 to 399"):
        send(later, "less.csv", log_of(1, 100))
    send(later, "other.csv", log_of(1, 50, "m2"))
    send(later, "whole.csv", log_of(1, 900))
    pool = read_pool(to)
    ends = dict(
        zip(zip(pool.life.module, pool.life.slot, strict=True), pool.life.shots_good, strict=True)
    )
    assert pool.life.units == len(ends) == 4
    assert ends["m1", "igniter"] == 899 and ends["m2", "igniter"] == 49
    assert sorted(pool.misfires.systems) == ["kite/m1/igniter", "kite/m2/igniter"]


def test_misfires_of_one_unit_stand_in_one_sheet(to):
    """Two sheets of one unit would leave every question about misfires without an answer."""
    head = b"builder,module,slot,unit,shots,event\n"
    first = head + b"kite,m1,igniter,i1,100,misfire\nkite,m1,igniter,i1,500,end\n"
    later = head + b"kite,m2,igniter,i9,90,end\nkite,m1,igniter,i1,900,end\n"
    give_bytes(to, Path("a.csv"), first)
    assert not give_bytes(to, Path("a.csv"), first).new
    with pytest.raises(
        SheetError, match=r"b.csv:3:unit: .*row 2 of misfires.csv \(contribution 1\)"
    ):
        give_bytes(to, Path("b.csv"), later)
    assert len(to.box.contributions()) == 1
    give_bytes(to, Path("b.csv"), later, How(supersedes=(1,)))
    assert read_pool(to).misfires is not None


def test_readings_whose_unit_is_written_another_way_are_doubted(to):
    """They join no life record, which nobody notices later."""
    give_bytes(to, Path("life.csv"), LIFE)
    done = give_bytes(to, Path("wear.csv"), WEAR.replace(b",i1,", b",I-1,"))
    assert [f.code for f in done.findings] == ["spelt_unit"] and "'I-1' and 'i1'" in done.findings[
        0
    ].text
    assert not give_bytes(to, Path("misfires.csv"), MISFIRES).findings
