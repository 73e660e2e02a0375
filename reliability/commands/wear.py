"""``shotlife wear``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import number, question_command, table


def show(a: Any) -> None:
    """The path, and shots left."""
    click.echo(
        f"\n  path: slope {number(a.slope)} a shot (spread {number(a.slope_sd)} between units), power {number(a.power, 3)}, measurement error {number(a.error)}"
    )
    click.echo("\nShots left, soonest first")
    rows = [[u.unit, f"{u.so_far:,.0f}", number(u.estimate), number(u.lower)] for u in a.units]
    click.echo(table(["unit", "so far", "left", "at least"], rows))
    n = a.new_unit
    click.echo(
        f"\n  new units: 10 % by {number(n.shots)}, half by {number(n.median)} shots (Wiener process: {number(n.wiener_median)})"
    )


def write(a: Any, origin: Any, question: Any, target: Path | None) -> None:
    """Units as life records: failed where they passed the limit."""
    if target is None:
        return
    from reliability.ask.records import write_soft_failures

    write_soft_failures(question, origin, target)
    click.echo(f"written: {target}, life records with mode {a.quantity}_limit", err=True)


to_option = click.option(
    "--to", "target", type=click.Path(path_type=Path, dir_okay=False),
    help="Write units as life records: failed where they passed the limit (.csv or .parquet).",
)  # fmt: skip
command = question_command("wear", show, extra=to_option, after=write)
