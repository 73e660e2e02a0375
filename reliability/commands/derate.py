"""``shotlife derate``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import (
    number,
    question_command,
    show_found,
    show_more,
    show_opinion,
    table,
)
from reliability.notes import BadInput
from reliability.words import level_number, volts_text


def show(a: Any) -> None:
    """Stress model, curve, discharge; or the parts."""
    if hasattr(a, "parts"):
        _show_parts(a)
        return
    if hasattr(a, "mission"):
        _show_mission(a)
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
            f"\n  largest total impulse within the tests: {b.impulse_Ns:.3g} N s at {volts_text(b.level)} ({number(b.lower)} shots)"
        )
    if a.discharge is not None:
        d = a.discharge
        click.echo(
            f"\n  one shot asks for {d.peak_A:,.0f} A peak ({d.undamped_A:,.0f} A undamped), reversal {d.reversal:.0%}"
        )
    show_more(a.more, {"promise": "promise", "allowed V": "highest_V"})
    show_found(a.found)
    show_opinion(a)


def _show_curve(a: Any) -> None:
    click.echo(f"\nLife that {a.survival:g} reach, by {a.column} ('~' = outside what was tested)")
    step = max(1, len(a.curve) // 9)
    rows = [
        [
            ("~" if p.extrapolated else "") + level_number(p.level), number(p.shots), number(p.lower),
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
            p.part or "(no part)", f"{p.n:g}", f"{p.failed:g}", (level_number(p.allowed.level) if p.allowed.level == p.allowed.level else "-"), number(p.allowed.ratio, 3),
            number(p.allowed.energy_J, 3), p.reason[:60],
        ]
        for p in a.parts
    ]  # fmt: skip
    head = ["part", "units", "failed", "allowed", "ratio", "J a shot", "why not"]
    click.echo(table(head, rows))


def _show_mission(a: Any) -> None:
    if a.impulse is not None:
        i = a.impulse
        band = f", true bit within {i.band:.0%}" if i.band else ""
        click.echo(
            f"\n  impulse bit: {i.bit_uNs_at_1_J:.3g} uN s x (J)^{i.exponent:.3g}, {i.source}{band}"
        )
    click.echo(
        "\nPlans (margin: promised over needed at most; 1 passes; '~' = no such voltage was tested)"
    )
    named: dict[Any, str] = {}
    for name, p in ((a.best_name, a.best), ("lightest", a.lightest), ("quickest", a.quickest)):
        if p is not None:
            named[p] = f"{named[p]}, {name}" if p in named else name
    rows = [
        [name, p.part or "-", f"{p.parallel}x{p.series}", ("~" if p.extrapolated else "") + level_number(p.charge_V), number(p.needed),
         number(p.needed_most), number(p.promised), number(p.margin, 3), number(p.energy_J, 3), number(p.average_W, 3),
         number(p.bus_A, 3), number(p.days, 3)]
        for p, name in named.items()
    ]  # fmt: skip
    head = ["plan", "part", "bank", "volts", "needed", "at most", "promised", "margin", "J a shot", "W", "A at bus", "days"]  # fmt: skip
    click.echo(table(head, rows))
    click.echo(
        "\nBanks (parallel x series): largest margin, highest voltage that passes, and the rating of one capacitor that would "
        f"pass at {volts_text(a.banks[0].rated_at_V)}"
    )
    rows = [
        [b.part or "-", f"{b.parallel}x{b.series}", *_at(b.best), number(b.best.margin, 3) if b.best else "-",
         *_at(b.highest), number(b.rated_V)]
        for b in a.banks
    ]  # fmt: skip
    click.echo(table(["part", "bank", "volts", "margin", "passes to", "rating"], rows))
    click.echo("\nNeeded against promised in the first of them, by voltage of the bank")
    step = max(1, len(a.curve) // 9)
    rows = [
        [("~" if p.extrapolated else "") + level_number(p.charge_V), number(p.needed), number(p.needed_most), number(p.promised),
         number(p.margin, 3), number(p.energy_J, 3), number(p.days, 3)]
        for i, p in enumerate(a.curve) if i % step == 0 or p == a.best
    ]  # fmt: skip
    click.echo(
        table(["volts", "needed", "at most", "promised", "margin", "J a shot", "days"], rows)
    )
    show_more(a.more, {"promise": "promise"})
    show_found(a.found)


def _at(p: Any) -> list[str]:
    return ["-"] if p is None else [("~" if p.extrapolated else "") + level_number(p.charge_V)]


MISSION = (
    "total_impulse", "delta_v", "mass", "capacitors", "rate_hz", "duty", "power_w", "efficiency", "bus_v", "within_days",
)  # fmt: skip
"""options that ask for a plan of voltage, bank and part"""


def pick(given: dict[str, Any]) -> str:
    """Which derating is asked for. Raises BadInput."""
    mission = any(given[k] for k in MISSION)
    if mission and given["compare"]:
        raise BadInput("--compare has no effect here: a mission looks at all parts at once")
    return "derate_mission" if mission else "derate_parts" if given["compare"] else "derate"


compare_option = click.option(
    "--compare", is_flag=True, help="Answer for each part by itself and compare."
)
_ask = question_command(
    "derate", show, pick=pick, others=("derate_parts", "derate_mission"), extra=compare_option,
    after=lambda *_, compare: None,
)  # fmt: skip
command = click.Command(
    "derate", params=_ask.params, callback=_ask.callback,
    help="How far to derate: the charge voltage that lets the capacitor last the mission.\n\n"
    "With --shots, the highest voltage at which the lower bound on life meets them, of one part. With --total-impulse, "
    "--delta-v and --mass, or --shots with any of --capacitors, --rate-hz, --duty, --power-w or --within-days: the shots that "
    "the impulse bit asks for at each voltage against the shots promised, over voltage, bank and parts at once.",
)  # fmt: skip
