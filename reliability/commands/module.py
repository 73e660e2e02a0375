"""``shotlife module``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import (
    number,
    question_command,
    show_found,
    show_more,
    show_siblings,
    table,
)


def show(a: Any) -> None:
    """Slots, and survival at the counts asked for."""
    click.echo(
        "\nSlots, most likely end first (holds down: share of the hazard where the lower bound is met)"
    )
    click.echo(slot_table(a))
    show_siblings(a.slots)
    if a.survival:
        click.echo(f"\nModule survival ({a.bound} bounds, {a.confidence:g} one-sided)")
        rows = [list(map(number, (s.shots, s.estimate, s.lower, s.upper))) for s in a.survival]
        click.echo(table(["shots", "estimate", "lower", "upper"], rows))
    show_more(a.more, {"bound": "promise"})
    show_found(a.found)


def slot_table(a: Any) -> str:
    """The slots of a module answer."""
    rows = [
        [
            s.slot, f"{s.n:g}", f"{s.failed:g}",
            number(s.shape, 3), number(s.median), number(s.ends_module, 2), f"{s.holds_down:.0%}",
        ]
        for s in a.slots
    ]  # fmt: skip
    return table(
        ["slot", "units", "failed", "shape", "median shots", "ends module", "holds down"], rows
    )


command = question_command("module", show)
