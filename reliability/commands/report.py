"""``shotlife report``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import question_command
from reliability.extras import load
from reliability.notes import BadInput


def write(a: Any, origin: Any, question: Any, target: Path) -> None:
    """The statement as a file."""
    from reliability.ask.records import write_whole
    from reliability.report.content import statement
    from reliability.report.render import to_html, to_pdf

    s = statement(a, question, origin)
    pdf = target.suffix.lower() == ".pdf"
    write_whole(target, to_pdf(s) if pdf else to_html(s).encode())
    click.echo(f"written: {target}", err=True)


def check(_: Any, __: Any, target: Path) -> Path:
    """The ending tells the form; what that needs is missed before the answer is worked out.

    Raises
    ------
    BadInput
    CannotAnswer
        Without the paper extra.
    """
    if target.suffix.lower() not in (".pdf", ".html"):
        raise BadInput(f"{target.name}: allowed endings are .pdf and .html")
    if target.suffix.lower() == ".pdf":
        load("typst")
    return target


to_option = click.option(
    "--to", "target", required=True, type=click.Path(path_type=Path, dir_okay=False), callback=check,
    help="File to write: .pdf or .html.",
)  # fmt: skip
_ask = question_command("flight", lambda a: None, extra=to_option, after=write)
command = click.Command(
    "report", params=_ask.params, callback=_ask.callback,
    help="Flight life statement for one module, as PDF or as one HTML file.\n\n"
    "The same data, version and seed give the same bytes.",
)  # fmt: skip
