"""``shotlife check``: read files, list every fault, store nothing."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from reliability.commands.common import (
    explain,
    json_option,
    reading_options,
    reading_terms,
    source,
    store_option,
)
from reliability.commands.reading import next_step, show_reading, show_sound
from reliability.notes import BadInput


@click.command("check")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@reading_options
@click.option("--write-mapping", "target", type=click.Path(path_type=Path, dir_okay=False),
              help="Write what was decided, and the questions, to this file; --mapping takes it.")  # fmt: skip
@click.option("--keep-mapping", "keep", metavar="NAME", help="Keep what was decided under a name.")
@click.option("--change", is_flag=True, help="Say what the module's life would be with it.")
@click.option("--module", default="", help="With --change: whose promise is worked out too.")
@store_option
@json_option
def command(
    files: tuple[Path, ...], target: Path | None, keep: str | None, change: bool, module: str,
    store: Path | None, as_json: bool, **given: Any,
) -> int:  # fmt: skip
    """Check files of any kind: what was read, every change, what has to be answered, every fault.

    Sheets of ours, a bench's own workbook or CSV in any dialect, serial and shot logs, bundles. Grave
    doubts come first; what looks odd in a sound sheet is listed too, with advice. Each file is read in
    a process of its own with limits on memory, time and size.

    Files named together are held against each other too. Nothing is stored. Exit 0 if all are sound or
    only to be agreed with, 2 if any has a fault or an open question.
    """
    if (target or keep) and len(files) != 1:
        raise BadInput("--write-mapping and --keep-mapping go with one file")
    if module and not change:
        raise BadInput("--module goes with --change")
    from reliability.ask.contradictions import against_each_other
    from reliability.ask.giving import look
    from reliability.ask.records import SheetError

    origin = source(store, ())
    terms = reading_terms(given, origin)
    code = 0
    report: list[dict[str, Any]] = []
    sound = []
    for f in files:
        try:
            looked = look(f, terms=terms)
        except SheetError as e:
            code = 2
            report.append({"file": f.name, "ok": False, "faults": _faults(e.faults)})
            if not as_json:
                explain(e)
            continue
        if not looked.ready and not looked.reading.settled:
            code = 2
        _keep(looked, target, keep)
        moved = _moved(origin, looked, module) if change else None
        report.append(_said(f.name, looked, moved))
        if not as_json:
            _print(f, looked, moved, target)
        sound.append(looked)
    apart = against_each_other(sound)
    if apart:
        code = 2
        report.append({"file": "", "ok": False, "faults": _faults(apart)})
        if not as_json:
            explain(SheetError(apart))
    if as_json:
        click.echo(json.dumps(report, indent=1))
    return code


def _keep(looked: Any, target: Path | None, keep: str | None) -> None:
    from reliability.ask.mappings import keep_mapping
    from reliability.ask.records import write_whole

    if target:
        write_whole(target, looked.reading.mapping_text().encode())
    if keep:
        keep_mapping(looked.reading.mapping, keep)


def _moved(origin: Any, looked: Any, module: str) -> Any:
    from reliability.ask.change import change

    if not looked.ready:
        raise BadInput(
            f"{looked.reading.file}: what it changes is told once nothing is open; add --agree"
        )
    return change(origin, looked, (), module)


def _faults(faults: Any) -> list[dict[str, Any]]:
    return [{"row": x.row, "column": x.column, "message": x.message} for x in faults]


def _said(file: str, looked: Any, moved: Any) -> dict[str, Any]:
    """A file as JSON."""
    from reliability.ask.plain import plain

    r, reading = looked.records, looked.reading
    out: dict[str, Any] = {
        "file": file, "ok": looked.ready, "kind": reading.kind, "rows": reading.rows,
        "notes": [n.as_dict() for n in looked.notes], "findings": [asdict(x) for x in looked.findings],
    }  # fmt: skip
    if r is not None:
        out |= {"records": len(r), "units": r.units, "failed": r.failures}
    if reading.faults:
        out["faults"] = _faults(reading.faults)
    if not reading.plain:
        out["reading"] = plain(reading)
    if moved is not None:
        out["change"] = plain(moved)
    return out


def _print(path: Path, looked: Any, moved: Any, target: Path | None) -> None:
    from reliability.ask.records import SheetError

    if looked.reading.faults and not looked.reading.changes:
        explain(SheetError(list(looked.reading.faults)))
        return
    if looked.reading.plain:
        show_sound(looked)
    else:
        show_reading(looked)
        click.echo()
        if looked.ready:
            show_sound(looked)
        else:
            click.echo(next_step(looked, str(path)))
    if moved is not None:
        click.echo(moved.sentence)
    if target:
        click.echo(f"written: {target}")
