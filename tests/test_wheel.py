"""The built wheel in an environment of its own, outside the checkout: demo, life, report, serve, library."""

import base64
import hashlib
import json
import os
import socket
import subprocess
import sys
import sysconfig
import time
import urllib.error
import urllib.request
import zipfile
from pathlib import Path

import pytest

from reliability import extras
from reliability.notes import CannotAnswer

ROOT = Path(__file__).parents[1]


class Installed:
    """The wheel, installed in a folder outside the checkout."""

    def __init__(self, folder):
        self.folder = folder
        pip = [sys.executable, "-m", "pip", "-q", "--disable-pip-version-check"]
        subprocess.run([sys.executable, ROOT / ".ci" / "wheel", folder], check=True)
        (self.wheel,) = folder.glob("*.whl")
        subprocess.run([sys.executable, "-m", "venv", "--without-pip", folder / "venv"], check=True)
        self.python = folder / "venv" / "bin" / "python"
        subprocess.run(
            [*pip, "--python", self.python, "install", "--no-deps", "--no-index", self.wheel],
            check=True,
        )
        (site,) = (folder / "venv").glob("lib/python*/site-packages")
        # the dependencies of this environment, but not its .pth files: the checkout is not seen
        (site / "dependencies.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")
        self.site = site
        self.env = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}
        self.env |= {"HOME": str(folder), "XDG_DATA_HOME": str(folder / "data")}

    def run(self, *words):
        """Standard output of a command, which must succeed."""
        p = subprocess.run(
            list(map(str, words)), cwd=self.folder, env=self.env, capture_output=True, text=True
        )
        assert p.returncode == 0, p.stderr
        return p.stdout

    def shotlife(self, *words):
        return self.run(self.folder / "venv" / "bin" / "shotlife", *words)


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    return Installed(tmp_path_factory.mktemp("wheel"))


def test_the_wheel_brings_what_runs(installed):
    names = set(zipfile.ZipFile(installed.wheel).namelist())
    sheets = {p.name for p in (ROOT / "datasets" / "demo").glob("*.csv")}
    assert sheets
    assert {f"reliability/shipped-data/demo/{n}" for n in sheets} <= names
    assert {"reliability/py.typed", "reliability/report/statement.typ", "dashboard/app.py"} <= names
    assert not [n for n in names if n.startswith(("tests/", "datasets/"))]


def test_the_wheel_brings_its_bill_of_materials(installed):
    """In its .dist-info/sboms (PEP 770), in its record, and installed with it."""
    with zipfile.ZipFile(installed.wheel) as z:
        (name,) = [n for n in z.namelist() if ".dist-info/sboms/" in n]
        content = z.read(name)
        record = z.read(next(n for n in z.namelist() if n.endswith("/RECORD"))).decode()
    digest = base64.urlsafe_b64encode(hashlib.sha256(content).digest()).rstrip(b"=").decode()
    assert f"{name},sha256={digest},{len(content)}" in record
    assert (installed.site / name).read_bytes() == content
    assert json.loads(content)["bomFormat"] == "CycloneDX"


def test_library_is_imported_from_the_wheel(installed):
    where = installed.run(
        installed.python, "-c", "import reliability, dashboard; print(reliability.__file__, dashboard.__file__)"
    )  # fmt: skip
    assert [Path(w).is_relative_to(installed.site) for w in where.split()] == [True, True]
    assert str(ROOT) not in where


def test_demo_life_and_report(installed):
    assert "Invented demo" in installed.shotlife("demo", "--store", "demo.duckdb")
    sheet = ROOT / "datasets" / "published" / "genfan.csv"
    # Meeker & Escobar (1998), generator fans: 12 of 70 failed
    assert "12 of 70 units failed" in installed.shotlife("life", "--from", sheet, "--at", 5000)
    installed.shotlife(
        "report", "--store", "demo.duckdb", "--module", "kite-01", "--shots", 500, "--to", "statement.pdf"
    )  # fmt: skip
    assert (installed.folder / "statement.pdf").read_bytes().startswith(b"%PDF-")


def test_serve_answers(installed):
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    process = subprocess.Popen(
        [installed.folder / "venv" / "bin" / "shotlife", "serve", "--store", "served.duckdb",
         "--port", str(port), "--no-browser"],
        cwd=installed.folder, env=installed.env, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        entry = process.stdout.readline().split()[1]
        health = _get(process, f"http://127.0.0.1:{port}/api/v1/health")
        _get(process, entry)
        page = _get(process, entry.split("?")[0])
    finally:
        process.terminate()
        process.wait(30)
        process.stdout.close()
    assert "ok" in health
    assert "<title>" in page


# the start token is exchanged for a cookie
opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())


def _get(process, address):
    for _ in range(240):
        assert process.poll() is None, "the service stopped"
        try:
            with opener.open(address, timeout=5) as answer:
                return answer.read().decode()
        except urllib.error.HTTPError:
            raise
        except OSError:
            time.sleep(0.25)
    raise AssertionError(f"no answer from {address}")


@pytest.mark.parametrize("name", sorted(extras.EXTRAS))
def test_a_missing_extra_is_said_with_how_to_get_it(monkeypatch, name):
    monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(
        CannotAnswer, match=rf"{name} is missing.*\.setup.*shotlife\[(screen|paper)\]"
    ):
        extras.load(name)


def test_help_loads_nothing_heavy():
    heavy = {"numpy", "scipy", "pandas", "duckdb", "pyarrow", "altair", "streamlit", "lifelines"}
    code = (
        "import sys; from reliability.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: print(sorted(m for m in sys.modules if '.' not in m))"
    )
    p = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert not [m for m in heavy if f"'{m}'" in p.stdout.splitlines()[-1]]
