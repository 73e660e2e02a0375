"""Bundles as RO-Crates, judged by a general validator of the RO-Crate standard.

Needs SHOTLIFE_CRATE_PYTHON, the Python of an environment with roc-validator (see crate_validator.py);
without it only the RO-Crate library's own reading is tested (test_bundle.py).
"""

import json
import os
import subprocess
from pathlib import Path

import pytest
import rocrate

from reliability.sheets.bundle import About, Contributor, Source, write_bundle
from reliability.sheets.life import read_life

PYTHON = os.environ.get("SHOTLIFE_CRATE_PYTHON", "")
pytestmark = pytest.mark.skipif(not PYTHON, reason="SHOTLIFE_CRATE_PYTHON is not set")
HERE = Path(__file__).parent
DEMO = HERE.parent / "datasets" / "demo"
CONTEXT = Path(rocrate.__file__).parent / "data" / "ro-crate.jsonld"  # 1.3, which extends 1.2


def judge(folder: Path, severity: str) -> list[str]:
    command = [PYTHON, str(HERE / "crate_validator.py"), str(folder), str(CONTEXT), severity]
    out = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    return json.loads(out.strip().splitlines()[-1])


@pytest.fixture
def crate(tmp_path):
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


def test_a_bundle_is_an_ro_crate(crate):
    assert judge(crate, "REQUIRED") == []


def test_what_is_recommended_but_lone_builders_do_not_have(crate):
    """Affiliation, web address, ROR and contact of an organisation are left open; nothing else."""
    words = ("affiliation", "ROR", "SHOULD have a URL", "ontactPoint")
    left = judge(crate, "RECOMMENDED")
    assert [m for m in left if not any(w in m for w in words)] == []


def test_the_validator_finds_a_broken_crate(crate):
    file = crate / "ro-crate-metadata.json"
    metadata = json.loads(file.read_text())
    del metadata["@graph"][1]["datePublished"]
    file.write_text(json.dumps(metadata))
    assert judge(crate, "REQUIRED")
