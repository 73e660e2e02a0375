"""The command line as people and programs use it."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.command import run

ROOT = Path(__file__).parents[1]
PUBLISHED, DEMO = ROOT / "datasets" / "published", ROOT / "datasets" / "demo"


def test_life_json_keeps_its_keys():
    out = json.loads(
        run(
            "life",
            "--from",
            PUBLISHED / "genfan.csv",
            "--family",
            "weibull",
            "--json",
            "--at",
            1000,
        ).stdout
    )
    assert out["shape"] == pytest.approx(1.05844585, rel=1e-6)
    assert out["scale"] == pytest.approx(26296.84517, rel=1e-6)
    assert out["loglik"] == pytest.approx(-135.1527, rel=1e-6)
    for key in (
        "family",
        "n",
        "failed",
        "mu",
        "sigma",
        "confidence",
        "bound",
        "quantiles",
        "survival",
        "notes",
    ):
        assert key in out
    assert set(out["quantiles"][0]) == {"fraction", "shots", "lower", "upper"}
    assert set(out["survival"][0]) == {"shots", "estimate", "lower", "upper"}
    assert out["n"] == 70 and out["failed"] == 12


def test_life_in_words():
    text = run("life", "--from", PUBLISHED / "genfan.csv").stdout
    assert "12 of 70" in text and "AICc" in text


def test_exit_codes(tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_text("builder,module,slot,shots_good\na,b,c,x\n")
    assert "bad.csv:2:shots_good:" in run("life", "--from", bad, code=2).stderr
    assert "bad.csv:2:shots_good:" in run("check", bad, code=2).stderr
    alive = tmp_path / "alive.csv"
    alive.write_text("builder,module,slot,shots_good\na,b,c,1000\na,b,c,2000\n")
    p = run("life", "--from", alive, "--json", code=3)
    out = json.loads(p.stdout)
    assert out["shape"] is None and out["quantiles"][0]["lower"] > 0
    assert "failed" in p.stderr
    for args in (
        ["--family", "normal"],
        ["--bound", "x"],
        ["--confidence", "95"],
        ["--fraction", "2"],
        ["--mode", "melt"],
        ["--slot", "none"],
        ["--where", "a~b"],
    ):
        run("life", "--from", PUBLISHED / "genfan.csv", *args, code=2)
    run("nonsense", code=2)


def test_store_path_from_add_to_export(tmp_path):
    store = tmp_path / "s.duckdb"
    assert "no accepted life records yet" in run("life", store=store, code=3).stderr
    for f in sorted(DEMO.glob("life_*.csv")):
        assert "added" in run("add", f, store=store).stdout
    assert "already stored" in run("add", DEMO / "life_kite.csv", store=store).stdout
    listed = json.loads(run("records", "--json", "--slot", "fuel", store=store).stdout)
    assert len(listed["contributions"]) == 6
    assert all(r["slot"] == "fuel" for r in listed["records"])
    modes = json.loads(run("modes", "--slot", "main_capacitor", "--json", store=store).stdout)
    assert modes["modes"][0]["mode"] == "short"
    module = json.loads(run("module", "--json", "--at", 1000, store=store).stdout)
    assert module["slots"][0]["slot"] == "main_capacitor"
    assert module["survival"][0]["lower"] < module["survival"][0]["estimate"]
    assert [c["id"] for c in module["basis"]["contributions"]] == [1, 2, 3, 4, 5, 6]
    run("export", "--to", tmp_path / "all.csv", store=store)
    assert "543 records" in run("check", tmp_path / "all.csv").stdout


def test_refused_whole(tmp_path):
    store = tmp_path / "s.duckdb"
    bad = tmp_path / "bad.csv"
    bad.write_text("builder,module,slot,shots_good\na,b,c,1\na,b,c,x\n")
    run("add", DEMO / "life_kite.csv", bad, store=store, code=2)
    assert not store.exists()


def test_demo_estimates_agree_with_its_truth(tmp_path):
    """The main job on the demo: the true life of main capacitors lies within the bounds."""
    import numpy as np

    truth = json.loads((DEMO / "truth.json").read_text())
    files = [a for f in sorted(DEMO.glob("life_*.csv")) for a in ("--from", f)]
    out = json.loads(
        run(
            "life",
            *files,
            "--slot",
            "main_capacitor",
            "--where",
            "part=film-a",
            "--where",
            "charge_V=1400",
            "--json",
        ).stdout
    )
    slot = truth["slots"]["main_capacitor"]
    ten = slot["scale"] * (-np.log(0.9)) ** (1 / slot["shape"])
    assert out["quantiles"][0]["lower"] < ten * 1.15  # builders differ by some 12 %
    assert "demo" in run("demo", store=tmp_path / "d.duckdb").stdout


def test_help_lists_every_command():
    text = run("--help").stdout
    from reliability.cli import COMMANDS

    for name in COMMANDS:
        assert f"  {name}" in text
        assert "--help" in run(name, "--help").stdout


def test_help_imports_nothing_heavy():
    code = "import sys, reliability.cli; print([m for m in ('numpy','scipy','duckdb','pandas','streamlit') if m in sys.modules])"
    assert (
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout.strip()
        == "[]"
    )


def test_a_closed_output_loses_no_file(tmp_path):
    """Nobody reads on, or standard output was closed from the start: what was to be written is written."""
    store = tmp_path / "s.duckdb"
    run("demo", store=store)
    shot = [sys.executable, "-m", "reliability.cli"]
    wear = [*shot, "wear", "--store", store, "--quantity", "capacitance_uF", "--to", tmp_path / "worn.csv"]  # fmt: skip
    p = subprocess.Popen([*map(str, wear)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT, text=True)  # fmt: skip
    p.stdout.close()
    assert "Traceback" not in p.stderr.read()
    p.wait()
    p.stderr.close()
    assert (tmp_path / "worn.csv").read_text().startswith("builder,")
    export = f'exec "$@" --store "{store}" --to "{tmp_path / "out.csv"}" >&-'
    p = subprocess.run(["sh", "-c", export, "sh", *shot, "export"], cwd=ROOT, capture_output=True, text=True)  # fmt: skip
    assert p.returncode == 0 and not p.stderr
    assert (tmp_path / "out.csv").exists()


def test_a_missing_extra_is_said_before_the_answer(monkeypatch, tmp_path):
    from click.testing import CliRunner

    from reliability.commands import report
    from reliability.notes import CannotAnswer

    monkeypatch.setitem(sys.modules, "typst", None)
    words = ["--module", "x", "--shots", "1", "--to", str(tmp_path / "x.pdf"), "--from", "nofile.csv"]  # fmt: skip
    found = CliRunner().invoke(report.command, words)
    assert isinstance(found.exception, CannotAnswer) and "paper" in str(found.exception)


def test_a_fault_of_a_whole_file_has_no_row(tmp_path):
    assert "nofile.csv: there is no such file" in run("check", "nofile.csv", code=2).stderr
