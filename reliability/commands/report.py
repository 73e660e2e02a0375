"""``shotlife report``."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import click

from reliability.commands.common import source_options
from reliability.commands.flight import mission_options, solve


@click.command("report")
@source_options
@mission_options
@click.option(
    "--to",
    "target",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="File to write: .pdf or .html.",
)
def command(target: Path, **given: Any) -> None:
    """Flight life statement for one module, as PDF or as one HTML file.

    The same data, version and seed give the same bytes.
    """
    from reliability.notes import BadInput
    from reliability.report.content import statement
    from reliability.report.render import to_html, to_pdf
    from reliability.sheets.write import write_whole

    if target.suffix.lower() not in (".pdf", ".html"):
        raise BadInput(f"{target.name}: allowed endings are .pdf and .html")
    names = ("store", "files", "slot", "part", "builder", "conditions", "received")
    source = {k: given.pop(k) for k in names}
    basis, mission, a = solve(source, given)
    r = basis.records
    s = statement(
        a, mission, basis=basis.described, builders=sorted(set(r.builder.tolist())), units=r.units, failed=r.failures,
        seed=given["seed"], command=again(given, source),
    )  # fmt: skip
    data = to_pdf(s) if target.suffix.lower() == ".pdf" else to_html(s).encode()
    write_whole(target, data)
    click.echo(f"{target}: {a.sentence}")


def again(given: dict[str, Any], source: dict[str, Any]) -> str:
    """The command that makes the statement again (without its place)."""
    words = ["shotlife", "report", "--module", given["name"]]
    for key in ("shots", "total_impulse", "delta_v", "days", "impulse_bit", "mass"):
        if given[key] == given[key]:
            words += [f"--{key.replace('_', '-')}", f"{given[key]:g}"]
    words += [
        "--survival",
        f"{given['survival']:g}",
        "--confidence",
        f"{given['confidence']:g}",
        "--seed",
        str(given["seed"]),
    ]
    for f in given["wear_files"]:
        words += ["--wear", f.name]
    for key in ("slot", "part", "builder"):
        for value in source[key]:
            words += [f"--{key}", value]
    for value in source["conditions"]:
        words += ["--where", value]
    return shlex.join(words)
