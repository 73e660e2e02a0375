"""``shotlife publish``."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from reliability.commands.bundle import about_of, about_options
from reliability.commands.common import filter_options, source
from reliability.notes import BadInput
from reliability.words import counted


def dated(packed: Any, created: str) -> str:
    """Date of the site: it comes with the facts, so that these give the same bytes on any day.

    Raises
    ------
    BadInput
        If nothing in them has a date.
    """
    known = any(packed.records.labels.get("date", ()))
    if created or known or os.environ.get("SOURCE_DATE_EPOCH"):
        return created
    if not packed.received:
        raise BadInput("nothing here has a date; give --created YYYY-MM-DD")
    return str(packed.received)


@click.command("publish")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@filter_options
@click.option(
    "--shots",
    default=3000.0,
    show_default=True,
    type=click.FloatRange(min=0, min_open=True),
    help="Shots that derating and the next test are for.",
)
@click.option(
    "--ask",
    "questions",
    multiple=True,
    metavar="QUESTION",
    help="A further page, such as 'flight --module m1 --days 3'; may be repeated.",
)
@click.option(
    "--with-published",
    is_flag=True,
    help="Show how far lives from papers and agency reports move the bound, on their own page.",
)
@click.option("--describe", default="", metavar="TEXT", help="A paragraph for the front page.")
@about_options
def command(
    folder: Path, store: Path | None, files: tuple[Path, ...], shots: float, questions: tuple[str, ...],
    with_published: bool, describe: str, name: str, licence: str, title: str, version: str, created: str,
    identity: str, people: tuple[str, ...], sources: tuple[str, ...], sides: tuple[Path, ...], **filters: Any,
) -> None:  # fmt: skip
    """Publish the accepted records (after filters) as a static site in FOLDER.

    One page a decision, with figures that need no network, the records to take away (bundle, CSV, Parquet), a data
    dictionary, how to contribute, whom to cite, and the outside checks. The same facts give the same bytes.
    """
    from reliability.ask.packing import download_files, pack
    from reliability.extras import load
    from reliability.publish import SiteAbout, site, total_size, write_site
    from reliability.publish.pool_site import pool_site

    load("vl_convert")
    packed = pack(source(store, files), licence, sides, filters).ordered()
    about = about_of(
        packed, name, title, version, dated(packed, created), identity, people, sources
    )
    made = pool_site(packed, f"{name}.zip", shots, questions, with_published, describe)
    terms = packed.said or f"May be used under {packed.licence}."
    whole = site(
        made.pages,
        SiteAbout(title or "Shot lives of a pool", terms, packed.state, packed.citations),
        download_files(packed.records, about, packed.sides),
        made.program,
    )
    write_site(whole, folder)
    click.echo(
        f"{folder}: {sum(p.endswith('.html') for p in whole)} pages, {total_size(whole) / 1e6:.1f} MB, from "
        f"{counted(len(packed.records), 'record')} of {', '.join(packed.builders[:12])}"
        f"{' and others' if len(packed.builders) > 12 else ''}; open {folder / 'index.html'}"
    )
    for text in filter(None, (terms, packed.left_out)):
        click.echo(text)
