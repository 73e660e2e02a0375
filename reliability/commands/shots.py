"""``shotlife shots``: reduce shot logs to life records, wear readings and misfires."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import (
    emit_json,
    emit_notes,
    json_option,
    number,
    source,
    store_option,
    table,
    who_runs,
)
from reliability.notes import BadInput
from reliability.safe_text import for_terminal


@click.command("shots")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@store_option
@click.option(
    "--builder", default="", help="Builder code for the sheets; needed with --to and --add."
)
@click.option(
    "--slot",
    multiple=True,
    default=("main_capacitor", "igniter"),
    show_default=True,
    help="Slot whose unit the log covers from first to last row; may be repeated.",
)
@click.option(
    "--failed",
    multiple=True,
    metavar="MODULE=SLOT[:MODE]",
    help="The part that ended a module; may be repeated.",
)
@click.option(
    "--capacitance-uF",
    "capacitance",
    type=float,
    help="Of the bank, for the energy a shot if the log does not tell it.",
)
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for life.csv, wear.csv, misfires.csv and ignition.csv.",
)
@click.option(
    "--add",
    is_flag=True,
    help="Put the sheets into the store; they supersede earlier ones of these logs.",
)
@click.option("--licence", default="", help="Licence under which the data are given.")
@click.option("--fresh", is_flag=True, help="Read every file again, whatever an earlier run kept.")
@json_option
def command(
    files: tuple[Path, ...], store: Path | None, builder: str, slot: tuple[str, ...], failed: tuple[str, ...],
    capacitance: float | None, target: Path | None, add: bool, licence: str, fresh: bool, as_json: bool,
) -> None:  # fmt: skip
    """Reduce shot logs (CSV or Parquet, any size) to what the other commands use.

    One row a commanded shot: module, shot (the counter), and as far as there are main_V_before,
    main_V_after, ignition_V, time_s; charge_J (with main_V_start), or charge_mA and charge_V_s, tell
    the capacitance. Give the pieces of a log in the order they were written. A log knows nothing of
    swapped parts: where a part was swapped, write its life record by hand.

    What is done with each file is kept, so that a run that was stopped goes on where it was.
    """
    from reliability.ask.giving import How, LogSettings, give_logs, reduce, sheets_of_logs

    parts = _failed(failed)
    if (target or add) and not builder.strip():
        raise BadInput("--to and --add need --builder CODE")
    if capacitance is not None and not capacitance > 0:
        raise BadInput("--capacitance-uF is above 0")
    origin = source(store, ())
    place = origin.box.log_folder
    if fresh:
        for old in place.glob("*.npz"):
            old.unlink(missing_ok=True)
    reduced = reduce(files, place, capacitance, None if as_json else _bar)
    how = LogSettings(builder, tuple(slot), parts)
    given = How(who_runs(), licence=licence)
    written: list[str] = []
    if target:
        written = _write(sheets_of_logs(reduced, how), target)
    if add:
        written += [_stored(t) for t in give_logs(origin, reduced, how, given)]
    if as_json:
        emit_json(_plain(reduced, written))
        return
    click.echo(reduced.sentence)
    click.echo()
    click.echo(
        table(
            ["module", "from", "shots", "misfires", "lost", "charge V", "energy J", "bank uF", "rate Hz"],
            [
                [m.module, f"{m.shots_from:,}", f"{m.shots:,}", f"{m.misfires:,}", f"{m.lost:,}",
                 *(number(v) for v in (m.charge_V, m.energy_J, m.capacitance_uF, m.rate_Hz))]
                for m in reduced.modules[:40]
            ],
        )
    )  # fmt: skip
    if len(reduced.modules) > 40:
        click.echo(f"  and {len(reduced.modules) - 40} more modules")
    if reduced.kept:
        click.echo(
            f"\n{reduced.kept} of {len(files)} files were reduced before; --fresh reads them again"
        )
    for line in written:
        click.echo(line)
    emit_notes(reduced.notes[:60])


def _bar(label: str, share: float) -> None:
    """A progress bar on a terminal's stderr, nothing elsewhere."""
    import sys

    if sys.stderr.isatty():
        full = round(30 * share)
        end = "\r" if share < 1 else "\r\033[K"
        click.echo(
            f"\r{for_terminal(label[:30]):30} [{'#' * full}{' ' * (30 - full)}] {share:4.0%}{end}",
            file=sys.__stderr__,  # it steers the terminal itself; no text from outside is in it but a short name
            nl=False,
        )


def _failed(given: tuple[str, ...]) -> dict[str, tuple[str, str]]:
    """MODULE=SLOT[:MODE] taken apart."""
    out = {}
    for text in given:
        module, sign, rest = text.partition("=")
        slot, _, mode = rest.partition(":")
        if not (module and sign and slot):
            raise BadInput(f"--failed is MODULE=SLOT or MODULE=SLOT:MODE, not {text!r}")
        out[module.strip()] = (slot.strip(), mode.strip() or "unknown")
    return out


def _write(sheets: dict[str, bytes], folder: Path) -> list[str]:
    """Write the sheets into a folder."""
    from reliability.ask.records import write_whole

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise BadInput(f"cannot make {folder}: {e.strerror}") from None
    for kind, content in sheets.items():
        write_whole(folder / f"{kind}.csv", content)
    return [f"written: {folder / (kind + '.csv')}" for kind in sheets]


def _stored(taken: Any) -> str:
    """What became of a sheet."""
    c = taken.contribution
    verb = "stored" if taken.new else "already stored"
    return f"{c.file}: {verb} as contribution {c.id} ({c.rows} rows)"


def _plain(reduced: Any, written: list[str]) -> dict[str, Any]:
    """The answer as JSON: modules and findings; the sheets hold the rest."""
    return {
        "sentence": reduced.sentence, "rows": reduced.rows, "modules": reduced.modules, "kept": reduced.kept,
        "written": written, "notes": list(reduced.notes),
    }  # fmt: skip
