"""``shotlife records``: what is stored, and where it comes from."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from reliability.commands.common import (
    emit_json,
    filter_options,
    json_option,
    source,
    table,
    who_runs,
)
from reliability.words import counted


@click.command("records")
@filter_options
@click.option("--limit", default=30, show_default=True, help="Most records to print.")
@click.option("--accept", type=int, metavar="N", help="Accept contribution N.")
@click.option("--decline", type=int, metavar="N", help="Decline contribution N.")
@click.option(
    "--withdraw", type=int, metavar="N", help="Withdraw contribution N; nothing is deleted."
)
@click.option("--reason", default="", help="Why it is accepted, declined or withdrawn.")
@click.option(
    "--log",
    "show_log",
    is_flag=True,
    help="Who gave and decided what, and whether the log is whole.",
)
@click.option(
    "--contradictions",
    is_flag=True,
    help="List what stored sheets say against each other, and how to mend it.",
)
@json_option
def command(
    store: Path | None, files: tuple[Path, ...], limit: int, accept: int | None, decline: int | None,
    withdraw: int | None, reason: str, show_log: bool, contradictions: bool, as_json: bool, **filters: Any,
) -> None:  # fmt: skip
    """Show life records and contributions; accept, decline or withdraw a contribution.

    A record reads: good at shots_good, failed by shots_failed ('-' = not failed).
    """
    from reliability.ask.deeds import decide, deed_log, giver
    from reliability.ask.giving import chosen_records
    from reliability.ask.records import contributions_of, rows_of

    origin = source(store, files)
    for act, number in (("accept", accept), ("decline", decline), ("withdraw", withdraw)):
        if number is not None:
            done = decide(origin, number, act, who_runs(), reason)
            if not as_json:
                click.echo(f"contribution {done.id} ({done.file}): {done.status}")
    log = deed_log(origin)
    if show_log:
        _show_log(log, as_json)
        return
    if contradictions:
        _contradictions(origin, as_json)
        return
    contributions = contributions_of(origin)
    standing = [c for c in contributions if c.status in ("accepted", "received")]
    if contributions and not any(c.kind == "life" for c in standing):
        _no_life(contributions, len(standing), as_json)
        return
    if contributions and not any(c.status == "accepted" for c in contributions):
        filters["received"] = True
    r, _ = chosen_records(origin, **filters)
    if as_json:
        emit_json({"records": rows_of(r), "contributions": [asdict(c) for c in contributions]})
        return
    click.echo(
        f"{counted(len(r), 'record')}: {counted(r.units, 'unit')} in {counted(len(set(r.module.tolist())), 'module')} of "
        f"{counted(len(set(r.builder.tolist())), 'builder')}; {r.failures:g} failed."
    )
    if contributions:
        click.echo("\nContributions")
        rows = [
            [
                str(c.id), c.file, c.kind, c.builders, str(c.rows),
                c.status + (f" by {c.superseded_by}" if c.superseded_by else ""), c.received_at[:10], giver(log, c.id),
            ]
            for c in contributions
        ]  # fmt: skip
        click.echo(
            table(
                ["no", "file", "kind", "builders", "rows", "status", "received", "given by"], rows
            )
        )
    click.echo("\nRecords")
    shown = min(limit, len(r))
    rows = [
        [
            r.builder[i], r.module[i], r.slot[i], r.unit[i], f"{r.shots_from[i]:g}", f"{r.shots_good[i]:g}",
            f"{r.shots_failed[i]:g}" if r.failed[i] else "-", r.mode[i],
        ]
        for i in range(shown)
    ]  # fmt: skip
    head = ["builder", "module", "slot", "unit", "from", "good", "failed", "mode"]
    click.echo(table(head, rows))
    if shown < len(r):
        click.echo(f"  ... {len(r) - shown} more (--limit)")


def _no_life(contributions: Any, standing: int, as_json: bool) -> None:
    """No life sheet counts: there are sheets of other kinds, or all was declined or withdrawn. That is no fault."""
    if as_json:
        emit_json({"records": [], "contributions": [asdict(c) for c in contributions]})
        return
    click.echo(
        f"0 life records: {standing} contributions of other kinds stand."
        if standing
        else "0 records: every contribution was declined or withdrawn."
    )
    rows = [[str(c.id), c.file, c.kind, c.builders, c.status, c.reason] for c in contributions]
    click.echo(table(["no", "file", "kind", "builders", "status", "reason"], rows))


def _show_log(log: Any, as_json: bool) -> None:
    """The log of deeds, oldest first, and whether its chain holds."""
    if as_json:
        emit_json(log)
        return
    click.echo(log.sentence)
    rows = [
        [str(d.number), d.at[:19].replace("T", " "), d.who, d.act, str(d.contribution), d.detail[:60], d.hash[:12]]
        for d in log.deeds
    ]  # fmt: skip
    if rows:
        click.echo(table(["no", "when (UTC)", "who", "did", "contribution", "what", "hash"], rows))


def _contradictions(origin: Any, as_json: bool) -> None:
    """What stored sheets say against each other."""
    from reliability.ask.contradictions import contradictions_of

    found = contradictions_of(origin)
    if as_json:
        emit_json({**asdict(found), "mend": found.mend})
        return
    texts = [*found.life, *found.readings]
    if not texts:
        click.echo("No contradictions.")
        return
    click.echo(f"{len(texts)} contradictions")
    for text in texts:
        click.echo(f"  {text}")
    click.echo(found.mend)
