"""``shotlife history``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import number, question_command, table


def show(a: Any) -> None:
    """Modules, their units in order, and the unit asked for."""
    if a.unit is not None and a.unit.curve:
        u = a.unit
        stress = f" at {u.stress}" if u.stress else ""
        click.echo(
            f"\nUnits like it ({u.part or 'no part named'}{stress}): {u.n:g}, {u.failed:g} failed; still good at its count "
            f"{number(u.survival, 3)} ({number(u.lower, 3)} to {number(u.upper, 3)})"
        )
    click.echo("\nModules")
    rows = [
        [m.builder, m.module, number(m.shots), f"{m.units:g}", f"{m.failed:g}", f"{m.suspected:g}", str(m.swaps)]
        for m in a.modules
    ]  # fmt: skip
    click.echo(table(["builder", "module", "shots", "units", "failed", "suspects", "swaps"], rows))
    click.echo("\nStretches (module: shots of the module as far as the records tell)")
    rows = [
        [
            s.module, s.slot, s.unit or "-", number(s.begin, 6), number(s.last, 6), number(s.shots_from, 6), number(s.shots_good, 6),
            number(s.charge_V), s.ends, s.mode or s.event or "-",
        ]
        for s in a.stretches
    ]  # fmt: skip
    head = ["module", "slot", "unit", "begin", "end", "from", "good", "V", "ends", "mode or event"]
    click.echo(table(head, rows))
    if a.readings or a.misfires:
        click.echo(
            f"\n{len(a.readings)} readings and {len(a.misfires)} misfires; --json lists them"
        )


command = question_command("history", show)
