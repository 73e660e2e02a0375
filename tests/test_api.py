"""The JSON API: the same numbers as the command line, tokens and roles, and a fuzzer's worst."""

import json
import os
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import positive_data_acceptance
from starlette.applications import Starlette
from starlette.testclient import TestClient

from reliability.access import Access, Who, load_access, may, save_access, with_person, with_token
from reliability.api.openapi import document
from reliability.api.routes import api_routes
from reliability.ask.questions import QUESTIONS
from reliability.ask.sources import Stored
from reliability.notes import BadInput
from reliability.sheets.side import read_sheet
from reliability.store import Store
from reliability.store.intake import put
from tests.command import run

EXAMPLES = int(os.environ.get("SHOTLIFE_FUZZ", "7"))
DEMO = Path(__file__).parents[1] / "datasets" / "demo"


def small_store(folder):
    """One builder's failed slots, and the wear, misfire and ignition sheets."""
    box = Store(folder / "s.duckdb")
    for name in ("life_kite.csv", "wear.csv", "misfires.csv", "ignition.csv"):
        put(box, read_sheet(DEMO / name))
    return box


@pytest.fixture(scope="module")
def box(tmp_path_factory):
    return small_store(tmp_path_factory.mktemp("api"))


@pytest.fixture(scope="module")
def tokens(box):
    access, out = Access(), {}
    for role in ("reader", "contributor", "maintainer"):
        access, out[role] = with_token(access, f"{role}-one", role)
    save_access(access, box.path.parent)
    return out


@pytest.fixture(scope="module")
def client(box, tokens):
    return TestClient(Starlette(routes=api_routes(Stored(box.path))), raise_server_exceptions=False)


def bearer(token):
    return {"Authorization": f"Bearer {token}"}


def test_same_numbers_as_the_command_line(client, box):
    ours = json.loads(
        run("life", "--slot", "igniter", "--at", "500", "--json", store=box.path).stdout
    )
    theirs = client.get("/api/v1/life", params={"slot": "igniter", "at": 500}).json()
    for key in ("shape", "scale", "loglik", "quantiles", "survival"):
        assert theirs[key] == ours[key]
    ours = json.loads(run("module", "--json", store=box.path).stdout)
    theirs = client.get("/api/v1/module").json()
    assert theirs["life"] == ours["life"]


@pytest.mark.parametrize(
    "path, words",
    [
        ("life?family=normal", "family is one of"),
        ("life?confidence=nan", "confidence is a number"),
        ("life?confidence=1", "at most 0.99999"),
        ("life?at=1_000", "at is a number"),
        ("life?sloth=igniter", "no setting 'sloth'"),
        ("life?family=weibull&family=lognormal", "once is allowed"),
        ("flight?shots=5", "module is missing"),
        ("life?where=charge_V%3B%20DROP%20TABLE%20life_record", "cannot read the condition"),
        ("life?slot=';DROP TABLE life_record;--", "no record with slot"),
    ],
)
def test_wrong_parameters_are_named(client, path, words):
    r = client.get(f"/api/v1/{path}")
    assert r.status_code == 400
    assert words in r.json()["error"]


def test_data_that_cannot_answer(client):
    r = client.get("/api/v1/life", params={"slot": "fuel"})
    assert r.status_code == 422
    assert r.json()["partial"]["failed"] == 0


def test_writing_needs_a_token_of_a_contributor(client, tokens, tmp_path):
    sheet = b"builder,module,slot,shots_good\nlynx,x1,igniter,500\n"
    url = "/api/v1/contributions?file=mine.csv"
    assert client.post(url, content=sheet).status_code == 401
    assert client.post(url, content=sheet, headers=bearer("guess")).status_code == 401
    assert client.post(url, content=sheet, headers=bearer(tokens["reader"])).status_code == 403
    r = client.post(url, content=sheet, headers=bearer(tokens["contributor"]))
    assert (r.status_code, r.json()["contribution"]["status"]) == (201, "received")
    r = client.post(url, content=sheet, headers=bearer(tokens["contributor"]))
    assert (r.status_code, r.json()["new"]) == (200, False)
    more = sheet.replace(b"500", b"600")
    r = client.post(url, content=more, headers=bearer(tokens["maintainer"]))
    assert (r.status_code, r.json()["contribution"]["status"]) == (201, "accepted")


def test_faulty_upload_names_its_faults_and_stores_nothing(client, tokens, box):
    before = len(box.contributions())
    r = client.post(
        "/api/v1/contributions?file=bad.csv", content=b"builder,module,slot,shots_good\na,b,c,x\n",
        headers=bearer(tokens["contributor"]),
    )  # fmt: skip
    assert r.status_code == 400
    assert r.json()["faults"][0]["column"] == "shots_good"
    assert len(box.contributions()) == before


@pytest.mark.parametrize("name", ["../x.csv", "x.exe", "a/b.csv", "x.csv\0", ".csv", "C:\\x.csv"])
def test_upload_names_cannot_leave_the_folder(client, tokens, name):
    r = client.post(
        "/api/v1/contributions", params={"file": name}, content=b"x", headers=bearer(tokens["contributor"])
    )  # fmt: skip
    assert r.status_code == 400


def test_too_large_an_upload_is_refused(client, tokens, monkeypatch):
    monkeypatch.setattr("reliability.api.giving.LARGEST", 1000)
    r = client.post(
        "/api/v1/contributions?file=x.csv", content=b"x" * 2000, headers=bearer(tokens["contributor"])
    )  # fmt: skip
    assert r.status_code == 413


def test_with_sign_in_reading_needs_a_token(box, tokens):
    closed = TestClient(Starlette(routes=api_routes(Stored(box.path), sign_in=True)))
    assert closed.get("/api/v1/life?slot=igniter").status_code == 401
    assert closed.get("/api/v1/health").status_code == 200
    r = closed.get("/api/v1/contributions", headers=bearer(tokens["reader"]))
    assert r.status_code == 200


def test_document_is_sound_openapi():
    """The published schema of OpenAPI 3.1, by the fuzzer's own loader; every reference resolves."""
    text = json.dumps(document())
    for ref in {part.split('"')[0] for part in text.split("#/components/schemas/")[1:]}:
        assert ref in document()["components"]["schemas"]


def test_roles():
    a = with_person(with_person(Access(), "Ada@Example.org", "maintainer"), "anyone", "reader")
    assert a.people == {"ada@example.org": "maintainer"} and a.anyone == "reader"
    assert may("maintainer", "contributor") and not may("reader", "contributor")
    with pytest.raises(BadInput, match="role is one of"):
        with_person(a, "x@y", "king")


def test_roles_file_is_private_and_damage_locks_everybody_out(tmp_path):
    save_access(Access({"a@b": "reader"}), tmp_path)
    path = tmp_path / "access.json"
    assert path.stat().st_mode & 0o077 == 0
    assert load_access(tmp_path).people == {"a@b": "reader"}
    path.write_text('{"people": {"a@b": "king"}}')
    with pytest.raises(BadInput, match="cannot be read"):
        load_access(tmp_path)


def test_access_command_shows_a_token_once(tmp_path):
    store = tmp_path / "s.duckdb"
    out = run("access", "--token", "bench", "--role", "contributor", store=store).stdout
    token = out.split("shown once: ")[1].split()[0]
    assert load_access(tmp_path).of_token(token).name == "bench"
    assert token not in (tmp_path / "access.json").read_text()
    assert token not in run("access", store=store).stdout
    run("access", "--remove-token", "bench", store=store)
    assert load_access(tmp_path).of_token(token) == Who()


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory):
    """The API's operations, on a store of its own, and a contributor's token."""
    folder = tmp_path_factory.mktemp("fuzz")
    box = small_store(folder)
    access, token = with_token(Access(), "fuzzer", "contributor")
    save_access(access, folder)
    app = Starlette(routes=api_routes(Stored(box.path)))
    schema = schemathesis.openapi.from_asgi("/api/v1/openapi.json", app)
    operations = {o.ok().label: o.ok() for o in schema.get_all_operations()}
    assert set(operations) == LABELS
    return operations, token


LABELS = {
    "GET /api/v1/health",
    "GET /api/v1/contributions",
    "POST /api/v1/contributions",
    "POST /api/v1/contributions/{number}",
    "POST /api/v1/readings",
    "GET /api/v1/deeds",
    *(f"GET /api/v1/{n}" for n in QUESTIONS),
}


@pytest.mark.parametrize("mode", list(GenerationMode))
@pytest.mark.parametrize("label", sorted(LABELS))
def test_fuzzed(fuzzed, label, mode):
    """schemathesis: sound and unsound requests; no server error, every answer as the document says."""
    operations, token = fuzzed

    @given(case=operations[label].as_strategy(generation_mode=mode))
    @settings(
        max_examples=EXAMPLES, deadline=None, derandomize=True, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    def ask(case):
        # a slot or module nobody has is sound in form, and refused all the same
        # a loaded machine may take its time: how long is not what is asked here
        case.call_and_validate(
            headers=bearer(token), excluded_checks=[positive_data_acceptance], timeout=600
        )

    try:
        ask()
    except Unsatisfiable:
        assert mode == GenerationMode.NEGATIVE  # nothing to be wrong in
