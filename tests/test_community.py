"""The community's pool: pools merged, citations that travel, a site from a workbook in three commands."""

import csv
import gzip
import json
import os
import re
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import frictionless
import numpy as np
import openpyxl
import pytest

from reliability.ask.asking import ask
from reliability.ask.plain import plain
from reliability.ask.questions import question_class
from reliability.ask.sources import Files, Stored, demo, read_pool
from reliability.citations import Citation
from reliability.order import in_order
from reliability.pool import Pool
from tests.command import ROOT, run
from tests.test_publish import Tags

DEMO = ROOT / "datasets" / "demo"
SIDES = [DEMO / n for n in ("wear.csv", "misfires.csv", "ignition.csv")]


def life(*builders):
    return [DEMO / f"life_{b}.csv" for b in builders]


def answer(name, source, **settings):
    """An answer as plain data without what it was read from."""
    found = plain(ask(question_class(name)(**settings), source))
    del found["basis"]
    return found


QUESTIONS = (
    ("life", {"slot": ("igniter",)}), ("modes", {"slot": ("main_capacitor",)}), ("module", {}), ("wear", {}),
    ("misfires", {}), ("builders", {"slot": ("main_capacitor",)}),
    ("derate", {"slot": ("main_capacitor",), "shots": 3000, "bound": "likelihood"}),
)  # fmt: skip


def test_pools_merged_from_bundles_answer_as_one_store_with_both(tmp_path):
    """Two sites pack their stores; a third takes both bundles, the later one first."""
    run("add", *life("kite", "lynx"), *SIDES, "--licence", "CC0-1.0", store=tmp_path / "a.duckdb")
    run("add", *life("moss", "nova", "orca"), *SIDES, "--licence", "CC-BY-4.0", store=tmp_path / "b.duckdb")  # fmt: skip
    for site in "ab":
        run("bundle", "--to", tmp_path / f"{site}.zip", "--name", f"site-{site}", "--title", f"Pool {site}", store=tmp_path / f"{site}.duckdb")  # fmt: skip
    run("add", tmp_path / "b.zip", tmp_path / "a.zip", store=tmp_path / "merged.duckdb")
    every = life("kite", "lynx", "moss", "nova", "orca")
    run("add", *every, *SIDES, "--licence", "CC0-1.0", store=tmp_path / "one.duckdb")
    merged, one = Stored(tmp_path / "merged.duckdb"), Stored(tmp_path / "one.duckdb")
    for name, settings in QUESTIONS:
        assert answer(name, merged, **settings) == answer(name, one, **settings), name
    cited = ask(question_class("modes")(slot=("igniter",)), merged).basis.citations
    assert [(c.title, c.licence) for c in cited] == [("Pool b", "CC-BY-4.0"), ("Pool a", "CC0-1.0")]
    assert cited[0].people == ("moss", "nova", "orca")


@pytest.mark.parametrize("seed", range(5))
def test_the_order_of_facts_does_not_matter(seed):
    rng = np.random.default_rng(seed)
    p = demo()
    mixed = replace(
        p, life=p.life.select(rng.permutation(len(p.life))),
        ignition=p.ignition.select(rng.permutation(p.ignition.shots.size)),
    )  # fmt: skip
    a, b = in_order(p), in_order(mixed)
    for name in a.life.column_names:
        np.testing.assert_array_equal(a.life.column(name), b.life.column(name))
    for name in a.ignition.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(a.ignition, name), getattr(b.ignition, name))
    assert a.life.units == p.life.units and sorted(a.life.shots_good) == sorted(p.life.shots_good)


def test_an_answer_names_only_what_it_rests_on(tmp_path):
    source = Files((*life("kite", "moss"), SIDES[0], SIDES[1]))
    files = [s.file for s in ask(question_class("modes")(), source).basis.files if s.used]
    assert files == ["life_kite.csv", "life_moss.csv"]
    own = ask(question_class("modes")(builder=("moss",)), source).basis
    assert [c.people for c in own.citations] == [("moss",)]
    wear = ask(question_class("wear")(), source).basis
    assert [c.title for c in wear.citations] == ["wear.csv"]


def test_kept_answers_name_the_same(tmp_path):
    run("add", *life("kite", "moss"), SIDES[0], store=tmp_path / "s.duckdb")
    question, source = question_class("modes")(builder=("moss",)), Stored(tmp_path / "s.duckdb")
    first, again = ask(question, source), ask(question, source)
    assert first.basis == again.basis and len(again.basis.citations) == 1


def test_older_stores_learn_citations(tmp_path):
    """A store of schema 4, which had no citations, opens and answers; new ones are kept."""
    old = (Path(__file__).parent / "reference" / "store_v4.duckdb.gz").read_bytes()
    (tmp_path / "s.duckdb").write_bytes(gzip.decompress(old))
    bundle = tmp_path / "m.zip"
    run("bundle", "--from", *life("moss"), "--to", bundle, "--title", "Lives at moss")
    run("add", bundle, store=tmp_path / "s.duckdb")
    *before, moss = Stored(tmp_path / "s.duckdb").box.contributions()
    assert before and all(c.citation == Citation("") for c in before)
    assert moss.citation.title == "Lives at moss"


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """A store with one bundle and one sheet."""
    where = tmp_path_factory.mktemp("stored")
    run(
        "bundle", "--from", *life("moss"), "--to", where / "moss.zip", "--title", "Invented lives at moss",
        "--licence", "CC-BY-4.0", "--id", "https://doi.org/10.1234/invented", "--created", "2026-01-02",
        "--contributor", "The moss group;creator,contact",
    )  # fmt: skip
    run("add", where / "moss.zip", store=where / "s.duckdb")
    run("add", *life("kite"), "--licence", "CC0-1.0", store=where / "s.duckdb")
    return where / "s.duckdb"


FULL = "The moss group (2026). Invented lives at moss. Version 1.0.0. Licence CC-BY-4.0. https://doi.org/10.1234/invented."


def test_answers_statements_and_exports_say_whom_to_cite(stored, tmp_path):
    assert f"  - {FULL}" in run("modes", "--slot", "igniter", store=stored).stdout
    said = json.loads(run("modes", "--slot", "igniter", "--json", store=stored).stdout)["basis"]["contributions"]  # fmt: skip
    assert said[0]["citation"] == {
        "title": "Invented lives at moss", "people": ["The moss group"], "licence": "CC-BY-4.0",
        "identifier": "https://doi.org/10.1234/invented", "version": "1.0.0", "created": "2026-01-02T00:00:00Z",
    }  # fmt: skip
    run("report", "--module", "moss-01", "--shots", 300, "--brief", "--to", tmp_path / "s.html", store=stored)  # fmt: skip
    assert FULL in (tmp_path / "s.html").read_text()
    run("export", "--to", tmp_path / "all.csv", store=stored)
    lines = (tmp_path / "all.csv.cite.txt").read_text().splitlines()
    assert lines[0] == FULL and len(lines) == 2
    run("export", "--builder", "kite", "--to", tmp_path / "one.parquet", store=stored)
    assert FULL not in (tmp_path / "one.parquet.cite.txt").read_text()
    run("bundle", "--to", tmp_path / "both.zip", store=stored)
    with zipfile.ZipFile(tmp_path / "both.zip") as z:
        package = json.loads(z.read("datapackage.json"))
        crate = json.loads(z.read("ro-crate-metadata.json"))
    assert package["sources"][0]["path"] == "https://doi.org/10.1234/invented"
    assert [c["title"] for c in package["contributors"]] == ["The moss group", "kite"]
    assert any(e["@id"] == "https://doi.org/10.1234/invented" for e in crate["@graph"])


def workbook(path):
    """A builder's workbook: the sheet of moss."""
    book = openpyxl.Workbook()
    for row in csv.reader(life("moss")[0].open()):
        book.active.append([float(c) if c.replace(".", "", 1).isdigit() else c or None for c in row])  # fmt: skip
    book.save(path)


def test_from_a_workbook_to_a_site_by_three_commands(tmp_path):
    workbook(tmp_path / "moss.xlsx")
    run("check", tmp_path / "moss.xlsx")
    run("bundle", "--from", tmp_path / "moss.xlsx", "--to", tmp_path / "moss.zip", "--name", "moss", "--licence", "CC-BY-4.0", "--created", "2026-01-02")  # fmt: skip
    out = run("publish", tmp_path / "public", "--from", tmp_path / "moss.zip").stdout
    assert "may be published as cc-by-4.0" in out.lower()
    report = frictionless.validate(str(tmp_path / "moss.zip"), type="package")
    assert report.valid, report.flatten(["type", "note"])
    with zipfile.ZipFile(tmp_path / "public" / "data" / "shot-lives.zip") as z:
        z.extractall(tmp_path / "given")
    assert frictionless.validate(str(tmp_path / "given" / "datapackage.json")).valid
    pages = sorted(p.name for p in (tmp_path / "public").glob("*.html"))
    assert len(pages) == 15 and "checks.html" in pages
    for page in pages:
        tags = Tags()
        tags.feed((tmp_path / "public" / page).read_text())
        for link in tags.links:
            assert link.startswith("#") or (tmp_path / "public" / link).is_file(), (page, link)
        text = (tmp_path / "public" / page).read_text()
        assert str(tmp_path) not in text
        shown = re.sub(r"<script.*?</script>", "", text, flags=re.S)
        assert not re.search(r"\bnan\b|\binf\b|None", shown), page
        assert "<tbody></tbody>" not in shown, page
    # what a page says can be asked again of what it offers to take away
    text = (tmp_path / "public" / "life.html").read_text().replace("\u00a0", " ")
    asked_again = run("life", "--slot", "main_capacitor", "--from", tmp_path / "public" / "data" / "shot-lives.zip")  # fmt: skip
    assert asked_again.stdout.splitlines()[0] in text
    assert "shotlife life --from shot-lives.zip --slot main_capacitor" in text


@pytest.mark.parametrize("seed", ["1", "77"])
def test_the_same_facts_give_the_same_bytes(stored, tmp_path, seed):
    """Built from the store, from another store that got the same in another order, in another process."""
    other = tmp_path / "o.duckdb"
    run("add", *life("kite"), "--licence", "CC0-1.0", store=other)
    run("add", stored.parent / "moss.zip", store=other)
    command = [
        sys.executable,
        "-m",
        "reliability.cli",
        "publish",
        "--created",
        "2026-03-04",
        "--slot",
        "igniter",
    ]
    for target, store in (("a", stored), ("b", other)):
        subprocess.run(
            [*command, str(tmp_path / target), "--store", str(store)], cwd=ROOT, check=True, capture_output=True,
            env={**os.environ, "PYTHONHASHSEED": seed},
        )  # fmt: skip
    files = sorted(
        p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file()
    )
    assert files == sorted(
        p.relative_to(tmp_path / "b") for p in (tmp_path / "b").rglob("*") if p.is_file()
    )
    for f in files:
        assert (tmp_path / "a" / f).read_bytes() == (tmp_path / "b" / f).read_bytes(), f


def test_licences_that_exclude_each_other_stop_it(tmp_path):
    run("add", *life("kite"), "--licence", "CC-BY-SA-4.0", store=tmp_path / "s.duckdb")
    run("add", *life("moss"), "--licence", "ODbL-1.0", store=tmp_path / "s.duckdb")
    refused = run("publish", tmp_path / "public", store=tmp_path / "s.duckdb", code=2)
    assert "Not to be published as one" in refused.stderr and not (tmp_path / "public").exists()
    refused = run("publish", tmp_path / "public", "--from", *life("kite"), code=2)
    assert "nothing here has a date" in refused.stderr
    for question, words in (("thrust", "no question"), ("life --colour red", "no option"), ("life --at", "needs a value"), ("life 'x", "cannot read")):  # fmt: skip
        refused = run("publish", tmp_path / "p", "--ask", question, "--created", "2026-01-02", "--from", *life("kite"), code=2)  # fmt: skip
        assert words in refused.stderr and not (tmp_path / "p").exists()


def test_nobody_else_changes_the_licence_of_a_giver(tmp_path):
    """What came under a licence that is not known here is not given on, whatever is wanted; a bundle keeps the
    licence it came with; what came without one may be given by who may speak for it."""
    store = tmp_path / "s.duckdb"
    told = run("add", *life("kite"), "--licence", "CC-BY-NC-4.0", store=store).stdout
    assert "CC-BY-NC-4.0 is not among the licences" in told and "cannot be published" in told
    run("add", *life("moss"), store=store)
    for wanted in ([], ["--licence", "CC0-1.0"]):
        refused = run("bundle", "--to", tmp_path / "b.zip", *wanted, store=store, code=2)
        assert "CC-BY-NC-4.0 is not among the licences" in refused.stderr
    told = run("bundle", "--to", tmp_path / "b.zip", "--builder", "moss", store=store, code=2)
    assert "no licence came with contribution 2;" in told.stderr
    done = run(
        "bundle",
        "--to",
        tmp_path / "b.zip",
        "--builder",
        "moss",
        "--licence",
        "CC-BY-SA-4.0",
        store=store,
    )
    assert "No licence came with contribution 2: you say" in done.stdout
    other = tmp_path / "o.duckdb"
    refused = run("add", tmp_path / "b.zip", "--licence", "CC0-1.0", store=other, code=2)
    assert "given under CC-BY-SA-4.0" in refused.stderr
    run("add", tmp_path / "b.zip", "--licence", "cc-by-sa-4.0", store=other)


def test_check_says_of_a_bundle_what_its_licence_stops(tmp_path):
    run(
        "bundle",
        "--from",
        DEMO / "life_moss.csv",
        "--to",
        tmp_path / "b",
        "--created",
        "2026-01-02",
    )
    assert "licence" not in run("check", tmp_path / "b").stdout
    package = json.loads((tmp_path / "b/datapackage.json").read_text())
    for licences, words in (
        ([{"name": "CC-BY-NC-4.0"}], "CC-BY-NC-4.0 is not among"),
        ([], "No licence is given"),
    ):
        (tmp_path / "b/datapackage.json").write_text(json.dumps({**package, "licenses": licences}))
        assert words in run("check", tmp_path / "b").stdout


def test_side_sheets_follow_the_filter_and_what_stays_behind_is_said(tmp_path):
    """Wear of a slot that a filter leaves out is not published with it, nor counts of builders without records."""
    store = tmp_path / "s.duckdb"
    run("add", *life("kite", "moss"), *SIDES, "--licence", "CC0-1.0", store=store)
    told = run("bundle", "--to", tmp_path / "all", store=store).stdout
    assert "Left out: wear, misfires or ignition counts of lynx, nova, orca, without" in told

    def rows(folder, file):
        path = tmp_path / folder / file
        return list(csv.DictReader(path.open())) if path.is_file() else []

    assert {r["builder"] for r in rows("all", "wear.csv")} == {"kite", "moss"}
    assert {r["slot"] for r in rows("all", "wear.csv")} == {"fuel", "main_capacitor", "module"}
    told = run("bundle", "--to", tmp_path / "fuel", "--slot", "fuel", store=store).stdout
    assert {r["slot"] for r in rows("fuel", "wear.csv")} == {
        "fuel",
        "module",
    } and "Left out" not in told
    assert not rows("fuel", "misfires.csv") and not rows("fuel", "ignition.csv")
    run("bundle", "--to", tmp_path / "igniter", "--slot", "igniter", store=store)
    assert rows("igniter", "ignition.csv") == rows("all", "ignition.csv") != []
    assert rows("igniter", "misfires.csv") == rows("all", "misfires.csv") != []
    run("bundle", "--to", tmp_path / "part", "--part", "ceramic-b", store=store)
    wear = {
        (r["module"], r["slot"], r["unit"])
        for r in rows("part", "wear.csv")
        if r["slot"] != "module"
    }
    lives = {(r["module"], r["slot"], r["unit"]) for r in rows("part", "life.csv")}
    assert wear and wear <= lives and {r["part"] for r in rows("part", "life.csv")} == {"ceramic-b"}


BENCH = """Kondensatoren im Dauerlauf (erfunden);;;;;;
;;;;;;
Werkstatt;Modul;Platz;Nr.;Schuss;U [kV];Zustand
heron;H1;Hauptkondensator;C1;4120;1,2;ok
heron;H2;Hauptkondensator;C2;2400;1,25;Kurzschluss
heron;H3;Hauptkondensator;C3;1800;1,5;Kurzschluss
Summe;;;;8320;;
"""


def test_from_a_benchs_own_workbook_by_three_commands(tmp_path):
    """A title line, units in headers, decimal commas, a total: taken in by what its builder agrees with."""
    book = openpyxl.Workbook()
    for line in BENCH.splitlines():
        book.active.append([cell or None for cell in line.split(";")])
    book.save(tmp_path / "heron.xlsx")
    refused = run("bundle", "--from", tmp_path / "heron.xlsx", "--to", tmp_path / "b.zip", code=2)
    assert "bench's own file" in refused.stderr and "shotlife add --agree" in refused.stderr
    store = tmp_path / "s.duckdb"
    run(
        "add",
        tmp_path / "heron.xlsx",
        "--agree",
        "--column",
        "Platz=slot",
        "--licence",
        "CC-BY-4.0",
        store=store,
    )
    run(
        "bundle",
        "--to",
        tmp_path / "heron.zip",
        "--name",
        "heron",
        "--created",
        "2026-01-02",
        store=store,
    )
    run("publish", tmp_path / "public", "--from", tmp_path / "heron.zip")
    report = frictionless.validate(str(tmp_path / "heron.zip"), type="package")
    assert report.valid, report.flatten(["type", "note"])
    with zipfile.ZipFile(tmp_path / "heron.zip") as z:
        rows = list(csv.DictReader(z.read("life.csv").decode().splitlines()))
    got = [
        (
            r["builder"],
            r["slot"],
            r["unit"],
            float(r["shots_good"]),
            r["shots_failed"],
            float(r["charge_V"]),
        )
        for r in rows
    ]
    assert got == [
        ("heron", "main_capacitor", "C1", 4120, "", 1200), ("heron", "main_capacitor", "C2", 2400, "2400", 1250),
        ("heron", "main_capacitor", "C3", 1800, "1800", 1500),
    ]  # fmt: skip


def test_a_pool_without_lives_cannot_be_published(tmp_path):
    refused = run("publish", tmp_path / "public", store=tmp_path / "none.duckdb", code=3)
    assert "no accepted life records" in refused.stderr
    assert read_pool(Pool()).life is None
