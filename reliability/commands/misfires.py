"""``shotlife misfires``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import (
    emit_json,
    emit_notes,
    json_option,
    load_side,
    number,
    store_option,
    table,
)


def load_events(store: Path | None, files: tuple[Path, ...]) -> Any:
    """Misfires from files, or from the store."""
    from reliability.sheets.wear import join_misfires, read_misfires

    return load_side("misfires", store, files, read_misfires, join_misfires)


@click.command("misfires")
@store_option
@click.option(
    "--from",
    "files",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Work on this misfire sheet; may be repeated.",
)
@click.option("--confidence", default=0.95, show_default=True, help="One-sided confidence.")
@json_option
def command(store: Path | None, files: tuple[Path, ...], confidence: float, as_json: bool) -> None:
    """Misfires: chance a shot, mean count with bands, trend, comparison of igniters."""
    from reliability.decisions.wear import misfires

    a = misfires(load_events(store, files), confidence)
    if as_json:
        emit_json(a)
        return
    click.echo(a.sentence)
    if a.growth is not None:
        g = a.growth
        click.echo(
            f"\n  power-law process: exponent {number(g.b, 3)} (1 = steady), trend p = {g.trend_p:.3f}, Laplace p = {g.laplace_p:.3f}"
        )
    if a.curve is not None:
        c = a.curve
        k = max(1, len(c.shots) // 10)
        click.echo("\nMean count of misfires a unit")
        click.echo(
            table(
                ["shots", "mean", "lower", "upper", "watched"],
                [
                    [
                        number(c.shots[i]),
                        number(c.mean[i]),
                        number(c.lower[i]),
                        number(c.upper[i]),
                        f"{c.at_risk[i]:g}",
                    ]
                    for i in range(0, len(c.shots), k)
                ],
            )
        )
    for r in a.groups:
        click.echo(
            f"  {r.first} against {r.second}: {number(r.ratio, 3)} times the misfires a shot (p = {r.p:.3f})"
        )
    emit_notes(a.notes)
