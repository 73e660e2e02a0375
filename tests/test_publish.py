"""The static site: one template, safe texts, no network, the same bytes at every build."""

import hashlib
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import altair as alt
import openpyxl
import pandas as pd
import pytest

from reliability.citations import Citation
from reliability.ledger import SEEN, carry_out, checks, suites
from reliability.notes import BadInput, Note
from reliability.publish import (
    Basis,
    Figure,
    Page,
    SiteAbout,
    Table,
    site,
    total_size,
    write_site,
)
from reliability.publish.figures import settled
from reliability.publish.standing import OWN_NAMES, PACK, RECIPE, checks_page, template
from reliability.sheets.bundle import About, download_files, read_bundle
from reliability.sheets.life import read_life
from tests.command import run

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "datasets" / "demo"
EVIL = "</script><script>alert('x')</script>"


def chart():
    """A figure that reacts, with a text that must not become a script."""
    data = pd.DataFrame(
        {"shots": [0, 1000, 2000], "survival": [1.0, 0.9, 0.6], "who": ["a", EVIL, "c"]}
    )
    lines = alt.Chart(data).mark_line().encode(x="shots:Q", y="survival:Q", tooltip=["who:N"])
    return (lines + alt.Chart(data).mark_point().encode(x="shots:Q", y="survival:Q")).interactive()


def pages():
    figure = Figure("Survival", chart().to_dict(), "Survival falls from 1 to 0.6 at 2,000 shots.")
    table = Table("Numbers", ("shots", "who"), ((1000, EVIL), (2000, "b")))
    return [
        Page("index", "Overview", "Five invented builders, one pool.", ("An invented scenario.",)),
        Page(
            "life", "Life", f"Half the units outlast 2,000 shots. {EVIL}", figures=(figure,), tables=(table,),
            basis=(Basis("contributions", "1, 2"),), notes=(Note("few_failures", EVIL),), bench=True,
        ),
    ]  # fmt: skip


ABOUT = SiteAbout(
    "Shot lives (invented)", "May be used under CC0-1.0.", "state 7",
    (Citation("Lives at moss", ("moss",), "CC0-1.0", "urn:uuid:1", "1.0.0", "2026-01-02T00:00:00Z"),),
)  # fmt: skip


def built():
    records = read_life(DEMO / "life_moss.csv").records
    about = About("pool", "CC0-1.0", created="2026-01-02")
    return site(pages(), ABOUT, download_files(records, about))


class Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.links, self.scripts, self.ids, self.stack = [], 0, [], []

    def handle_starttag(self, tag, attrs):
        a = dict(attrs)
        self.links += [a[k] for k in ("href", "src") if k in a]
        self.scripts += tag == "script"
        self.ids += [a["id"]] if "id" in a else []
        if tag not in ("meta", "link", "br", "img"):
            self.stack.append(tag)

    def handle_endtag(self, tag):
        assert self.stack.pop() == tag


def test_pages_are_sound_and_link_to_what_is_there():
    files = built()
    for path, content in files.items():
        if not path.endswith(".html"):
            continue
        tags = Tags()
        tags.feed(content.decode())
        assert tags.stack == [] and len(set(tags.ids)) == len(tags.ids)
        for link in tags.links:
            assert link.startswith("#") or link in files, (path, link)
            assert not link.startswith(("http", "//"))


def test_numbers_stand_to_the_right_under_their_heads():
    """A column of numbers, shares and dashes, and its head; a column with a word is text."""
    rows = ((1000, "less than 0.1 %", "2 to 3", ""), ("–", "95 %", "4", ""))
    assert Table("t", ("a", "b", "c", "d"), rows).numeric == (True, True, False, False)
    page = Page("index", "Overview", "x", tables=(Table("t", ("shots", "who"), ((1000, "b"),)),))
    html = site([page], ABOUT)["index.html"].decode()
    assert '<th scope="col" class="number">shots</th><th scope="col">who</th>' in html
    assert '<td class="number">1,000</td><td>b</td>' in html


def test_what_is_to_be_taken_away_is_linked_where_it_is_told():
    files = built()
    assert b'href="data/template.csv"' in files["contribute.html"]
    assert b'href="data/publish.sh"' in files["recipe.html"]


def test_texts_cannot_become_scripts():
    files = built()
    tags = Tags()
    tags.feed(files["life.html"].decode())
    assert tags.scripts == 2  # the drawing program and the figure's description
    assert b"<script>alert" not in files["life.html"]


def digest(files):
    return hashlib.sha256(repr(sorted(files.items())).encode()).hexdigest()


@pytest.mark.parametrize("seed", ["1", "77"])
def test_same_values_same_bytes(seed):
    """Built again in this process and in another whose hashes of texts differ."""
    code = "from tests.test_publish import *; print(digest(built()))"
    environment = {**os.environ, "PYTHONHASHSEED": seed}
    other = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env=environment, capture_output=True, text=True, check=True
    )  # fmt: skip
    assert other.stdout.strip() == digest(built())


def test_figures_may_not_fetch():
    with pytest.raises(BadInput, match="by address"):
        settled({"layer": [{"data": {"url": "x.csv"}}]}, "x")
    assert json.loads(settled({"data": {"values": [{"x": float("nan")}]}}, "x"))["data"] == {
        "values": [{"x": None}]
    }


def test_size_and_downloads():
    files = built()
    assert total_size(files) < 5_000_000
    assert {"data/pool.zip", "data/life.csv", "data/life.parquet", "data/template.csv"} <= set(
        files
    )
    for line in files["assets/files.txt"].decode().splitlines():
        digest, _, path = line.partition("  ")
        assert hashlib.sha256(files[path]).hexdigest() == digest
    assert b"moss (2026). Lives at moss" in files["citations.html"]
    assert b"charge_V" in files["dictionary.html"]


def test_a_site_is_written_over_an_earlier_one_only(tmp_path):
    folder = tmp_path / "public"
    write_site(built(), folder)
    (folder / "mine.txt").write_text("kept")
    write_site(site(pages()[:1], ABOUT), folder)
    assert not (folder / "life.html").exists() and (folder / "mine.txt").read_text() == "kept"
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "thesis.txt").write_text("x")
    with pytest.raises(BadInput, match="holds no site"):
        write_site(built(), tmp_path / "other")


def test_an_earlier_list_cannot_reach_outside(tmp_path):
    folder = tmp_path / "public"
    write_site(built(), folder)
    outside = tmp_path / "precious.txt"
    outside.write_text("x")
    (folder / "assets" / "files.txt").write_text(f"0  ../precious.txt\n0  {outside}\n")
    write_site(built(), folder)
    assert outside.exists()


def test_what_is_refused():
    with pytest.raises(BadInput):
        Page("Big Name", "x", "y")
    with pytest.raises(BadInput):
        Table("t", ("a",), ((1, 2),))
    with pytest.raises(BadInput, match="index"):
        site(pages()[1:], ABOUT)
    with pytest.raises(BadInput, match="stands twice"):
        site([*pages(), Page("citations", "x", "y")], ABOUT)


def test_a_pool_of_one_record_is_told_in_good_sentences(tmp_path):
    (tmp_path / "one.csv").write_text(
        "builder,module,slot,shots_good,date\nme,m1,fuel,500,2026-01-02\n"
    )
    told = run(
        "publish", tmp_path / "site", "--from", tmp_path / "one.csv", "--ask", "life --slot fuel"
    ).stdout
    assert "from 1 record of me" in told
    html = {
        p.stem: p.read_text().replace("\u00a0", " ") for p in (tmp_path / "site").glob("*.html")
    }
    assert "1 life record of 1 builder (0 failures), from 1 contribution." in html["index"]
    assert "<h1>Life: slot fuel</h1>" in html["life-1"]
    for name, text in html.items():
        shown = re.sub(r"<(script|style).*?</\1>", "", text, flags=re.S)
        if name != "checks":  # titles of tables
            assert not re.search(r"\b1 (records|builders|failures|contributions|units)\b", shown), (
                name
            )
        assert not re.search(r"\d{1,3}(,\d{3}){4,}", shown), (
            name
        )  # no life of 10^12 shots where nothing failed


def test_a_question_that_cannot_be_asked_publishes_nothing(tmp_path):
    """A page that somebody asked for and that names what is not there is said, not published."""
    p = run("publish", tmp_path / "site", "--from", DEMO / "life_moss.csv", "--licence", "CC0-1.0", "--created", "2026-01-02",
            "--ask", "life --slot nosuch", code=2)  # fmt: skip
    assert "life --slot nosuch" in p.stderr and "no record with slot nosuch" in p.stderr
    assert not (tmp_path / "site").exists()


def printed(block):
    """Commands as printed on a page, without their first word."""
    lines = block.replace("\\\n", " ").strip().splitlines()
    return [shlex.split(line)[1:] for line in lines]


def test_what_the_contribution_page_says_works(tmp_path):
    """The commands as printed: on the template filled in, and on a workbook with a builder's own headers."""
    row = "me,m1,main_capacitor,c1,film-a,,4120,4120,short,1400,2000,1,,,,,,invented\n"
    (tmp_path / "my_sheet.csv").write_text(template().decode() + row)
    book = openpyxl.Workbook()
    for cells in (
        ["Lives (invented)"],
        ["Module", "Slot", "Unit no", "Shots", "State"],
        ["m1", "igniter", "i1", 900, "ok"],
    ):
        book.active.append(cells)
    book.save(tmp_path / "my_workbook.xlsx")
    ends = (".csv", ".xlsx", ".zip", ".duckdb")
    for block, kept in ((PACK, ""), (OWN_NAMES, "me.duckdb")):
        for command in printed(block):
            here = [str(tmp_path / w) if w.endswith(ends) else w for w in command]
            run(*here)
        bundle = read_bundle(tmp_path / "me-lives.zip")
        assert (
            bundle.licence == "CC-BY-4.0" and bundle.builders == ("me",) and bundle.citation.title
        )
        assert (tmp_path / kept).exists()


def test_the_recipe_checks_and_publishes(tmp_path):
    """The script as printed, with a stand-in for the install: a whole pool is published twice alike, a changed
    bundle stops it before anything is published."""
    (tmp_path / "shotlife/.venv/bin").mkdir(parents=True)
    (tmp_path / "shotlife/.setup").write_text('test "$1" = paper\n')
    stand_in = tmp_path / "shotlife/.venv/bin/shotlife"
    stand_in.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m reliability.cli "$@"\n')
    stand_in.chmod(0o755)
    (tmp_path / "publish.sh").write_text(RECIPE)
    (tmp_path / "bundles").mkdir()
    run("bundle", "--from", DEMO / "life_moss.csv", "--to", tmp_path / "bundles/moss.zip", "--licence", "CC-BY-4.0", "--created", "2026-01-02")  # fmt: skip
    who = {f"GIT_{w}_{k}": v for w in ("AUTHOR", "COMMITTER") for k, v in (("NAME", "a"), ("EMAIL", "a@b.invalid"), ("DATE", "2026-02-03T00:00:00Z"))}  # fmt: skip
    env = {**os.environ, **who, "PYTHONPATH": str(ROOT)}

    def sh(command):
        return subprocess.run(
            ["sh", "-c", command], cwd=tmp_path, env=env, capture_output=True, text=True
        )

    assert sh("git init -q && git add bundles && git commit -q -m one").returncode == 0
    sites = []
    for _ in range(2):
        done = sh("sh publish.sh")
        assert done.returncode == 0, done.stderr
        folder = tmp_path / "public"
        sites.append(
            {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
        )
        shutil.rmtree(folder)
    assert sites[0] == sites[1] and b"2026-02-03" not in sites[0][Path("index.html")]
    content = bytearray((tmp_path / "bundles/moss.zip").read_bytes())
    content[200] ^= 1
    (tmp_path / "bundles/moss.zip").write_bytes(content)
    stopped = sh("sh publish.sh")
    assert (
        stopped.returncode == 2
        and "moss.zip" in stopped.stderr
        and not (tmp_path / "public").exists()
    )


def test_the_ledger_becomes_a_page():
    some = [carry_out(c).as_dict() for c in checks()[:5]]
    page = checks_page(some)
    assert (
        "5 values" in page.sentence and "5 agree" in page.sentence and "0 disagree" in page.sentence
    )
    sentence = checks_page(carry_out(c).as_dict() for c in checks()).sentence
    why = sum(bool(c.why) for c in checks())
    assert why and f" {why} within what the reason beside them allows" in sentence
    html = site([*pages()[:1], page], ABOUT)["checks.html"].decode()
    assert "1.05844585" in html and SEEN["run"] in html
    assert suites()[0].test in html  # checks of many values are told too
