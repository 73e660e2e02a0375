"""``shotlife derate``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import number, question_command, show_opinion, table


def show(a: Any) -> None:
    """Stress model, curve, discharge; or the parts."""
    if hasattr(a, "parts"):
        _show_parts(a)
        return
    click.echo(
        f"\nStress model ({a.family}, {a.failed:g} of {a.n:g} failed; shape {number(a.shape, 3)}; bounds {a.confidence:g} one-sided, {a.bound})"
    )
    rows = [
        [c.column, c.form, *map(number, (c.estimate, c.lower, c.upper))] for c in a.coefficients
    ]
    click.echo(table(["stress", "form", "estimate", "lower", "upper"], rows))
    if a.use:
        held = (f"{k} = {v:g}" if isinstance(v, float) else f"{k} = {v}" for k, v in a.use.items())
        click.echo("  held at " + ", ".join(held))
    if a.curve:
        _show_curve(a)
    if a.best_total is not None:
        b = a.best_total
        click.echo(
            f"\n  largest total impulse within the tests: {b.impulse_Ns:.3g} N s at {b.level:,.4g} V ({number(b.lower)} shots)"
        )
    if a.discharge is not None:
        d = a.discharge
        click.echo(
            f"\n  one shot asks for {d.peak_A:,.0f} A peak ({d.undamped_A:,.0f} A undamped), reversal {d.reversal:.0%}"
        )
    show_opinion(a)


def _show_curve(a: Any) -> None:
    click.echo(f"\nLife that {a.survival:g} reach, by {a.column} ('~' = outside what was tested)")
    step = max(1, len(a.curve) // 9)
    rows = [
        [
            ("~" if p.extrapolated else "") + f"{p.level:,.4g}", number(p.shots), number(p.lower),
            number(p.energy_J, 3), number(p.impulse_Ns, 3), number(p.impulse_lower_Ns, 3),
        ]
        for i, p in enumerate(a.curve)
        if i % step == 0 or p.level == a.allowed.level
    ]  # fmt: skip
    head = [a.column, "estimate", "lower", "J a shot", "total N s", "at least"]
    click.echo(table(head, rows))


def _show_parts(a: Any) -> None:
    rows = [
        [
            p.part or "(no part)", f"{p.n:g}", f"{p.failed:g}", number(p.allowed.level), number(p.allowed.ratio, 3),
            number(p.allowed.energy_J, 3), p.reason[:60],
        ]
        for p in a.parts
    ]  # fmt: skip
    head = ["part", "units", "failed", "allowed", "ratio", "J a shot", "why not"]
    click.echo(table(head, rows))


compare_option = click.option(
    "--compare", is_flag=True, help="Answer for each part by itself and compare."
)
command = question_command(
    "derate", show, pick=lambda given: "derate_parts" if given["compare"] else "derate",
    others=("derate_parts",), extra=compare_option, after=lambda *_, compare: None,
)  # fmt: skip
