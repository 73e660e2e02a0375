"""``shotlife records``: what is stored, and where it comes from."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from reliability.commands.common import emit_json, json_option, load, source_options, table


@click.command("records")
@source_options
@click.option("--limit", default=30, show_default=True, help="Most records to print.")
@click.option("--accept", type=int, metavar="N", help="Accept contribution N.")
@click.option("--decline", type=int, metavar="N", help="Decline contribution N.")
@click.option("--reason", default="", help="Why it is accepted or declined.")
@json_option
def command(
    limit: int, accept: int | None, decline: int | None, reason: str, as_json: bool, **source: Any
) -> None:
    """Show life records and contributions; accept or decline a contribution.

    A record reads: good at shots_good, failed by shots_failed ('-' = not failed).
    """
    from reliability.decisions.answer import plain
    from reliability.store import Store, default_path

    store: Path | None = source["store"]
    box = Store(store or default_path())
    if accept is not None:
        box.decide(accept, "accepted", reason)
    if decline is not None:
        box.decide(decline, "declined", reason)
    contributions = [] if source["files"] else box.contributions()
    if contributions and not any(c.status == "accepted" for c in contributions):
        source["received"] = True
    basis = load(**source)
    r = basis.records
    if as_json:
        rows = [
            {
                "builder": r.builder[i], "module": r.module[i], "slot": r.slot[i], "unit": r.unit[i],
                "part": r.part[i], "shots_from": r.shots_from[i], "shots_good": r.shots_good[i],
                "shots_failed": r.shots_failed[i], "mode": r.mode[i], "count": r.count[i],
                **{k: v[i] for k, v in r.covariates.items()},
                **{k: v[i] for k, v in r.labels.items()},
            }
            for i in range(len(r))
        ]  # fmt: skip
        emit_json({"records": plain(rows), "contributions": [asdict(c) for c in contributions]})
        return
    click.echo(
        f"{len(r)} records: {r.units:g} units in {len(set(r.module.tolist()))} modules of "
        f"{len(set(r.builder.tolist()))} builders; {r.failures:g} failed."
    )
    if contributions:
        click.echo("\nContributions")
        click.echo(
            table(
                ["no", "file", "builders", "records", "status", "received"],
                [
                    [str(c.id), c.file, c.builders, str(c.rows), c.status
                     + (f" by {c.superseded_by}" if c.superseded_by else ""), c.received_at[:10]]
                    for c in contributions
                ],
            )
        )  # fmt: skip
    click.echo("\nRecords")
    shown = min(limit, len(r))
    click.echo(
        table(
            ["builder", "module", "slot", "unit", "from", "good", "failed", "mode"],
            [
                [
                    r.builder[i], r.module[i], r.slot[i], r.unit[i], f"{r.shots_from[i]:g}",
                    f"{r.shots_good[i]:g}",
                    f"{r.shots_failed[i]:g}" if r.failed[i] else "-", r.mode[i],
                ]
                for i in range(shown)
            ],
        )
    )  # fmt: skip
    if shown < len(r):
        click.echo(f"  ... {len(r) - shown} more (--limit)")
