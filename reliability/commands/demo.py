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
    """Load an invented community of six builders and answer the main question.

    All demo data are invented; no real thruster, part or person is in them.
    """
    from reliability.ask.asking import ask
    from reliability.ask.questions import question_class
    from reliability.ask.records import load_demo
    from reliability.ask.sources import Stored, default_path, read_pool
    from reliability.commands.common import emit_notes
    from reliability.commands.module import slot_table

    origin = Stored(store or default_path().with_name("demo.duckdb"))
    load_demo(origin)
    records = read_pool(origin, ("life",)).records
    click.echo(
        f"Invented demo: {records.units:g} units in {len(set(records.module.tolist()))} modules of "
        f"{len(set(records.builder.tolist()))} builders, {records.failures:g} failed. Store: {origin.path}\n"
    )
    a = ask(question_class("module")(), origin)
    click.echo(f"{a.sentence}\n\n{slot_table(a)}")
    emit_notes(a.notes)
    if serve:
        from reliability.service import serve as run

        run(origin.path, port=port)
    else:
        click.echo(f"\nLook around: shotlife serve --store {origin.path}")
