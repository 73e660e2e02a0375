"""``shotlife modes``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import number, question_command, table


def _upper(value: float) -> str:
    return "no upper bound" if value == float("inf") else number(value)


def show(a: Any) -> None:
    """Each mode by itself, and its share."""
    click.echo(
        f"\n  lives: {a.fraction:g} failed if this were the only mode; share: of units, by "
        f"{number(a.horizon)} shots"
    )
    rows = [
        [
            m.mode, f"{m.failed:g}", number(m.shape, 3), number(m.shots), number(m.lower), _upper(m.upper),
            number(m.incidence, 3), number(m.incidence_lower, 3), number(m.incidence_upper, 3),
        ]
        for m in a.modes
    ]  # fmt: skip
    head = ["mode", "failed", "shape", "life", "lower", "upper", "share", "lower", "upper"]
    click.echo(table(head, rows))


command = question_command("modes", show)
