"""Questions in processes of their own: limits, turns, what is stopped, what goes on meanwhile."""

import os
import threading
import time

import pytest
from starlette.applications import Starlette
from starlette.testclient import TestClient

import reliability as rl
from reliability.api.routes import api_routes
from reliability.ask.admission import Busy, Places
from reliability.ask.asking import ask, outcome_of
from reliability.ask.crew import Crew, Rules
from reliability.ask.plain import plain
from reliability.ask.sources import Stored
from reliability.nursery import Nursery
from reliability.sheets.life import read_life
from reliability.store import Store
from tests.command import ROOT
from tests.slow import LARGE, LONG


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    path = tmp_path_factory.mktemp("crew") / "s.duckdb"
    Store(path).add(read_life(ROOT / "datasets" / "demo" / "life_kite.csv"))
    return Stored(path)


@pytest.fixture
def crew():
    made = []

    def make(**rules):
        made.append(Crew(Rules(**rules)))
        made[-1]._nursery = Nursery("tests.slow", "nurse")
        return made[-1]

    yield make
    for c in made:
        c.close()


SMALL = rl.Life(slot=("igniter",), bound="likelihood")


def long(k=0):
    """A question of many seconds (tests/slow)."""
    return rl.Life(slot=("main_capacitor",), at=tuple(range(100 + k, 100 + LONG + k)))


def until(holds):
    """Wait on a condition."""
    for _ in range(3000):
        if holds():
            return
        time.sleep(0.02)
    raise AssertionError("it never came to pass")


def gone(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    with open(f"/proc/{pid}/stat") as f:
        return f.read().rpartition(")")[2].split()[0] == "Z"


def test_the_same_answer_as_asked_directly(store, crew):
    pool = rl.read_pool(store)
    found = crew().ask(SMALL, store, "a")
    assert (
        plain(found) == plain(ask(SMALL, store)) and found.quantiles == ask(SMALL, pool).quantiles
    )
    assert plain(crew().ask(SMALL, pool, "a"))["quantiles"] == plain(found)["quantiles"]
    with pytest.raises(rl.CannotAnswer) as e:
        crew().ask(rl.Life(slot=("fuel",)), store, "a")
    assert e.value.partial.failed == 0
    with pytest.raises(rl.BadInput, match="no record with slot"):
        crew().ask(rl.Life(slot=("x",)), store, "a")


def test_what_nobody_waits_for_is_stopped_dead(store, crew):
    c = crew(cores=1)
    tickets = [c.begin(long(), store, who) for who in ("a", "b")]  # one process for both
    until(lambda: c._working and c._working[0].pid)
    (task,) = c._working
    tickets[0].leave()
    assert not gone(task.pid)
    pid = task.pid
    tickets[1].leave()
    until(lambda: gone(pid))
    assert not c._working and not c._waiting and not c._tasks


def test_whoever_watches_may_end_it(store, crew):
    c = crew()

    def watch(progress):
        assert progress.state in ("waiting", "working") and progress.seconds > 0
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        c.ask(long(), store, "a", watch)
    assert not c._working and c.places.taken == 0


def test_small_questions_go_on_beside_long_ones(store, crew):
    """Long ones fill their places and rest; a small one is answered while they are all there."""
    c = crew(cores=1, each=9)
    tickets = [c.begin(long(k), store, f"p{k}") for k in range(3)]
    until(lambda: any(t.phase == "resting" for t in c._working))
    c.ask(SMALL.model_copy(update={"confidence": 0.8}), store, "small")
    assert not all(t.wait(0) for t in tickets)  # in a queue it would be the last
    for t in tickets:
        t.leave()
    assert not c._working


def test_one_person_asks_so_many_at_a_time(store, crew):
    c = crew(cores=4, each=2)
    tickets = [c.begin(long(20 + k), store, "a") for k in range(3)]
    other = c.begin(long(30), store, "b")
    assert [t._task.phase == "waiting" for t in tickets] == [False, False, True]
    assert other._task.phase != "waiting" and tickets[2].progress().state == "waiting"
    for t in (*tickets, other):
        t.leave()


def test_deadline_and_memory_are_limits(store, crew):
    c = crew(deadline=1)
    for _ in range(2):  # the second time at once
        with pytest.raises(Busy, match="more than 1 s of computing") as e:
            c.ask(long(40), store, "a")
    assert e.value.status == 503 and 1 <= e.value.after <= 300
    c = crew(memory=100 << 20)
    with pytest.raises(Busy, match="more than 100 MiB of memory"):
        c.ask(rl.Life(slot=("igniter",), at=tuple(range(1, LARGE + 1))), store, "a")


def test_patience_has_an_end(store, crew):
    with pytest.raises(Busy, match="ask again later"):
        crew(patience=0.5).ask(long(50), store, "a")


def test_places():
    p = Places("questions", each=2, most=3, after=7)
    with p.of("a"), p.of("a"), p.of("b"):
        for who, status in (("a", 429), ("c", 503)):
            with pytest.raises(Busy) as e, p.of(who):
                pass
            assert (e.value.status, e.value.after) == (status, 7)
    assert p.taken == 0


def test_api_refuses_with_when_to_try_again_while_health_goes_on(store, crew):
    c = crew(cores=1)
    c.places = Places("questions", each=2, most=3, after=7)
    client = TestClient(Starlette(routes=api_routes(store, by=c)))
    asked = "/api/v1/life?slot=main_capacitor&" + "&".join(f"at={n}" for n in range(200, 250))
    with c.places.of("owner"), c.places.of("owner"):
        r = client.get(asked)
        assert r.status_code == 429 and r.headers["retry-after"] == "7" and "2 questions" in r.json()["error"]  # fmt: skip
        assert client.get("/api/v1/health").status_code == 200
    found = []
    thread = threading.Thread(target=lambda: found.append(client.get(asked)))
    thread.start()
    until(lambda: c._working)
    assert client.get("/api/v1/health").json()["ok"]
    with c._turn:
        c.leave(c._working[0])  # ended under it
    thread.join()
    assert found[0].status_code == 503 and found[0].headers["retry-after"]


LIMITS = [
    (rl.Life, {"at": tuple(range(51))}, "at is given 51 times; at most 50"),
    (rl.Life, {"fraction": (0.1,) * 21}, "at most 20"),
    (rl.Life, {"where": ("a=1",) * 21}, "at most 20"),
    (rl.Life, {"where": (" " * 501,)}, "longer than 500"),
    (rl.Life, {"next": 1001}, "at most 1000"),
    (rl.Life, {"fraction": (1e-9,)}, "at least 1e-06"),
    (rl.Life, {"confidence": 1 - 1e-9}, "at most 0.99999"),
    (rl.Module, {"fraction": 1e-9}, "at least 1e-06"),
    (rl.Module, {"units": ("igniter=100000",)}, "to 10,000"),
    (rl.Module, {"at": (1e16,)}, "below 1e\\+15"),
    (rl.Accelerate, {"accelerate_to": 1.0, "levels": tuple(range(13))}, "at most 12"),
]


@pytest.mark.parametrize("cls, given, words", LIMITS)
def test_limits_are_named(cls, given, words):
    with pytest.raises(rl.BadInput, match=words):
        cls(**given)


def test_outcome_is_text_that_gives_the_answer_back():
    text = outcome_of(SMALL, rl.demo())
    assert text.startswith('{"answer"')
