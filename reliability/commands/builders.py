"""``shotlife builders``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import (
    emit_json,
    emit_notes,
    json_option,
    load,
    number,
    source_options,
    table,
)


@click.command("builders")
@source_options
@click.option(
    "--family",
    "family_name",
    default="weibull",
    show_default=True,
    help="weibull, lognormal, loglogistic or exponential.",
)
@click.option("--confidence", default=0.95, show_default=True, help="One-sided confidence.")
@click.option(
    "--fraction", default=0.1, show_default=True, help="Fraction failed of the life shown."
)
@click.option(
    "--stress",
    multiple=True,
    metavar="COLUMN:FORM",
    help="Adjust for this stress; may be repeated. Default: voltage, and part where builders share parts.",
)
@click.option("--plain", is_flag=True, help="Adjust for nothing.")
@click.option("--seed", default=1, show_default=True, help="Seed of simulations.")
@json_option
def command(
    family_name: str, confidence: float, fraction: float, stress: tuple[str, ...], plain: bool, seed: int, as_json: bool,
    **source: Any,
) -> None:  # fmt: skip
    """Do builders' data agree? Compare, pool, and see who moves the estimate."""
    from reliability.decisions.builders import builders
    from reliability.decisions.life import check_settings

    check_settings(family_name, confidence, "calibrated", [fraction], [])
    basis = load(**source)
    a = builders(
        basis.records,
        family_name,
        stress=() if plain else (stress or None),
        fraction=fraction,
        confidence=confidence,
        seed=seed,
    )
    if as_json:
        emit_json(a, basis)
        return
    click.echo(a.sentence)
    click.echo(
        f"\nLife that {1 - a.fraction:g} of units reach (pool: {number(a.pool_shots)} shots)"
    )
    click.echo(
        table(
            ["builder", "units", "failed", "ratio", "lower", "upper", "alone", "shots", "p", "adjusted", "pool without"],
            [
                [
                    b.builder + (" *" if b.differs else ""), f"{b.n:g}", f"{b.failed:g}", number(b.ratio, 3), number(b.lower, 3),
                    number(b.upper, 3), number(b.raw_ratio, 3), number(b.shots), f"{b.p:.3f}", f"{b.p_adjusted:.3f}",
                    number(b.without_shots),
                ]
                for b in a.builders
            ],
        )
    )  # fmt: skip
    click.echo(
        "  ratio: life against the pool, shrunken; alone: from this builder's data only; * differs (Holm)"
    )
    tests = [
        ["likelihood ratio, one scale", f"{a.same_life_p:.3f}"],
        ["spread between builders", f"{a.spread_p:.3f}"],
    ]
    if a.same_shape_p == a.same_shape_p:
        tests.insert(1, ["likelihood ratio, one shape", f"{a.same_shape_p:.3f}"])
    if a.log_rank is not None and a.log_rank_early is not None:
        tests += [
            ["log-rank (not adjusted)", f"{a.log_rank.p:.3f}"],
            ["log-rank, early failures", f"{a.log_rank_early.p:.3f}"],
        ]
    click.echo("\nTests")
    click.echo(table(["test", "p"], tests))
    emit_notes(basis.notes + a.notes)
