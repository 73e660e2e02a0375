"""``shotlife flight``."""

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
    """Mission, slots, more testing."""
    click.echo(f"\n  mission: {a.mission}; margin {a.margin_shots:+,.0f} shots")
    click.echo("\nSlots, most likely end first")
    head = [
        "slot",
        "part",
        "so far",
        "failed",
        "model",
        "survival",
        "at least",
        "promise",
        "ends first",
        "holds down",
    ]
    rows = [
        [
            s.slot, s.part, f"{s.so_far:,.0f}", f"{s.failed:g} of {s.n:g}", s.basis, number(s.survival),
            number(s.lower), number(s.promise), number(s.ends_first, 2), f"{s.holds_down:.0%}",
        ]
        for s in a.by_slot
    ]  # fmt: skip
    click.echo(table(head, rows))
    show_siblings(a.by_slot)
    v = a.several
    if v.units > 1:
        click.echo(
            f"\n  {v.units:g} modules: {v.working} or more last {number(v.enough, 3)} (at least {number(v.enough_lower, 3)}), "
            f"all {number(v.all, 3)} (at least {number(v.all_lower, 3)}), one or more {number(v.one, 3)} (at least "
            f"{number(v.one_lower, 3)})"
        )
    show_more(a.more, {"survival after": "survival", "at least": "lower", "promise": "promise"})
    show_found(a.found)


command = question_command("flight", show)
