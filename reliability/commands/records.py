"""``shotlife records``: what is stored, and where it comes from."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from reliability.commands.common import emit_json, filter_options, json_option, source, table


@click.command("records")
@filter_options
@click.option("--limit", default=30, show_default=True, help="Most records to print.")
@click.option("--accept", type=int, metavar="N", help="Accept contribution N.")
@click.option("--decline", type=int, metavar="N", help="Decline contribution N.")
@click.option("--reason", default="", help="Why it is accepted or declined.")
@click.option(
    "--contradictions",
    is_flag=True,
    help="List what stored sheets say against each other, and how to mend it.",
)
@json_option
def command(
    store: Path | None, files: tuple[Path, ...], limit: int, accept: int | None, decline: int | None,
    reason: str, contradictions: bool, as_json: bool, **filters: Any,
) -> None:  # fmt: skip
    """Show life records and contributions; accept or decline a contribution.

    A record reads: good at shots_good, failed by shots_failed ('-' = not failed).
    """
    from reliability.ask.giving import chosen_records
    from reliability.ask.records import contributions_of, decide, rows_of

    origin = source(store, files)
    if accept is not None:
        decide(origin, accept, "accepted", reason)
    if decline is not None:
        decide(origin, decline, "declined", reason)
    if contradictions:
        _contradictions(origin, as_json)
        return
    contributions = contributions_of(origin)
    if contributions and not any(c.status == "accepted" for c in contributions):
        filters["received"] = True
    r, _ = chosen_records(origin, **filters)
    if as_json:
        emit_json({"records": rows_of(r), "contributions": [asdict(c) for c in contributions]})
        return
    click.echo(
        f"{len(r)} records: {r.units:g} units in {len(set(r.module.tolist()))} modules of "
        f"{len(set(r.builder.tolist()))} builders; {r.failures:g} failed."
    )
    if contributions:
        click.echo("\nContributions")
        rows = [
            [
                str(c.id), c.file, c.kind, c.builders, str(c.rows),
                c.status + (f" by {c.superseded_by}" if c.superseded_by else ""), c.received_at[:10],
            ]
            for c in contributions
        ]  # fmt: skip
        click.echo(table(["no", "file", "kind", "builders", "rows", "status", "received"], rows))
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


def _contradictions(origin: Any, as_json: bool) -> None:
    """What stored sheets say against each other."""
    from reliability.ask.giving import contradictions_of

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
