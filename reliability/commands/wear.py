"""``shotlife wear``."""

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


def load_readings(store: Path | None, files: tuple[Path, ...]) -> Any:
    """Wear readings from files, or from the store."""
    from reliability.sheets.wear import join_wear, read_wear

    return load_side("wear", store, files, read_wear, join_wear)


@click.command("wear")
@store_option
@click.option(
    "--from",
    "files",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Work on this wear sheet; may be repeated.",
)
@click.option("--quantity", default="capacitance_uF", show_default=True, help="Measured quantity.")
@click.option("--limit", type=float, help="Limit as a value.")
@click.option("--limit-factor", type=float, help="Limit as a factor of each unit's start.")
@click.option(
    "--power", default="1", show_default=True, help="p of the path y = b0 + b1 t^p, or 'fit'."
)
@click.option(
    "--confidence", default=0.95, show_default=True, help="Of the lower prediction bounds."
)
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write units as life records: failed where they passed the limit (.csv or .parquet).",
)
@json_option
def command(
    store: Path | None, files: tuple[Path, ...], quantity: str, limit: float | None, limit_factor: float | None, power: str,
    confidence: float, target: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Wear before failure: shots left until a measured quantity meets its limit.

    For each unit with a lower prediction bound, and for new units. Fuel and igniter hardly ever reach
    their end in a test; readings on the way are the only data on them.
    """
    from reliability.decisions.wear import wear
    from reliability.notes import BadInput

    try:
        p = None if power == "fit" else float(power)
    except ValueError:
        raise BadInput("--power is a number or 'fit'") from None
    if limit is not None and limit_factor is not None:
        raise BadInput("give --limit or --limit-factor, not both")
    readings = load_readings(store, files)
    a = wear(
        readings, quantity, limit=limit if limit is not None else limit_factor,
        relative=limit_factor is not None, power=p, confidence=confidence,
    )  # fmt: skip
    if target is not None:
        from reliability.decisions.wear import soft_failures
        from reliability.sheets.write import write_life

        write_life(soft_failures(readings, quantity, a.limit), target)
    if as_json:
        emit_json(a)
        return
    click.echo(a.sentence)
    click.echo(
        f"\n  path: slope {number(a.slope)} a shot (spread {number(a.slope_sd)} between units), power {number(a.power, 3)}, measurement error {number(a.error)}"
    )
    click.echo("\nShots left, soonest first")
    click.echo(
        table(
            ["unit", "so far", "left", "at least"],
            [[u.unit, f"{u.so_far:,.0f}", number(u.estimate), number(u.lower)] for u in a.units],
        )
    )
    click.echo(
        f"\n  new units: 10 % by {number(a.new_unit['shots'])}, half by {number(a.new_unit['median'])} shots (Wiener process: {number(a.wiener['median'])})"
    )
    if target is not None:
        click.echo(f"\n  written: {target}, life records with mode {quantity}_limit")
    emit_notes(a.notes)
