"""Twenty more invented bench files: ranges, bounds, footnotes, odd blanks, exports of other programs."""

import json

from tests.bench_files.truth import LEFT_OUT, UNITS, WORDS, grouped, table, truth, workbook

HEAD = ("builder", "module", "slot", "unit", "shots", "status", "charge_V", "capacitance_uF")
EN = WORDS["en"]
NAMED = {"mode": lambda r: "unknown" if r["mode"] else ""}


def plain_rows(shots=lambda n, mode: n, status=lambda mode: EN[mode]):
    """The invented units as rows below ``HEAD``."""
    return [
        ("kite", m, "main_capacitor", u, shots(n, s), status(s), v, c) for m, u, n, s, v, c in UNITS
    ]


def counts(add):
    """Counts that are ranges or bounds, carry marks, or stand under odd words."""
    low = lambda r: r["shots_good"] - (100 if r["mode"] else 0)  # noqa: E731
    for name, between in (("hyphen", "-"), ("dash", " – "), ("to", " to "), ("dots", "..")):
        rows = plain_rows(lambda n, s, b=between: f"{n - 100}{b}{n}" if s else n)
        add(f"range_{name}.csv", table(HEAD, rows, ","), truth(shots_good=low))
    rows = plain_rows(lambda n, s: f"<{n}" if s else n)
    add(
        "failed_before.csv",
        table(HEAD, rows, ","),
        truth(shots_good=lambda r: 0 if r["mode"] else r["shots_good"]),
    )
    rows = plain_rows(lambda n, s: f">{n}" if not s else n)
    add("alive_beyond.csv", table(HEAD, rows, ","), truth())
    for name, mark in (("star", "*"), ("raised", "²"), ("numbered", " 1)")):
        rows = plain_rows(lambda n, s, k=mark: f"{n}{k}" if n > 9000 else n)
        foot = ("* or 1) or ² counter was changed on the way",)
        add(f"marked_{name}.csv", table(HEAD, rows, ",", below=foot), truth())
    for name, space in (("thin", "\u2009"), ("figure", "\u2007"), ("no_break", "\u00a0")):
        rows = plain_rows(lambda n, s, b=space: grouped(n, b))
        add(f"{name}_space.csv", table(HEAD, rows), truth())
    india = [(*r[:4], f"{i + 1},{r[4] % 90 + 10},120", *r[5:]) for i, r in enumerate(plain_rows())]
    units = [(*u[:2], (i + 1) * 100_000 + (u[2] % 90 + 10) * 1000 + 120, *u[3:]) for i, u in enumerate(UNITS)]  # fmt: skip
    add("india_lakh.csv", table(HEAD, india, ";"), truth(units))


def states(add):
    """Words for alive and dead that say it in two words, or the other way round."""
    say = {"": "still ok", "short": "short", "unknown": "not ok", "open": "open"}
    add("still_ok.csv", table(HEAD, plain_rows(status=say.get), ","), truth())
    head = [h if h != "status" else "censored" for h in HEAD]
    rows = plain_rows(status=lambda s: 0 if s else 1)
    add("censored.csv", table(head, rows, ","), truth(**NAMED))


def stresses(add):
    """Percent in the header, and days as a spreadsheet counts them."""
    head = (*HEAD, "reversal [%]")
    add(
        "percent_header.csv",
        table(head, [(*r, 30) for r in plain_rows()], ","),
        truth(reversal=0.3),
    )
    # 46000 is 9 December 2025: ECMA-376 part 1, 18.17.4.1, 1900 date base
    head = (*HEAD, "date")
    add(
        "day_counts.csv",
        table(head, [(*r, 46000) for r in plain_rows()], ","),
        truth(date="2025-12-09"),
    )


def exports(add):
    """JSON, JSON lines, HTML and Markdown as other programs write them."""
    objects = [dict(zip(HEAD, r, strict=True)) for r in plain_rows()]
    add("records.json", json.dumps({"made": "2026", "records": objects}), truth())
    add("records.jsonl", "\n".join(json.dumps(o) for o in objects), truth())
    line = lambda cells, tag: "<tr>" + "".join(f"<{tag}>{c}</{tag}>" for c in cells) + "</tr>"  # noqa: E731
    body = "".join(line(r, "td") for r in plain_rows())
    page = f"<html><h1>Bench</h1><table>{line(HEAD, 'th')}{body}</table><table><tr><td>x</table></html>"
    add("page.html", page, truth())
    bars = ["| " + " | ".join(map(str, r)) + " |" for r in (HEAD, ["---:"] * len(HEAD), *plain_rows())]  # fmt: skip
    add("notes.md", "# Bench\n\n" + "\n".join(bars) + "\n", truth())
    long = [list(HEAD), *[[*r[:4], float(r[4]), *r[5:]] for r in plain_rows()]]
    add("two_titles.xlsx", workbook([["Bench of kite"], ["May 2026", "second run"], [], *long]), truth())  # fmt: skip
    part = ("builder", "module", "slot", "unit", "shots", "status")
    add("few_columns.tsv", table(part, [r[:6] for r in plain_rows()], "\t"),
        truth(charge_V=LEFT_OUT, capacitance_uF=LEFT_OUT))  # fmt: skip


def further(add):
    """Add them all."""
    for some in (counts, states, stresses, exports):
        some(add)
