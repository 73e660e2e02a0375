"""``shotlife campaign``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import number, options, question_command, show_more, table
from reliability.notes import BadInput
from reliability.words import bench_cell

PLANS = {
    "demonstrate_shots": "demonstrate",
    "within_factor": "narrow",
    "accelerate_to": "accelerate",
}


def pick(given: dict[str, Any]) -> str:
    """Which plan is asked for; where none is, what is worth testing next. Raises BadInput."""
    said = [option for option in PLANS if given[option] is not None and given[option] != ()]
    if len(said) > 1:
        names = " and ".join("--" + s.replace("_", "-") for s in said)
        raise BadInput(f"{names} are {len(said)} plans: give one of them")
    if given["running"]:
        return "progress"
    return PLANS[said[0]] if said else "next_test"


def show(a: Any) -> None:
    """The plans."""
    if hasattr(a, "advice"):
        return
    if hasattr(a, "tests"):
        priced = {"cost": "cost"} if any(t.cost for t in a.tests) else {}
        show_more(a.tests, {**priced, "then promised": "promise"})
        return
    if hasattr(a, "question"):
        _show_learning(a)
        return
    _show_effect(a)
    click.echo("\nAlternatives that show the same, shortest bench time first")
    rows = [
        [str(p.units), number(p.shots_each), p.volts or "-", str(p.failures_allowed), bench_cell(p.bench_days), number(p.cost),
         number(p.pass_estimated, 2), number(p.pass_pessimistic, 2), number(p.pass_optimistic, 2), number(p.then.promise),
         number(p.then.highest_V)]
        for p in a.plans
    ]  # fmt: skip
    head = [
        "units",
        "shots each",
        "volts",
        "may fail",
        "bench",
        "cost",
        "pass",
        "at worst",
        "at best",
        "then promised",
        "up to V",
    ]
    click.echo(table(head, rows))
    click.echo("\nIf the shape is another one")
    rows = [[number(s.shape), str(s.units), number(s.shots_each)] for s in a.sensitivity]
    click.echo(table(["shape", "units", "shots each"], rows))


def _show_effect(a: Any) -> None:
    """What the plan makes of the promise and of the voltage that the shots are promised up to."""
    if a.promise_now != a.promise_now:
        return
    told = a.promise_if_passed == a.promise_if_passed
    click.echo(
        f"\n  the {a.slot.replace('_', ' ')} alone is promised {number(a.promise_now)} shots now"
        + (f", {number(a.promise_if_passed)} if no unit of the plan fails" if told else "")
    )
    if a.highest_V_now == a.highest_V_now:
        click.echo(
            f"  {number(a.demonstrate_shots)} shots are promised up to {number(a.highest_V_now)} V now"
            + (f", {number(a.highest_V_if_passed)} V then" if told else "")
        )


def _show_learning(a: Any) -> None:
    click.echo(
        "\nPlans looked at (factor: estimate over lower bound, typical, and in one outcome of ten)"
    )
    shown = [*a.plans[:12], *([a.equal] if a.equal is not None else [])]
    rows = [
        [
            "/".join(f"{v:g}" for v in p.levels) or "-", "/".join(map(str, p.units)), number(p.shots[0]),
            bench_cell(p.bench_days), number(p.cost), number(p.failures, 3), number(p.factor, 3), number(p.factor_wide, 3), f"{p.answerable:.0%}",
        ]
        for p in shown
    ]  # fmt: skip
    head = [
        "levels",
        "units",
        "shots each",
        "bench",
        "cost",
        "fail",
        "factor",
        "1 in 10",
        "answers",
    ]
    click.echo(table(head, rows))
    if a.equal is not None:
        click.echo("  last row: equal allocation")


def write_plan(a: Any, origin: Any, question: Any, sheet: Path | None, running: bool) -> None:
    """The plan as an empty life sheet."""
    if sheet is None:
        return
    from reliability.ask.records import write_plan as write

    write(a, question, sheet)
    click.echo(f"empty life sheet: {sheet}", err=True)


extra = options(
    click.option("--progress", "running", is_flag=True,
                 help="Judge the records as a running demonstration: stop or go on?"),
    click.option("--sheet", type=click.Path(path_type=Path, dir_okay=False),
                 help="Write the plan as an empty life sheet (CSV)."),
)  # fmt: skip
_ask = question_command(
    "campaign", show, pick=pick, others=("next_test", "demonstrate", "progress", "narrow", "accelerate"), extra=extra, after=write_plan
)  # fmt: skip
command = click.Command(
    "campaign", params=_ask.params, callback=_ask.callback,
    help="Which test to run next: what lengthens the promise most, demonstration, estimation or accelerated.\n\n"
    "Demonstration needs no records; with some, the chance to pass is given. Units, days and budget are limits "
    "that no plan exceeds. Tests run at "
    "kilovolts: discharge and short banks before touching, one hand, current-limited supplies, ventilate.",
)  # fmt: skip
