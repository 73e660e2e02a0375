"""Pages that stand on every site: data dictionary, how to contribute, citations, outside checks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from reliability.citations import Citation
from reliability.dictionary import LIFE, SHEETS, Column
from reliability.ledger import SEEN, suites
from reliability.licences import LICENCES
from reliability.publish.page import Page, Table
from reliability.words import counted


def _allowed(c: Column) -> str:
    if c.allowed:
        return ", ".join(c.allowed)
    parts = []
    if c.above is not None:
        parts.append(f"above {c.above:g}")
    if c.least is not None:
        parts.append(f"{c.least:g} or more")
    if c.most is not None:
        parts.append(f"at most {c.most:g}")
    return ", ".join(parts) or ("any text" if c.kind == "text" else "any number")


def dictionary_page() -> Page:
    """Every column of every sheet."""
    tables = tuple(
        Table(
            file, ("column", "unit", "needed", "allowed", "meaning"),
            tuple((c.name, c.unit, "yes" if c.required else "", _allowed(c), c.meaning) for c in columns),
        )
        for file, columns in SHEETS.items()
    )  # fmt: skip
    return Page(
        "dictionary", "Data dictionary",
        "What every column means, in which unit, and what is allowed in it.",
        ("Empty cells mean: unknown. Other columns of a builder are kept as they are.",), tables=tables,
    )  # fmt: skip


def template() -> bytes:
    """An empty life sheet with the columns that most builders can fill."""
    usual = (
        "builder", "module", "slot", "unit", "part", "shots_from", "shots_good", "shots_failed", "mode",
        "charge_V", "rated_V", "capacitance_uF", "bank_parallel", "rate_Hz", "temp_C", "pressure_Pa", "date", "note",
    )  # fmt: skip
    known = {c.name for c in LIFE}
    assert known.issuperset(usual)
    return (",".join(usual) + "\n").encode()


PACK = """\
shotlife check my_sheet.csv
shotlife bundle --from my_sheet.csv --to me-lives.zip \\
    --name me-lives --title "Lives of my modules" --licence CC-BY-4.0
shotlife check me-lives.zip
"""
OWN_NAMES = """\
shotlife check my_workbook.xlsx --column "Unit no=unit" --column "builder:=me"
shotlife add my_workbook.xlsx --column "Unit no=unit" --column "builder:=me" \\
    --agree --licence CC-BY-4.0 --store me.duckdb
shotlife bundle --to me-lives.zip --store me.duckdb \\
    --name me-lives --title "Lives of my modules"
shotlife check me-lives.zip
"""
REQUEST = """\
Title: Shot lives of BUILDER, N records

- What was tested: parts, voltages, how many modules, since when.
- How failures were seen: at every shot, or at inspections (how often).
- Units taken out for other reasons, and why.
- Known gaps: causes not known, voltages not recorded.
- Licence: as in the bundle. I may give these data under it.
- 'shotlife check' finds no fault. [ ]
- No person's name, no address, nothing under a non-disclosure agreement. [ ]
"""
RECIPE = """\
#!/bin/sh
# Checks contributed bundles and publishes the pool. The repository holds bundles/*.zip and, in the folder
# shotlife, a checkout of shotlife at one commit (a submodule); run this in its top folder on any forge's
# runner that has Python and git.
set -eu
sh shotlife/.setup paper         # its locked versions: the same bundles give the same bytes
PATH=$PWD/shotlife/.venv/bin:$PATH
rm -f pool.duckdb                # made anew from the bundles
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct)
SHOTLIFE_STORE=$PWD/pool.duckdb
export SOURCE_DATE_EPOCH SHOTLIFE_STORE
for bundle in bundles/*.zip; do
    shotlife check "$bundle"     # stops here at the first fault, with file, row and column
done
shotlife add bundles/*.zip
shotlife publish public          # on the main branch: let the forge serve this folder
"""


JOB = """\
job "pool":
    image:      any with Python 3.11 or newer and git
    run:        sh publish.sh
    on:         merge requests (checks), main branch (checks, then publish)
    publish:    the folder "public", on the main branch only
"""


def contribute_page() -> Page:
    """Template, own column names, checks, the text of a merge request, and a recipe for a forge."""
    return Page(
        "contribute", "How to contribute",
        "Fill the template, or take your own workbook; check, pack, and send the bundle: five minutes.",
        (
            "The template stands below; only builder, module, slot and shots_good are needed. Good "
            "units count as much as failed ones: without them every life looks too short.",
            "The builder is a short code of your choice. Licences that can be combined here: "
            f"{', '.join(x.id for x in LICENCES)}; CC0-1.0 and CC-BY-4.0 make the least trouble.",
            "A workbook, CSV or log of your own is taken as it is: the check shows how every column is read, with "
            "what was changed and what has to be answered; nothing counts before you agree.",
        ),
        code=(
            ("From the template", PACK), ("From your own workbook or log", OWN_NAMES),
            ("Text of a merge request", REQUEST),
        ),
        files=("data/template.csv",),
    )  # fmt: skip


def recipe_page() -> Page:
    """How a forge checks contributed bundles and publishes the pool, whatever forge it is."""
    return Page(
        "recipe", "Recipe for a forge",
        "A repository with a folder of bundles and one script is all that a pool needs: the forge checks each merge "
        "request and publishes the site.",
        (
            "Put contributed bundles into bundles/, the script below into the top folder, and shotlife beside it as a "
            "submodule, so that it stays at the version you chose. "
            "Let the forge run it in a job that has Python 3.11 or newer: on each merge request for the checks, on the "
            "main branch to publish the folder 'public' as static pages.",
            "The script stops at the first bundle with a fault (exit 2), with file, row and column. The site is built "
            "byte for byte alike from the same bundles; its date is that of the last commit. Licences that cannot be "
            "combined stop it too, and it says which.",
        ),
        code=(("publish.sh", RECIPE), ("As a job, whatever the forge calls it", JOB)),
        files=("data/publish.sh",),
    )  # fmt: skip


def citations_page(contributions: Iterable[Citation]) -> Page:
    """Whom the pool owes its data."""
    listed = tuple(contributions)
    rows = tuple((c.title, ", ".join(c.people), c.licence or "none given", c.text) for c in listed)
    table = Table("Contributions", ("title", "given by", "licence", "cite as"), rows)
    return Page(
        "citations", "Citations",
        f"The answers here rest on {counted(len(rows), 'contribution')}; name them when you use the data.",
        tables=(table,) if rows else (),
    )  # fmt: skip


def checks_page(outcomes: Iterable[Mapping[str, Any]]) -> Page:
    """Outside checks of the program's numbers, from the ledger's outcomes (their ``as_dict``)."""
    listed = list(outcomes)
    by_source: dict[tuple[str, str, str], list[Mapping[str, Any]]] = {}
    for o in listed:
        by_source.setdefault((o["topic"], o["source"], o["seen"]), []).append(o)
    topics = dict.fromkeys(o["topic"] for o in listed)
    tables = [
        _checked(topic if not i else "", key, rows)
        for topic in topics
        for i, (key, rows) in enumerate((k, r) for k, r in by_source.items() if k[0] == topic)
    ]
    many = Table(
        "Many values at once", ("what", "with what", "test"),
        tuple((s.compares, s.source, s.test) for s in suites()),
        "Tests of the program that compare so many values that they do not stand here one by one.",
    )  # fmt: skip
    apart = sum(not o["agrees"] for o in listed)
    told_why = sum(bool(o["agrees"] and o["why"]) for o in listed)
    seen = Counter(o["seen"] for o in listed)
    told = "; ".join(f"{seen[k]} {k} ({meaning})" for k, meaning in SEEN.items() if seen[k])
    return Page(
        "checks", "Checked against",
        f"{len(listed)} values of outside sources worked out again: {len(listed) - apart - told_why} agree to the last "
        f"printed digit, {told_why} within what the reason beside them allows, {apart} disagree. {seen['from memory']} "
        "of the sources' values were remembered, the source not at hand.",
        (f"How the outside values were seen: {told}.",), tables=(*tables, many),
    )  # fmt: skip


def _checked(title: str, source: tuple[str, str, str], rows: Iterable[Mapping[str, Any]]) -> Table:
    """The values of one source beside ours."""
    head = ("what", "printed", "ours", "difference", "allowed", "why more than the printed digits")
    cells = (
        (o["compares"], o["printed"], f"{o['ours']:.8g}", f"{o['difference']:.1g}", f"{o['allowed']:.1g}", o["why"])
        for o in rows
    )  # fmt: skip
    whole = tuple(cells)
    some = len(head) if any(c[-1] for c in whole) else len(head) - 1
    return Table(title, head[:some], tuple(c[:some] for c in whole), f"{source[1]} ({source[2]})")
