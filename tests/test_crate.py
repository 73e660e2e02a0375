"""Bundles as RO-Crates, judged by a general validator of the RO-Crate standard.

The validator fetches the standard's JSON-LD context from the net; here it is given the copy that the
RO-Crate library ships (context 1.3, which extends that of 1.2).
"""

import json
from pathlib import Path

import pytest
import requests

from reliability.sheets.bundle import About, Contributor, Source, write_bundle
from reliability.sheets.life import read_life

rocrate = pytest.importorskip("rocrate")
services = pytest.importorskip("rocrate_validator.services")
from rocrate_validator.models import Severity, ValidationSettings  # noqa: E402

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
CONTEXT = Path(rocrate.__file__).parent / "data" / "ro-crate.jsonld"


@pytest.fixture
def shipped_context(monkeypatch):
    def send(self, request, **_):
        if not request.url.startswith("https://w3id.org/ro/crate/"):
            raise requests.ConnectionError("no network in tests")
        response = requests.Response()
        response.status_code, response.url, response.request = 200, request.url, request
        response.headers["Content-Type"] = "application/ld+json"
        response._content = CONTEXT.read_bytes()
        return response

    monkeypatch.setattr(requests.adapters.HTTPAdapter, "send", send)


def judge(folder: Path, severity: str) -> list[str]:
    settings = ValidationSettings(
        rocrate_uri=str(folder),
        profile_identifier="ro-crate-1.2",
        no_cache=True,
        requirement_severity=getattr(Severity, severity),
    )
    result = services.validate(settings)
    return [f"{i.check.identifier}: {i.message}" for i in result.get_issues()]


def packed(tmp_path: Path) -> Path:
    about = About(
        "moss", "CC-BY-4.0", created="2026-01-02",
        contributors=(Contributor("moss", ("creator", "contact"), "0000-0002-1825-0097"), Contributor("kite")),
        sources=(Source("An invented report", "https://example.org/report", "2"), Source("Bench book")),
    )  # fmt: skip
    wear = (DEMO / "wear.csv").read_bytes()
    write_bundle(
        read_life(DEMO / "life_moss.csv").records, tmp_path / "b", about, {"wear.csv": wear}
    )
    return tmp_path / "b"


def test_a_bundle_is_an_ro_crate(tmp_path, shipped_context):
    assert judge(packed(tmp_path), "REQUIRED") == []


def test_what_is_recommended_but_lone_builders_do_not_have(tmp_path, shipped_context):
    """Affiliation, web address, ROR and contact of an organisation are left open; nothing else."""
    words = ("affiliation", "ROR", "SHOULD have a URL", "ontactPoint")
    left = judge(packed(tmp_path), "RECOMMENDED")
    assert [m for m in left if not any(w in m for w in words)] == []


def test_the_validator_finds_a_broken_crate(tmp_path, shipped_context):
    folder = packed(tmp_path)
    file = folder / "ro-crate-metadata.json"
    crate = json.loads(file.read_text())
    del crate["@graph"][1]["datePublished"]
    file.write_text(json.dumps(crate))
    assert judge(folder, "REQUIRED")
