"""``shotlife life``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import number, question_command, show_found, show_more, table


def show(a: Any) -> None:
    """Parameters, lives, survival, families."""
    if a.as_siblings is not None:
        click.echo(a.as_siblings.text)
    fitted = ", ".join(
        text
        for value, text in (
            (a.shape, f"shape {number(a.shape)}"),
            (a.scale, f"scale {number(a.scale)} shots"),
            (a.loglik, f"log-likelihood {number(a.loglik, 7)}"),
        )
        if value == value
    )
    click.echo(
        f"\n  {a.family}: {fitted or 'no fit'}; {a.failed:g} of {a.n:g} failed"
        + (f"; mode {a.mode}" if a.mode else "")
    )
    if a.quantiles:
        click.echo(f"\nLives ({a.bound} bounds, {a.confidence:g} one-sided)")
        rows = [[f"{q.fraction:g}", *map(number, (q.shots, q.lower, q.upper))] for q in a.quantiles]
        click.echo(table(["failed", "shots", "lower", "upper"], rows))
    if a.survival:
        click.echo("\nSurvival")
        rows = [list(map(number, (s.shots, s.estimate, s.lower, s.upper))) for s in a.survival]
        click.echo(table(["shots", "estimate", "lower", "upper"], rows))
    if a.prediction is not None:
        p = a.prediction
        click.echo(
            f"\nPrediction: {p.question} with probability {p.confidence:g}: {number(p.shots)} ({p.method})"
        )
    show_more(a.more, {"bound": "promise"})
    show_found(a.found)
    if not a.families:
        return
    click.echo("\nFamilies (smaller AICc is better; weight is the share of belief among them)")
    rows = [
        [f.family, number(f.loglik, 7), number(f.aicc, 6), f"{f.weight:.2f}"] for f in a.families
    ]
    click.echo(table(["family", "log-likelihood", "AICc", "weight"], rows))


command = question_command("life", show)
