"""``shotlife module``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import (
    emit_json,
    emit_notes,
    estimate_options,
    json_option,
    load,
    number,
    source_options,
    table,
)
from reliability.notes import BadInput


def read_units(pairs: tuple[str, ...]) -> dict[str, float]:
    """``slot=number`` pairs. Raises BadInput."""
    out = {}
    for pair in pairs:
        slot, eq, value = pair.partition("=")
        try:
            out[slot] = float(value)
        except ValueError:
            eq = ""
        if not eq or not out.get(slot, 0) > 0:
            raise BadInput(
                f"cannot read --units {pair!r}; allowed: slot=number, such as main_capacitor=4"
            )
    return out


@click.command("module")
@source_options
@estimate_options
@click.option(
    "--at", multiple=True, type=float, metavar="SHOTS", help="Module survival at this count."
)
@click.option(
    "--fraction", default=0.1, show_default=True, help="Fraction failed of the life bounded."
)
@click.option(
    "--units",
    multiple=True,
    metavar="SLOT=N",
    help="Units in a slot of one module, the first failure ending it (default 1).",
)
@json_option
def command(
    family_name: str, confidence: float, bound: str, seed: int, at: tuple[float, ...], fraction: float,
    units: tuple[str, ...], as_json: bool, **source: Any,
) -> None:  # fmt: skip
    """Life of a whole module: the product over its slots, and which of them ends it."""
    from reliability.decisions.module import module

    wanted = read_units(units)
    basis = load(**source)
    a = module(
        basis.records, family_name, at=at, fraction=fraction, confidence=confidence, bound=bound,
        units=wanted, seed=seed,
    )  # fmt: skip
    if as_json:
        emit_json(a, basis)
        return
    click.echo(a.sentence)
    click.echo("\nSlots, most likely end first")
    click.echo(
        table(
            ["slot", "units", "failed", "shape", "median shots", "ends module"],
            [
                [
                    s.slot, f"{s.n:g}", f"{s.failed:g}",
                    number(s.shape, 3) if s.assumed_shape is None else f"~{s.assumed_shape:g} assumed",
                    number(s.median), number(s.ends_module, 2),
                ]
                for s in a.slots
            ],
        )
    )  # fmt: skip
    if a.survival:
        click.echo(f"\nModule survival ({a.bound} bounds, {a.confidence:g} one-sided)")
        click.echo(
            table(
                ["shots", "estimate", "lower", "upper"],
                [
                    [number(s.shots), number(s.estimate), number(s.lower), number(s.upper)]
                    for s in a.survival
                ],
            )
        )
    emit_notes(basis.notes + a.notes)
