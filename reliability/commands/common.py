"""What the commands share: where records come from, filters, output, errors in words."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import InvalidRecords, LifeRecords, join

DECORATOR = Callable[[Callable[..., Any]], Callable[..., Any]]


@dataclass(frozen=True)
class Basis:
    """What a number rests on: the files, or the store and its contributions."""

    records: LifeRecords
    described: dict[str, Any]
    notes: tuple[Note, ...] = ()


def explain(error: Exception) -> int | None:
    """Say an expected error in words on stderr; its exit code, or None if it is not expected."""
    from reliability.sheets.table import SheetError

    if isinstance(error, SheetError):
        for fault in error.faults[:10000]:
            click.echo(str(fault), err=True)
        if len(error.faults) > 10000:
            click.echo(f"... and {len(error.faults) - 10000} more faults", err=True)
        n = len(error.faults)
        click.echo(f"{n} fault{'s' if n != 1 else ''}; nothing was used or stored", err=True)
        return 2
    if isinstance(error, CannotAnswer):
        click.echo(str(error), err=True)
        return 3
    if isinstance(error, (BadInput, InvalidRecords)):
        click.echo(f"Error: {error}", err=True)
        return 2
    if type(error).__name__ == "StoreError":
        click.echo(f"Error: {error}", err=True)
        return 2
    if isinstance(error, MemoryError):
        click.echo("Error: not enough memory for so many records", err=True)
        return 2
    return None


def options(*parts: DECORATOR) -> DECORATOR:
    """Several option decorators as one, in reading order."""

    def apply(f: Callable[..., Any]) -> Callable[..., Any]:
        for part in reversed(parts):
            f = part(f)
        return f

    return apply


store_option = click.option(
    "--store", type=click.Path(path_type=Path, dir_okay=False), default=None,
    help="Store file (default: in the user data folder, or $SHOTLIFE_STORE).",
)  # fmt: skip
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")

source_options = options(
    store_option,
    click.option(
        "--from", "files", multiple=True, type=click.Path(path_type=Path),
        help="Work on this life sheet instead of the store; may be repeated.",
    ),
    click.option("--slot", multiple=True, help="Only this slot; may be repeated."),
    click.option("--part", multiple=True, help="Only this part; may be repeated."),
    click.option("--builder", multiple=True, help="Only this builder; may be repeated."),
    click.option(
        "--where", "conditions", multiple=True, metavar="COLUMN=VALUE",
        help="Only records for which this holds; also <= >= < > !=; may be repeated.",
    ),
    click.option(
        "--received", is_flag=True, help="Include contributions that wait to be accepted."
    ),
)  # fmt: skip

estimate_options = options(
    click.option("--family", "family_name", default="weibull", show_default=True,
                 help="weibull, lognormal, loglogistic or exponential."),
    click.option("--confidence", default=0.95, show_default=True, help="One-sided confidence."),
    click.option("--bound", default="calibrated", show_default=True,
                 help="calibrated, likelihood or wald."),
    click.option("--seed", default=1, show_default=True, help="Seed of simulations."),
)  # fmt: skip


def load(
    store: Path | None,
    files: Sequence[Path],
    slot: Sequence[str] = (),
    part: Sequence[str] = (),
    builder: Sequence[str] = (),
    conditions: Sequence[str] = (),
    received: bool = False,
) -> Basis:
    """Records from files or from the store, filtered."""
    from reliability.sheets.filters import choose

    notes: tuple[Note, ...] = ()
    if files:
        from reliability.sheets.life import read_life
        from reliability.sheets.table import SheetError

        sheets, faults = [], []
        for f in files:
            try:
                sheets.append(read_life(f))
            except SheetError as e:
                faults += e.faults
        if faults:
            raise SheetError(faults)
        records = join(s.records for s in sheets)
        described: dict[str, Any] = {
            "files": [{"file": s.file, "sha256": s.sha256} for s in sheets]
        }
        notes = tuple(dict.fromkeys(n for s in sheets for n in s.notes))
    else:
        from reliability.store import Store, default_path

        box = Store(store or default_path())
        statuses = ("accepted", "received") if received else ("accepted",)
        records = box.records(statuses)
        used = [c for c in box.contributions() if c.status in statuses]
        described = {"store": box.state(), "contributions": [c.id for c in used]}
        if not len(records):
            raise CannotAnswer(
                f"The store {box.path} holds no accepted records yet; add a life sheet with "
                "'shotlife add FILE'."
            )
        if any(c.status == "received" for c in used):
            notes = (
                Note(
                    "unverified_contribution", "Some contributions used here are not accepted yet."
                ),
            )
    records = choose(records, slot=slot, part=part, builder=builder, conditions=conditions)
    return Basis(records, described, notes)


mapping_options = options(
    click.option("--column", "columns", multiple=True, metavar="THEIRS=OURS",
                 help="A column of the file under its life sheet name; or OURS:=VALUE for all rows; may be repeated."),
    click.option("--keep-mapping", metavar="NAME", help="Keep these columns under a name."),
    click.option("--mapping", metavar="NAME", help="Use columns kept before."),
)  # fmt: skip


def mapping_from(columns: Sequence[str], keep: str | None, name: str | None) -> Any:
    """The column mapping asked for, or None."""
    from reliability.sheets.mapping import load_mapping, parse_mapping, save_mapping
    from reliability.store import default_path

    folder = default_path().parent / "mappings"
    for given in (keep, name):
        if given is not None and not given.replace("-", "").replace("_", "").isalnum():
            raise BadInput(f"a mapping's name has letters, digits, '-' and '_', not {given!r}")
    if name:
        return load_mapping(folder / f"{name}.json")
    if not columns:
        return None
    mapping = parse_mapping(tuple(columns))
    if keep:
        save_mapping(mapping, folder / f"{keep}.json")
    return mapping


def read_given(path: Path, mapping: Any = None) -> tuple[Any, str, dict[str, bytes]]:
    """A sheet of any kind or a bundle: the sheet, its licence, and other files of the bundle.

    With a column mapping it is read as a life sheet under the builder's own names.
    """
    from reliability.sheets.life import read_life
    from reliability.sheets.side import read_contribution

    if mapping is not None:
        return read_life(path, mapping=mapping), "", {}
    return read_contribution(path)


def emit_findings(found: Sequence[Any]) -> None:
    """Print quality findings."""
    for f in found:
        rows = (
            f" (rows {', '.join(map(str, f.rows[:8]))}{' ...' if len(f.rows) > 8 else ''})"
            if f.rows
            else ""
        )
        click.echo(f"  {f.severity}: {f.text}{rows} [{f.code}]")


def load_side(
    kind: str,
    store: Path | None,
    files: Sequence[Path],
    read: Callable[..., Any],
    join_parts: Callable[[list[Any]], Any],
) -> Any:
    """Wear readings or misfires (``kind`` is the sheet's name) from files, or from the store."""
    if files:
        return join_parts([read(f) for f in files])
    from reliability.store import Store, default_path
    from reliability.store.intake import kept_side

    found = kept_side(Store(store or default_path()), kind)
    if found is None:
        raise CannotAnswer(
            f"The store holds no {kind} sheet; add a {kind}.csv, or a bundle with one, or use --from."
        )
    return found


def emit_json(answer: Any, basis: Basis | None = None) -> None:
    """Print an answer as JSON, with what it rests on."""
    from reliability.decisions.answer import plain

    out = plain(answer)
    if basis is not None:
        out["notes"] = [n.as_dict() for n in basis.notes] + out.get("notes", [])
        out["basis"] = basis.described
    click.echo(json.dumps(out, indent=1, allow_nan=False))


def emit_notes(notes: Sequence[Note]) -> None:
    """Print notes below an answer."""
    import textwrap

    if notes:
        click.echo("\nNotes")
    for n in notes:
        click.echo(
            textwrap.fill(
                f"{n.text} [{n.code}]", 96, initial_indent="  - ", subsequent_indent="    "
            )
        )


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A plain text table; columns of numbers are set right."""
    cells = [list(map(str, head)), *[list(map(str, r)) for r in rows]]
    width = [max(len(r[i]) for r in cells) for i in range(len(head))]
    numeric = [
        all((r[i][:1].isdigit() or r[i][:1] in "-.~" or not r[i]) for r in cells[1:])
        for i in range(len(head))
    ]
    lines = []
    for r in cells:
        lines.append(
            "  ".join(
                c.rjust(w) if n else c.ljust(w) for c, w, n in zip(r, width, numeric)
            ).rstrip()
        )
    lines.insert(1, "  ".join("-" * w for w in width))
    return "\n".join("  " + line for line in lines)


def number(value: float, digits: int = 4) -> str:
    """A number for a table; '-' where there is none."""
    if value != value or value in (float("inf"), float("-inf")):
        return "-"
    return f"{value:,.{digits}g}" if abs(value) < 1e6 else f"{value:,.0f}"
