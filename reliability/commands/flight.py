"""``shotlife flight``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from reliability.commands.common import (
    emit_json,
    emit_notes,
    json_option,
    load,
    number,
    options,
    source_options,
    table,
)

NAN = float("nan")

mission_options = options(
    click.option("--module", "name", required=True, help="The flight module."),
    click.option("--shots", type=float, default=NAN, help="Mission in shots from now on."),
    click.option("--total-impulse", type=float, default=NAN, metavar="NS", help="Mission as total impulse in N s."),
    click.option("--delta-v", type=float, default=NAN, metavar="M/S", help="Mission as velocity change in m/s."),
    click.option("--days", type=float, default=NAN, help="Mission in days at --rate-hz and --duty."),
    click.option("--impulse-bit", type=float, default=NAN, metavar="UNS", help="Impulse of one shot in uN s."),
    click.option("--mass", type=float, default=NAN, metavar="KG", help="Mass of the satellite in kg."),
    click.option("--rate-hz", type=float, default=1 / 3, show_default="one in three seconds", help="Shots a second."),
    click.option("--duty", type=float, default=1.0, show_default=True, help="Share of the time it fires."),
    click.option("--survival", default=0.9, show_default=True, help="Survival of the promise."),
    click.option("--confidence", default=0.95, show_default=True, help="One-sided confidence."),
    click.option("--family", "family_name", default="weibull", show_default=True, help="weibull, lognormal, loglogistic or exponential."),
    click.option("--units", default=1, show_default=True, type=click.IntRange(1), help="Flight modules like this one."),
    click.option("--no-stress", is_flag=True, help="Use lives as tested, without a stress model."),
    click.option("--wear", "wear_files", multiple=True, type=click.Path(path_type=Path), help="Wear sheet for slots that never failed (with --from; a store brings its own)."),
    click.option("--seed", default=1, show_default=True, help="Seed of simulations."),
)  # fmt: skip


def _readings(source: dict[str, Any], files: tuple[Path, ...]) -> Any:
    """Wear readings beside the life records, None if there are none."""
    from reliability.commands.wear import load_readings
    from reliability.notes import CannotAnswer

    if source["files"] and not files:
        return None
    try:
        return load_readings(source["store"], files)
    except CannotAnswer:
        return None


def solve(source: dict[str, Any], m: dict[str, Any]) -> tuple[Any, Any, Any]:
    """Basis, mission and answer for the options of ``mission_options``."""
    from reliability.decisions.flight import flight
    from reliability.decisions.mission import Mission

    mission = Mission(
        m["shots"],
        m["total_impulse"],
        m["delta_v"],
        m["days"],
        m["impulse_bit"],
        m["mass"],
        m["rate_hz"],
        m["duty"],
    )
    shots = mission.in_shots()
    basis = load(**source)
    answer = flight(
        basis.records, m["name"], shots, survival=m["survival"], confidence=m["confidence"],
        family_name=m["family_name"], units=m["units"], rate_Hz=m["rate_hz"], use_stress=not m["no_stress"], seed=m["seed"],
        readings=_readings(source, m["wear_files"]),
    )  # fmt: skip
    return basis, mission, answer


@click.command("flight")
@source_options
@mission_options
@click.option("--keep", is_flag=True, help="Keep this answer in the store's history of the module.")
@click.option("--history", is_flag=True, help="Show the answers kept before.")
@json_option
def command(keep: bool, history: bool, as_json: bool, **given: Any) -> None:
    """What to promise for one flight module, given its burn-in so far.

    The module's own records tell its parts, voltages and shots so far; the pool tells how such units
    live. State the mission once: shots, total impulse, velocity change, or days.
    """
    from reliability.decisions.answer import plain
    from reliability.notes import BadInput
    from reliability.store import Store, default_path

    names = ("store", "files", "slot", "part", "builder", "conditions", "received")
    source = {k: given.pop(k) for k in names}
    if (keep or history) and source["files"]:
        raise BadInput("the history is kept in a store; --keep and --history do not go with --from")
    box = Store(source["store"] or default_path())
    if history:
        rows = box.history(given["name"])
        if as_json:
            emit_json({"history": rows})
            return
        click.echo(table(["made", "store", "mission", "promise", "survival at least"], [
            [r["made_at"][:16], r["store"], number(r["answer"]["mission_shots"]), number(r["answer"]["promise"]["shots"]),
             number(r["answer"]["survival"]["lower"])] for r in rows
        ]))  # fmt: skip
        return
    basis, mission, a = solve(source, given)
    if keep:
        box.remember(given["name"], json.dumps(plain(a)))
    if as_json:
        emit_json(a, basis)
        return
    click.echo(a.sentence)
    click.echo(
        f"\n  mission: {mission.in_words()}; margin {a.margin_shots:+,.0f} shots; chance for this very unit {number(a.survival['predictive'], 3)}"
    )
    click.echo("\nSlots, most likely end first")
    click.echo(
        table(
            ["slot", "part", "so far", "failed", "model", "survival", "at least", "promise", "ends first"],
            [
                [
                    s.slot, s.part, f"{s.so_far:,.0f}", f"{s.failed:g} of {s.n:g}", s.basis, number(s.survival),
                    number(s.lower), number(s.promise), number(s.ends_first, 2),
                ]
                for s in a.by_slot
            ],
        )
    )  # fmt: skip
    if a.several["units"] > 1:
        v = a.several
        click.echo(
            f"\n  {v['units']:g} modules: all last {number(v['all'], 3)} (at least {number(v['all_lower'], 3)}), one at least {number(v['one'], 3)} (at least {number(v['one_lower'], 3)})"
        )
    if a.more:
        click.echo("\nWhat more testing would change")
        click.echo(
            table(
                ["what", "shots", "lasts it", "survival after", "at least", "promise"],
                [
                    [
                        m.what,
                        f"{m.shots:,.0f}",
                        number(m.survives_it, 2),
                        number(m.survival),
                        number(m.lower),
                        number(m.promise),
                    ]
                    for m in a.more
                ],
            )
        )
    emit_notes(basis.notes + a.notes)
