"""What the package is made of: bill of materials, pins, audit of what is locked."""

import gzip
import json
import os
import re
import shlex
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path

import jsonschema
import pytest
from packaging.requirements import Requirement
from referencing import Registry, Resource

ROOT = Path(__file__).parents[1]
SCHEMAS = ROOT / "tests" / "reference" / "cyclonedx"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


@pytest.fixture(scope="module")
def bill(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bill")
    subprocess.run([sys.executable, ROOT / ".ci" / "wheel", "--bill-only", folder], check=True)
    (path,) = folder.iterdir()
    return json.loads(path.read_text())


def schema(name):
    return json.loads(gzip.decompress((SCHEMAS / f"{name}.schema.json.gz").read_bytes()))


def validator():
    """Of CycloneDX 1.6 (ECMA-424); its schemas as the CycloneDX project ships them, Apache License 2.0."""
    names = ("spdx", "jsf-0.82", "cryptography-defs")
    others = {f"http://cyclonedx.org/schema/{n}.SNAPSHOT.schema.json": schema(n) for n in names}
    registry = Registry().with_resources((k, Resource.from_contents(v)) for k, v in others.items())
    return jsonschema.Draft7Validator(schema("bom-1.6"), registry=registry)


def test_the_bill_is_valid(bill):
    assert not [e.message for e in validator().iter_errors(bill)]
    broken = {**bill, "components": [{**bill["components"][0], "type": "thing"}]}
    assert list(validator().iter_errors(broken))


def test_the_bill_names_what_the_lock_names(bill):
    """Every line ``name==version`` of the lock that everybody installs, and nothing that is in no lock."""
    text = (ROOT / ".requirements.lock").read_text()
    pins = set(re.findall(r"^([A-Za-z0-9._-]+)==(\S+)", text, re.M))
    named = {(c["name"], c["version"]) for c in bill["components"]}
    required = {(c["name"], c["version"]) for c in bill["components"] if c["scope"] == "required"}
    assert pins == required and required < named
    for c in bill["components"]:
        assert c["externalReferences"] and c["purl"].startswith("pkg:pypi/")


def test_what_runs_here_is_in_the_bill(bill):
    there = {}
    for c in bill["components"]:
        there.setdefault(c["name"], set()).add(c["version"])
    for name in ("duckdb", "numpy", "scipy", "streamlit", "starlette", "uvicorn", "authlib"):
        assert version(name) in there[name]


def test_everything_hangs_together(bill):
    """All that is needed to run is reached from the package itself; only what installs it is not."""
    needs = {d["ref"]: d["dependsOn"] for d in bill["dependencies"]}
    reached, open_ = set(), [bill["metadata"]["component"]["bom-ref"]]
    while open_:
        ref = open_.pop()
        if ref not in reached:
            reached.add(ref)
            open_ += needs[ref]
    left = {c["name"] for c in bill["components"] if c["bom-ref"] not in reached}
    assert left <= {"pip", "setuptools", "packaging", "wheel"}


LEANED_ON = ("streamlit", "starlette", "uvicorn", "duckdb")
"""whose inside is used, or whose files are kept: a new series may break them unseen"""


def test_what_is_leaned_on_has_an_upper_bound():
    every = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["screen"]]
    found = {r.name: r for r in map(Requirement, every)}
    for name in LEANED_ON:
        bounds = [s for s in found[name].specifier if s.operator == "<"]
        assert bounds, name
        assert version(name) in found[name].specifier


def tool(tmp_path, text, code=0):
    """A tool that says this, in pip-audit's place."""
    path = tmp_path / "tool.py"
    path.write_text(f"import sys\nsys.stdout.write({text!r})\nsys.exit({code})\n")
    return f"{shlex.quote(sys.executable)} {shlex.quote(str(path))}"


def audited(tmp_path, text, code=0):
    lock = tmp_path / "one.lock"
    lock.write_text("a==1.0 \\\n    --hash=sha256:00\nb-c==2.0 \\\n    --hash=sha256:00\n")
    return subprocess.run(
        [sys.executable, ROOT / ".ci" / "audit", lock], capture_output=True, text=True,
        env={**os.environ, "SHOTLIFE_AUDIT": tool(tmp_path, text, code)},
    )  # fmt: skip


def said(*dependencies):
    return json.dumps({"dependencies": list(dependencies), "fixes": []})


A = {"name": "a", "version": "1.0", "vulns": []}
B = {"name": "B_c", "version": "2.0", "vulns": []}
FLAW = {"id": "PYSEC-2026-1", "fix_versions": ["2.1"]}


def test_an_audit_of_everything_passes(tmp_path):
    p = audited(tmp_path, said(A, B))
    assert p.returncode == 0 and "2 locked packages looked up" in p.stdout


@pytest.mark.parametrize(
    "text, code, words",
    [
        (said(A, {**B, "vulns": [FLAW]}), 1, "B_c 2.0: PYSEC-2026-1, mended in 2.1"),
        (said(A), 0, "b-c 2.0 was not looked up"),
        (said(A, {"name": "b-c", "skip_reason": "not found"}), 0, "b-c 2.0 was not looked up"),
        (said(A, {**B, "version": "3.0"}), 0, "b-c 2.0 was not looked up"),
        (said(), 0, "a 1.0 was not looked up"),
        ("", 1, "nothing could be looked up"),
        ("not JSON", 0, "nothing could be looked up"),
        (said(A, B), 2, "the tool ended with 2"),
    ],
    ids=["a flaw", "one left out", "one skipped", "another version", "none", "offline", "noise", "failed"],
)  # fmt: skip
def test_an_audit_that_saw_a_flaw_or_not_everything_fails(tmp_path, text, code, words):
    p = audited(tmp_path, text, code)
    assert p.returncode == 1 and words in p.stdout


def test_an_audit_without_its_tool_fails(tmp_path):
    p = subprocess.run(
        [sys.executable, ROOT / ".ci" / "audit"], capture_output=True, text=True,
        env={**os.environ, "SHOTLIFE_AUDIT": f"{shlex.quote(sys.executable)} -m no_such_tool"},
    )  # fmt: skip
    assert p.returncode == 1 and "nothing could be looked up" in p.stdout
