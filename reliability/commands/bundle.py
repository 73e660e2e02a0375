"""``shotlife bundle``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from reliability.commands.common import filter_options, options, source
from reliability.notes import BadInput
from reliability.words import counted

about_options = options(
    click.option("--name", default="shot-lives", show_default=True, help="Name of the package."),
    click.option("--licence", default="", help="Licence under which the data are given; default CC0-1.0, "
                 "or what the contributions in the store allow together."),
    click.option("--title", default="", help="A title to cite it by."),
    click.option("--version", default="1.0.0", show_default=True, help="Version of the package."),
    click.option("--created", default="", metavar="DATE",
                 help="YYYY-MM-DD; default the latest date in the records, or today."),
    click.option("--id", "identity", default="", help="A DOI or other identifier; default made from the content."),
    click.option("--contributor", "people", multiple=True, metavar="TITLE[;ROLE,...][;ORCID]",
                 help="Whom to name; roles creator, contact, rightsHolder, dataCurator; default the builders; may be repeated."),
    click.option("--side", "sides", multiple=True, type=click.Path(path_type=Path),
                 help="With --from: a wear, misfire or ignition sheet to pack too; may be repeated."),
    click.option("--source", "sources", multiple=True, metavar="TITLE[;ADDRESS]",
                 help="Where the data come from; may be repeated."),
)  # fmt: skip


def _contributor(text: str) -> Any:
    from reliability.ask.packing import Contributor

    title, *rest = (p.strip() for p in text.split(";"))
    if len(rest) > 2:
        raise BadInput(f"cannot read {text!r}; allowed: TITLE, TITLE;ROLE,ROLE or TITLE;ROLE;ORCID")
    roles = tuple(r.strip() for r in rest[0].split(",")) if rest and rest[0] else ("creator",)
    return Contributor(title, roles, rest[1] if len(rest) > 1 else "")


def _source(text: str) -> Any:
    from reliability.ask.packing import Source

    title, _, path = text.partition(";")
    return Source(title.strip(), path.strip())


def about_of(
    packed: Any, name: str, title: str, version: str, created: str, identity: str,
    people: Sequence[str], sources: Sequence[str],
) -> Any:  # fmt: skip
    """What the bundle says of itself: people and sources as given, else those of what it rests on."""
    from reliability.ask.packing import About

    return About(
        name, packed.licence, title, "", version, created, identity,
        tuple(map(_contributor, people)) or packed.people, tuple(map(_source, sources)) or packed.sources,
    )  # fmt: skip


@click.command("bundle")
@filter_options
@click.option(
    "--to",
    "target",
    required=True,
    type=click.Path(path_type=Path),
    help="A .zip file or a folder to make.",
)
@about_options
def command(
    store: Path | None, files: tuple[Path, ...], target: Path, name: str, licence: str, title: str, version: str,
    created: str, identity: str, people: tuple[str, ...], sources: tuple[str, ...],
    sides: tuple[Path, ...], **filters: Any,
) -> None:  # fmt: skip
    """Pack the records (after filters) as a bundle to contribute or publish.

    A bundle is a Data Package (version 2): a descriptor with schemas, licence, people, sources and hashes beside
    life.csv, with CITATION.cff, RO-Crate and deposit metadata.
    """
    from reliability.ask.packing import pack, write_bundle

    packed = pack(source(store, files), licence, sides, filters)
    about = about_of(packed, name, title, version, created, identity, people, sources)
    write_bundle(packed.records, target, about, packed.sides)
    other = f" with {', '.join(packed.sides)}" if packed.sides else ""
    click.echo(
        f"{target}: {counted(len(packed.records), 'record')} of {', '.join(packed.builders)}{other}, licence {packed.licence}, "
        f"version {version}"
    )
    for text in filter(None, (packed.said, packed.left_out)):
        click.echo(text)
