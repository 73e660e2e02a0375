"""``shotlife builders``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import number, question_command, show_opinion, table


def show(a: Any) -> None:
    """Builders beside the pool, and the tests."""
    click.echo(
        f"\nLife that {1 - a.fraction:g} of units reach (pool: {number(a.pool_shots)} shots)"
    )
    head = [
        "builder",
        "units",
        "failed",
        "ratio",
        "lower",
        "upper",
        "alone",
        "shots",
        "p",
        "adjusted",
        "pool without",
    ]
    rows = [
        [
            b.builder + (" *" if b.differs else ""), f"{b.n:g}", f"{b.failed:g}", number(b.ratio, 3), number(b.lower, 3),
            number(b.upper, 3), number(b.raw_ratio, 3), number(b.shots), f"{b.p:.3f}", f"{b.p_adjusted:.3f}",
            number(b.without_shots),
        ]
        for b in a.builders
    ]  # fmt: skip
    click.echo(table(head, rows))
    click.echo(
        "  ratio: life against the pool, shrunken; alone: from this builder's data only; * differs (Holm)"
    )
    tests = [["likelihood ratio, one scale", f"{a.same_life_p:.3f}"]]
    if a.same_shape_p == a.same_shape_p:
        tests.append(["likelihood ratio, one shape", f"{a.same_shape_p:.3f}"])
    tests.append(["spread between builders", f"{a.spread_p:.3f}"])
    if a.log_rank is not None and a.log_rank_early is not None:
        tests += [
            ["log-rank (not adjusted)", f"{a.log_rank.p:.3f}"],
            ["log-rank, early failures", f"{a.log_rank_early.p:.3f}"],
        ]
    click.echo("\nTests")
    click.echo(table(["test", "p"], tests))
    show_opinion(a)


command = question_command("builders", show)
