"""``shotlife decisions``: the answers kept under a name, and what has changed since."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import emit_json, json_option, options, source, store_option, table


@click.command("decisions")
@options(
    store_option,
    click.option("--number", type=int, help="Only this one: asked again now, beside what it was."),
    json_option,
)
def command(store: Path | None, number: int | None, as_json: bool) -> int:
    """Decisions kept with --keep-as, and what has changed since.

    Contributions that came or no longer count, another version of the methods; with --number also what the
    same question is answered now. Exit 3 if that is not what it was.
    """
    from reliability.ask.decided import decision, decisions, since

    origin = source(store, ())
    if number is None:
        found = [(d, since(origin, d)) for d in decisions(origin)]
        if as_json:
            emit_json({"decisions": [_plain(d, s) for d, s in found]})
            return 0
        rows = [[str(d.number), d.at[:16], d.who, d.name, d.asked["question"], s.text] for d, s in found]  # fmt: skip
        click.echo(table(["no", "kept", "by", "name", "question", "since then"], rows) if rows else "No decision is kept yet.")  # fmt: skip
        return 0
    kept = decision(origin, number)
    now = since(origin, kept, again=True)
    if as_json:
        emit_json(_plain(kept, now))
    else:
        click.echo(f"{kept.name}, kept {kept.at[:16]} by {kept.who}. {kept.remark}".rstrip())
        click.echo(f"Then: {kept.sentence}\nNow: {now.sentence}\nSince then: {now.text}")
    return 0 if now.sentence == kept.sentence else 3


def _plain(kept: Any, now: Any) -> dict[str, Any]:
    """A kept decision and what has changed, for JSON."""
    return {
        "number": kept.number, "kept_at": kept.at, "by": kept.who, "name": kept.name, "remark": kept.remark,
        "sentence": kept.sentence, "sentence_now": now.sentence or None, "contributions_come": list(now.come),
        "contributions_gone": list(now.gone), "other_method": now.other_method, "answer": kept.answer,
    }  # fmt: skip
