"""``shotlife flight``."""

from __future__ import annotations

from typing import Any

import click

from reliability.commands.common import (
    emit_json,
    number,
    options,
    question_command,
    source,
    table,
)
from reliability.notes import BadInput


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
    v = a.several
    if v.units > 1:
        click.echo(
            f"\n  {v.units:g} modules: {v.working} or more last {number(v.enough, 3)} (at least {number(v.enough_lower, 3)}), "
            f"all {number(v.all, 3)} (at least {number(v.all_lower, 3)}), one or more {number(v.one, 3)} (at least "
            f"{number(v.one_lower, 3)})"
        )
    if a.more:
        click.echo(
            "\nWhat would help most: tests without failure, most shots gained a bench day first"
        )
        rows = [
            [
                m.what, f"{m.shots:,.0f}", f"{m.days:.2f}", number(m.survives_it, 2), number(m.survival), number(m.lower),
                number(m.promise), number(m.gain_a_day, 3),
            ]
            for m in a.more
        ]  # fmt: skip
        head = [
            "what",
            "shots",
            "days",
            "lasts it",
            "survival after",
            "at least",
            "promise",
            "gain a day",
        ]
        click.echo(table(head, rows))


def remember(a: Any, origin: Any, question: Any, keep: bool, history: bool) -> None:
    """Keep the answer in the module's history."""
    if keep:
        from reliability.ask.records import remember_answer

        remember_answer(origin, question.module, a)


keep_options = options(
    click.option("--keep", is_flag=True, help="Keep this answer in the store's history of the module."),
    click.option("--history", is_flag=True, help="Show the answers kept before."),
)  # fmt: skip
_ask = question_command("flight", show, extra=keep_options, after=remember)


def _callback(**given: Any) -> int:
    origin = source(given["store"], given["files"])
    if (given["keep"] or given["history"]) and given["files"]:
        raise BadInput("the history is kept in a store; --keep and --history do not go with --from")
    if given["history"]:
        other = [
            k for k, v in given.items() if v and k not in ("history", "module", "store", "as_json")
        ]
        if other:
            raise BadInput(
                f"--{other[0].replace('_', '-')} has no effect here: --history shows what was kept"
            )
        _history(origin, "".join(given["module"]), given["as_json"])
        return 0
    assert _ask.callback is not None
    return int(_ask.callback(**given))


def _history(origin: Any, module: str | None, as_json: bool) -> None:
    from reliability.ask.records import kept_history

    if not module:
        raise BadInput("module is missing: the module whose history is wanted")
    rows = kept_history(origin, module)
    if as_json:
        emit_json({"history": rows})
        return
    shown = [
        [
            r["made_at"][:16], r["store"], number(r["answer"]["mission_shots"]),
            number(r["answer"]["promise"]["shots"]), number(r["answer"]["survival"]["lower"]),
        ]
        for r in rows
    ]  # fmt: skip
    click.echo(table(["made", "store", "mission", "promise", "survival at least"], shown))


command = click.Command("flight", params=_ask.params, callback=_callback, help=_ask.help)
