"""``shotlife misfires``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import number, question_command, table
from reliability.words import p_text


def show(a: Any) -> None:
    """Trend, mean count, groups, ignition voltage."""
    if a.growth is not None:
        g = a.growth
        click.echo(
            f"\n  power-law process: exponent {number(g.b, 3)} (1 = steady), trend {p_text(g.trend_p)}, Laplace {p_text(g.laplace_p)}"
        )
    if a.curve:
        click.echo("\nMean count of misfires a unit")
        rows = [
            [*map(number, (c.shots, c.mean, c.lower, c.upper)), f"{c.at_risk:g}"]
            for c in a.curve[:: max(1, len(a.curve) // 10)]
        ]
        click.echo(table(["shots", "mean", "lower", "upper", "watched"], rows))
    for r in a.groups:
        click.echo(
            f"  {r.first} against {r.second}: {number(r.ratio, 3)} times the misfires a shot ({p_text(r.p)})"
        )
    if a.ignition is not None:
        _show_ignition(a.ignition)


def _show_ignition(e: Any) -> None:
    o, t = e.odds_per_10V, e.odds_per_1000
    click.echo(
        f"\n{e.sentence}\n  odds times {number(o.estimate)} for 10 V more ({number(o.lower)} to {number(o.upper)}), "
        f"times {number(t.estimate)} for 1,000 shots more ({number(t.lower)} to {number(t.upper)}); {e.modules} modules"
    )
    rows = [
        [number(c.ignition_V), *(number(v, 3) for v in (c.chance, c.lower, c.upper))]
        for c in e.curve[::6]
    ]
    click.echo(table(["ignition V", "chance a shot", "lower", "upper"], rows))


command = question_command("misfires", show)
