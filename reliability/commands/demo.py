"""``shotlife demo``."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("demo")
@click.option(
    "--store",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="Store to load the demo into (default: a demo store of its own).",
)
@click.option("--serve", is_flag=True, help="Open the dashboard on it afterwards.")
@click.option("--port", default=8501, show_default=True, help="Port of the dashboard.")
def command(store: Path | None, serve: bool, port: int) -> None:
    """Load an invented community of five builders and answer the main question.

    All demo data are invented; no real thruster, part or person is in them.
    """  # fmt: skip
    from reliability.commands.common import emit_notes, number, table
    from reliability.decisions.module import module
    from reliability.store import Store, default_path
    from reliability.store.demo import load_demo

    path = store or default_path().with_name("demo.duckdb")
    box = Store(path)
    load_demo(box)
    records = box.records()
    click.echo(
        f"Invented demo: {records.units:g} units in {len(set(records.module.tolist()))} modules of "
        f"{len(set(records.builder.tolist()))} builders, {records.failures:g} failed. Store: {path}\n"
    )
    a = module(records)
    click.echo(a.sentence)
    click.echo()
    click.echo(
        table(
            ["slot", "units", "failed", "median shots", "ends module"],
            [
                [s.slot, f"{s.n:g}", f"{s.failed:g}", number(s.median), number(s.ends_module, 2)]
                for s in a.slots
            ],
        )
    )
    emit_notes(a.notes)
    if serve:
        from reliability.service import serve as run

        run(path, port=port)
    else:
        click.echo(f"\nLook around: shotlife serve --store {path}")
