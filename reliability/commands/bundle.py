"""``shotlife bundle``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import filter_options, options, source
from reliability.notes import BadInput

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
    from reliability.sheets.bundle import Contributor

    title, *rest = (p.strip() for p in text.split(";"))
    if len(rest) > 2:
        raise BadInput(f"cannot read {text!r}; allowed: TITLE, TITLE;ROLE,ROLE or TITLE;ROLE;ORCID")
    roles = tuple(r.strip() for r in rest[0].split(",")) if rest and rest[0] else ("creator",)
    return Contributor(title, roles, rest[1] if len(rest) > 1 else "")


def _source(text: str) -> Any:
    from reliability.sheets.bundle import Source

    title, _, path = text.partition(";")
    return Source(title.strip(), path.strip())


def _terms(wanted: str, rests_on: list[Any]) -> tuple[str, str]:
    """The licence of the pack, and what is to be said of it. Raises BadInput."""
    from reliability.licences import combine, licence_of, named

    theirs = [c.licence or "" for c in rests_on]
    known = [t for t in theirs if licence_of(t)]
    silent = [str(c.id) for c in rests_on if not licence_of(c.licence or "")]
    if not wanted:
        if silent:
            raise BadInput(
                f"contributions {', '.join(silent)} carry no known licence; ask their givers, or give --licence if "
                "you may speak for them"
            )
        if not known:
            return "CC0-1.0", ""
        found = combine(known)
        if found.licence is None:
            raise BadInput(found.text)
        return found.licence.id, found.text
    asked = named(wanted)
    if known:
        found = combine([*known, asked.id])
        if found.licence is None or found.licence.id != asked.id:
            raise BadInput(
                f"these contributions may not be given as {asked.id}. {combine(known).text}"
            )
    if silent:
        return asked.id, (
            f"Contributions {', '.join(silent)} carry no licence of their own: you say that they may be given as {asked.id}."
        )
    return asked.id, ""


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
    from reliability.ask.giving import chosen_records, sides_of
    from reliability.sheets.bundle import About, write_bundle

    origin = source(store, files)
    records, pool = chosen_records(origin, **filters)
    own = set(records.builder.tolist())
    rests_on = [c for c in pool.basis.contributions if own & set(c.builders.split(", "))]
    terms, said = _terms(licence, rests_on)
    about = About(
        name, terms, title, "", version, created, identity, tuple(_contributor(p) for p in people),
        tuple(_source(s) for s in sources),
    )  # fmt: skip
    other = sides_of(origin, own, filters["received"], sides)
    write_bundle(records, target, about, other)
    packed = f" with {', '.join(other)}" if other else ""
    click.echo(
        f"{target}: {len(records)} records of {', '.join(sorted(own))}{packed}, licence {terms}, version {version}"
    )
    if said:
        click.echo(said)
