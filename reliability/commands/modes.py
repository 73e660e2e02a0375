"""``shotlife modes``."""

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


@click.command("modes")
@source_options
@estimate_options
@click.option(
    "--fraction", default=0.1, show_default=True, help="Fraction failed of the life shown."
)
@json_option
def command(
    family_name: str,
    confidence: float,
    bound: str,
    seed: int,
    fraction: float,
    as_json: bool,
    **source: Any,
) -> None:
    """Failure modes: the life each would give alone, and how many units it ends as tested."""
    from reliability.decisions.modes import modes

    basis = load(**source)
    a = modes(
        basis.records, family_name, fraction=fraction, confidence=confidence, bound=bound, seed=seed
    )
    if as_json:
        emit_json(a, basis)
        return
    click.echo(a.sentence)
    click.echo(
        f"\n  lives: {a.fraction:g} failed if this were the only mode; share: of units, by "
        f"{number(a.horizon)} shots"
    )
    click.echo(
        table(
            ["mode", "failed", "shape", "life", "lower", "upper", "share", "lower", "upper"],
            [
                [
                    m.mode, f"{m.failed:g}", number(m.shape, 3), number(m.shots), number(m.lower),
                    number(m.upper), number(m.incidence, 3), number(m.incidence_lower, 3),
                    number(m.incidence_upper, 3),
                ]
                for m in a.modes
            ],
        )
    )  # fmt: skip
    emit_notes(basis.notes + a.notes)
