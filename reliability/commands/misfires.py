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


def load_sparks(store: Path | None, files: tuple[Path, ...], events: bool) -> Any:
    """Ignition counts from files or the store; None if there are none."""
    from reliability.notes import CannotAnswer
    from reliability.sheets.wear import join_ignition, read_ignition

    if events and not files:
        return None
    try:
        return load_side("ignition", store, files, read_ignition, join_ignition)
    except CannotAnswer:
        return None


@click.command("misfires")
@store_option
@click.option(
    "--from",
    "files",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Work on this misfire sheet; may be repeated.",
)
@click.option(
    "--ignition",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Ignition counts of shot logs (ignition.csv); may be repeated.",
)
@click.option("--confidence", default=0.95, show_default=True, help="One-sided confidence.")
@json_option
def command(
    store: Path | None,
    files: tuple[Path, ...],
    ignition: tuple[Path, ...],
    confidence: float,
    as_json: bool,
) -> None:
    """Misfires: chance a shot, mean count with bands, trend, comparison of igniters.

    With ignition counts, as 'shotlife shots' makes them from logs, also how the chance goes with
    ignition voltage.
    """
    from reliability.decisions.answer import p_text
    from reliability.decisions.wear import misfires

    a = misfires(
        load_events(store, files), confidence, load_sparks(store, ignition, events=bool(files))
    )
    if as_json:
        emit_json(a)
        return
    click.echo(a.sentence)
    if a.growth is not None:
        g = a.growth
        click.echo(
            f"\n  power-law process: exponent {number(g.b, 3)} (1 = steady), trend {p_text(g.trend_p)}, Laplace {p_text(g.laplace_p)}"
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
            f"  {r.first} against {r.second}: {number(r.ratio, 3)} times the misfires a shot ({p_text(r.p)})"
        )
    if a.ignition is not None:
        e = a.ignition
        o, t = e.odds_per_10V, e.odds_per_1000
        click.echo(
            f"\n{e.sentence}\n  odds times {number(o['estimate'])} for 10 V more ({number(o['lower'])} to {number(o['upper'])}), "
            f"times {number(t['estimate'])} for 1,000 shots more ({number(t['lower'])} to {number(t['upper'])}); {e.modules} modules"
        )
        rows = [e.curve[i] for i in range(0, 25, 6)]
        click.echo(
            table(
                ["ignition V", "chance a shot", "lower", "upper"],
                [
                    [
                        number(r["ignition_V"]),
                        *(number(r[k], 3) for k in ("chance", "lower", "upper")),
                    ]
                    for r in rows
                ],
            )
        )
    emit_notes(a.notes)
