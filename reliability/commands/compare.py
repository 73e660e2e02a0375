"""``shotlife compare``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import number, question_command, show_found, table


def show(a: Any) -> None:
    """The ratio and the two beside each other."""
    r = a.ordered
    if a.told:
        at = "at " if a.by == "voltage" else "of "
        click.echo(
            f"\nLife {at}{r.longer} over that {at}{r.other} (bounds {a.confidence:g} one-sided)"
        )
        rows = [[*(number(v, 3) for v in (r.estimate, r.lower, r.upper)), a.sure_text]]
        click.echo(table(["ratio", "lower", "upper", "sure"], rows))
    place = ", ".join(f"{k} {v:g}" if isinstance(v, float) else f"{k} {v}" for k, v in a.at.items())
    click.echo(f"\nLife that {1 - a.fraction:g} reach" + (f", at {place}" if place else ""))
    rows = [
        [s.name, f"{s.n:g}", f"{s.failed:g}", number(s.shots), number(s.lower)]
        for s in (a.first, a.second)
    ]
    click.echo(table([a.by, "units", "failed", "estimate", "lower"], rows))
    show_found(a.found)


command = question_command("compare", show)
