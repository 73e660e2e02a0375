"""``shotlife report``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import options, question_command, source, who_runs
from reliability.extras import load
from reliability.notes import BadInput


def write(
    a: Any, origin: Any, question: Any, target: Path | None, date: str | None, by: str | None
) -> None:
    """The statement as a file."""
    from reliability.ask.records import write_whole
    from reliability.report.content import Made, statement, today
    from reliability.report.render import to_html, to_pdf

    assert target is not None
    s = statement(a, question, origin, Made(date or today(), by or who_runs()))
    pdf = target.suffix.lower() == ".pdf"
    write_whole(target, to_pdf(s) if pdf else to_html(s).encode())
    click.echo(f"written: {target}", err=True)


def check(_: Any, __: Any, target: Path | None) -> Path | None:
    """The ending tells the form; what that needs is missed before the answer is worked out.

    Raises
    ------
    BadInput
    CannotAnswer
        Without the paper extra.
    """
    if target is None:
        return None
    if target.suffix.lower() not in (".pdf", ".html"):
        raise BadInput(f"{target.name}: allowed endings are .pdf and .html")
    if target.suffix.lower() == ".pdf":
        load("typst")
    return target


def check_date(_: Any, __: Any, text: str | None) -> str | None:
    """A date as year, month and day. Raises BadInput."""
    from datetime import date

    if text is None:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise BadInput(f"date is a day such as 2026-11-26, not {text[:40]!r}") from None


_more = options(
    click.option("--to", "target", type=click.Path(path_type=Path, dir_okay=False), callback=check,
                 help="File to write: .pdf or .html."),
    click.option("--date", metavar="DAY", callback=check_date, help="Date of the statement, such as 2026-11-26 (default: today)."),
    click.option("--by", metavar="NAME", help="Who makes it (default: the account's name)."),
)  # fmt: skip
_verify = click.Option(
    ["--verify"], metavar="FILE", type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Verify this statement instead: are facts, methods and file still the same? Exit 3 if not.",
)  # fmt: skip
_ask = question_command("flight", lambda a: None, extra=_more, after=write)


def _callback(verify: Path | None, **given: Any) -> int:
    if verify is not None:
        other = [k for k, v in given.items() if v and k not in ("store", "files")]
        if other:
            raise BadInput(f"--{other[0].replace('_', '-')} has no effect here: --verify reads all from the statement")  # fmt: skip
        return _verified(verify, source(given["store"], given["files"]))
    if given["target"] is None:
        raise BadInput("--to is missing: the file to write, .pdf or .html (or --verify FILE)")
    assert _ask.callback is not None
    return int(_ask.callback(**given))


def _verified(path: Path, origin: Any) -> int:
    from reliability.report.verify import verify

    found = verify(path, origin)
    click.echo(found.sentence)
    for line in found.changed:
        click.echo(f"- {line}")
    if not found.holds:
        click.echo(f"Then: {found.then}\nNow: {found.now}")
    return 0 if found.holds else 3


command = click.Command(
    "report", params=[*_ask.params, _verify], callback=_callback,
    help="Flight life statement for one module, as PDF or as one HTML file; or verify one made before.\n\n"
    "The same data, version, seed, date and name give the same bytes.",
)  # fmt: skip
