"""``shotlife life``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import (
    Basis,
    emit_json,
    emit_notes,
    estimate_options,
    json_option,
    load,
    number,
    source_options,
    table,
)


@click.command("life")
@source_options
@estimate_options
@click.option("--mode", default="", help="Look at this failure mode; others count as censored.")
@click.option("--at", multiple=True, type=float, metavar="SHOTS", help="Survival at this count.")
@click.option(
    "--fraction",
    multiple=True,
    type=float,
    metavar="P",
    help="Shots by which this fraction has failed (default 0.1).",
)
@click.option(
    "--next", "ahead", type=click.IntRange(1), metavar="K", help="Predict for the next K units."
)
@click.option(
    "--keep",
    type=click.IntRange(1),
    metavar="M",
    help="How many of those must last (default: all).",
)
@click.option("--compare", is_flag=True, help="Also compare all families by AICc.")
@json_option
def command(
    family_name: str,
    confidence: float,
    bound: str,
    seed: int,
    mode: str,
    at: tuple[float, ...],
    fraction: tuple[float, ...],
    ahead: int | None,
    keep: int | None,
    compare: bool,
    as_json: bool,
    **source: Any,
) -> int:
    """Life of the units in the records: parameters, lives, survival, each with honest bounds.

    Lower and upper are each one-sided bounds at the confidence. The default bound is calibrated
    for few failures; likelihood and wald are the usual ones, too optimistic there.
    """  # fmt: skip
    from reliability.decisions.life import life
    from reliability.notes import CannotAnswer

    basis = load(**source)
    try:
        answer = life(
            basis.records, family_name, mode=mode, at=at, fractions=fraction or (0.1,),
            confidence=confidence, bound=bound, seed=seed,
            ahead=(ahead, keep or ahead) if ahead else None,
        )  # fmt: skip
        code = 0
    except CannotAnswer as e:
        if e.partial is None:
            raise
        answer, code = e.partial, 3  # type: ignore[assignment]
        click.echo(str(e), err=True)
    if as_json:
        emit_json(answer, basis)
        return code
    _print(answer, basis)
    if compare:
        _print_families(basis, mode)
    return code


def _print(a: Any, basis: Basis) -> None:
    click.echo(a.sentence)
    click.echo(
        f"\n  {a.family}: shape {number(a.shape)}, scale {number(a.scale)} shots, "
        f"log-likelihood {number(a.loglik, 7)}; {a.failed:g} of {a.n:g} failed"
        + (f"; mode {a.mode}" if a.mode else "")
    )
    if a.quantiles:
        click.echo(f"\nLives ({a.bound} bounds, {a.confidence:g} one-sided)")
        click.echo(
            table(
                ["failed", "shots", "lower", "upper"],
                [
                    [f"{q.fraction:g}", number(q.shots), number(q.lower), number(q.upper)]
                    for q in a.quantiles
                ],
            )
        )
    if a.survival:
        click.echo("\nSurvival")
        click.echo(
            table(
                ["shots", "estimate", "lower", "upper"],
                [
                    [number(s.shots), number(s.estimate), number(s.lower), number(s.upper)]
                    for s in a.survival
                ],
            )
        )
    if a.prediction is not None:
        p = a.prediction
        click.echo(
            f"\nPrediction: {p.question} with probability {p.confidence:g}: {number(p.shots)} ({p.method})"
        )
    emit_notes(basis.notes + a.notes)


def _print_families(basis: Basis, mode: str) -> None:
    from reliability.life.goodness import compare_families

    r = basis.records.of_mode(mode) if mode else basis.records
    click.echo("\nFamilies (smaller AICc is better; weight is the share of belief among them)")
    click.echo(
        table(
            ["family", "log-likelihood", "AICc", "weight"],
            [
                [s.family, number(s.loglik, 7), number(s.aicc, 6), f"{s.weight:.2f}"]
                for s in compare_families(r)
            ],
        )
    )
