"""The statement as PDF (typst) and as one self-contained HTML file."""

from __future__ import annotations

import html
import json
from dataclasses import asdict
from pathlib import Path

from reliability.extras import load
from reliability.report.content import Statement

TEMPLATE = Path(__file__).with_name("statement.typ")


def to_pdf(s: Statement) -> bytes:
    """PDF; the same statement gives the same bytes. Raises CannotAnswer without the paper extra."""
    typst = load("typst")
    return bytes(
        typst.compile(
            TEMPLATE.read_bytes(), sys_inputs={"data": json.dumps(asdict(s))}, timestamp=0
        )
    )


def to_html(s: Statement) -> str:
    """One HTML file with everything in it, fit for print."""

    def e(text: str) -> str:
        return html.escape(str(text))

    def pairs(rows: list[list[str]]) -> str:
        return (
            "<table class='pairs'>"
            + "".join(f"<tr><th scope='row'>{e(a)}</th><td>{e(b)}</td></tr>" for a, b in rows)
            + "</table>"
        )

    def grid(head: list[str], rows: list[list[str]]) -> str:
        top = "".join(f"<th scope='col'>{e(h)}</th>" for h in head)
        body = "".join("<tr>" + "".join(f"<td>{e(c)}</td>" for c in r) + "</tr>" for r in rows)
        return f"<table class='grid'><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"

    def bullets(items: list[str]) -> str:
        return "<ul>" + "".join(f"<li>{e(i)}</li>" for i in items) + "</ul>"

    more = f"<h2>What more testing would change</h2>{grid(s.more_head, s.more)}" if s.more else ""
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<meta name="shotlife-seal" content="{e(s.seal)}"><title>{e(s.title)}</title><style>
body{{font:15px/1.45 Georgia,'Noto Serif',serif;max-width:60rem;margin:2rem auto;padding:0 1rem;color:#1c2226;overflow-wrap:anywhere}}
h1{{font-size:1.6rem}} h2{{font-size:1.1rem;margin:1.4rem 0 .4rem}}
.answer{{background:#eee;padding:.8rem 1rem;font-weight:bold;font-size:1.1rem}}
.pairs th{{text-align:left;font-weight:normal;color:#555;padding:.15rem 1rem .15rem 0;vertical-align:top;width:14rem}}
.grid{{border-collapse:collapse;width:100%;font-size:.9rem}} .grid th,.grid td{{border-bottom:1px solid #ccc;padding:.25rem .4rem;text-align:right}}
.grid th:nth-child(-n+2),.grid td:nth-child(-n+2){{text-align:left}}
.sign{{width:100%}} .sign th{{text-align:left;font-weight:normal;width:8rem}} .sign td{{height:2.6rem;vertical-align:bottom}} .sign td:nth-child(even){{border-bottom:1px solid #555}}
.sign td:nth-child(3){{width:4rem;text-align:right;padding-right:.5rem}} .sign td:nth-child(4){{width:9rem}} h2,.sign tr,figure{{break-inside:avoid;break-after:auto}}
.charts{{display:flex;flex-wrap:wrap;gap:1.5rem}} .charts svg{{max-width:100%;height:auto}} footer{{color:#666;font-size:.85rem;margin-top:2rem}}
</style></head><body>
<h1>{e(s.title)}</h1><p>Made {e(s.made)} by {e(s.by)}.</p><p class="answer">{e(s.answer)}</p>
<h2>Mission and promise</h2>{pairs(s.facts)}
<div class="charts"><figure><h2>Share of such modules still good</h2>{s.charts["survival"]}<figcaption>Solid: estimate; dashed: lower bound; shots from now.</figcaption></figure>
<figure><h2>What ends it within the mission</h2>{s.charts["ends"]}</figure></div>
<h2>Life by slot</h2>{grid(s.slot_head, s.slots)}{more}
<h2>Configuration</h2>{pairs(s.configuration)}
<h2>Assumptions</h2>{bullets(s.assumptions)}<h2>Model checks</h2>{bullets(s.checks)}<h2>Notes</h2>{bullets(s.notes)}
<h2>Data behind it, and how to make it again</h2>{pairs(s.basis)}<h2>Whom to cite</h2>{bullets(s.citations)}<h2>Cautions</h2>{bullets(s.cautions)}
<h2>Signed</h2><table class="sign"><tbody>{"".join(f"<tr><th scope='row'>{e(w)}</th><td></td><td>Date</td><td></td></tr>" for w in s.signatures)}</tbody></table>
<footer>Estimate from test data, not a qualification.</footer></body></html>
"""
