"""``shotlife campaign``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import (
    emit_json,
    emit_notes,
    json_option,
    load,
    number,
    source_options,
    table,
)
from reliability.commands.derate import read_use, stress_options
from reliability.notes import BadInput, CannotAnswer

NAN = float("nan")


@click.command("campaign")
@source_options
@click.option("--demonstrate-shots", type=float, metavar="N", help="Show survival at N shots.")
@click.option("--survival", default=0.9, show_default=True, help="Survival to show.")
@click.option("--confidence", default=0.9, show_default=True, help="Confidence to show it with.")
@click.option("--shape", default=1.0, show_default=True, help="Assumed Weibull shape.")
@click.option(
    "--shots-each", type=float, default=NAN, metavar="T", help="Shots each unit runs (default N)."
)
@click.option(
    "--units", type=click.IntRange(1), help="Units there are; the shots each are then found."
)
@click.option(
    "--failures", default=0, show_default=True, type=click.IntRange(0), help="Failures allowed."
)
@click.option("--burn-in", default=0.0, show_default=True, help="Shots each unit has already.")
@click.option(
    "--progress",
    "running",
    is_flag=True,
    help="Judge the records as a running demonstration: stop or go on?",
)
@click.option(
    "--within-factor",
    type=float,
    metavar="K",
    help="Instead: a test whose lower bound comes within a factor K of the estimate.",
)
@click.option(
    "--accelerate-to",
    type=float,
    metavar="LEVEL",
    help="Instead: an accelerated test for the bound at this stress level.",
)
@click.option(
    "--levels", metavar="A,B,...", help="Stress levels that may be tested (with --accelerate-to)."
)
@click.option(
    "--days-each",
    default=0.2,
    show_default=True,
    help="Bench days each unit runs (with --accelerate-to).",
)
@stress_options
@click.option(
    "--rate-hz",
    default=1 / 3,
    show_default="one in three seconds",
    help="Shots a second on the bench.",
)
@click.option(
    "--stands",
    default=1,
    show_default=True,
    type=click.IntRange(1),
    help="Units that can run at once.",
)
@click.option("--unit-cost", default=0.0, help="Price of a unit.")
@click.option("--day-cost", default=0.0, help="Price of a bench day.")
@click.option("--budget", type=float, default=NAN, help="Most cost; names the best plan within it.")
@click.option(
    "--sheet",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the plan as an empty life sheet (CSV).",
)
@click.option("--seed", default=1, show_default=True, help="Seed of simulations.")
@json_option
def command(
    demonstrate_shots: float | None, survival: float, confidence: float, shape: float, shots_each: float,
    units: int | None, failures: int, burn_in: float, running: bool, within_factor: float | None,
    accelerate_to: float | None, levels: str | None, days_each: float, stress: tuple[str, ...], use: tuple[str, ...],
    rate_hz: float, stands: int, unit_cost: float, day_cost: float, budget: float, sheet: Path | None, seed: int,
    as_json: bool, **source: Any,
) -> None:  # fmt: skip
    """Which test to run next: demonstration, estimation or accelerated.

    Demonstration needs no records; with some (--from, or a store), the chance to pass is given. Tests run
    at kilovolts: discharge and short banks before touching, one hand, current-limited supplies, ventilate.
    """
    from reliability.decisions.campaign import Bench, demonstration, progress

    bench = Bench(rate_hz, stands, unit_cost, day_cost)
    basis = _records(source)
    records = basis.records if basis is not None else None
    if within_factor is not None or accelerate_to is not None:
        if basis is None:
            raise CannotAnswer(
                "This plan starts from present records; give them with --from, or add some to the store."
            )
        answer = _learning(
            basis.records, within_factor, accelerate_to, levels, days_each, units or 12, stress, read_use(use), bench,
            1 - survival, confidence, seed,
        )  # fmt: skip
        _show_learning(answer, basis, as_json, sheet)
        return
    if demonstrate_shots is None:
        raise BadInput(
            "say what to plan: --demonstrate-shots N, --within-factor K, or --accelerate-to LEVEL"
        )
    if running:
        if records is None:
            raise CannotAnswer("Give the running test's records with --from.")
        p = progress(records, demonstrate_shots, survival, confidence, shape)
        if as_json:
            emit_json(p)
        else:
            click.echo(
                f"{p.advice} Shown by now with confidence {p.shown:.3f}; {p.failures:g} failed."
            )
        return
    a = demonstration(
        demonstrate_shots, survival, confidence, shape=shape, test_shots=shots_each, units=units, failures=failures,
        bench=bench, budget=budget, records=records, burn_in=burn_in,
    )  # fmt: skip
    if sheet is not None:
        _write_sheet(sheet, a.units, [])
    if as_json:
        emit_json(a, basis)
        return
    click.echo(a.sentence)
    click.echo("\nAlternatives that show the same, shortest bench time first")
    rows = [
        [str(p.units), number(p.shots_each), str(p.failures_allowed), f"{p.bench_days:.2f}", number(p.cost),
         number(p.pass_estimated, 2), number(p.pass_pessimistic, 2), number(p.pass_optimistic, 2)]
        for p in a.plans
    ]  # fmt: skip
    click.echo(
        table(
            ["units", "shots each", "may fail", "days", "cost", "pass", "at worst", "at best"], rows
        )
    )
    if a.best is not None:
        click.echo(
            f"\n  best within the budget: {a.best.units} units, {number(a.best.shots_each)} shots each, {a.best.failures_allowed} may fail"
        )
    click.echo("\nIf the shape is another one")
    click.echo(
        table(
            ["shape", "units", "shots each"],
            [[number(s.shape), str(s.units), number(s.shots_each)] for s in a.sensitivity],
        )
    )
    emit_notes((basis.notes if basis else ()) + a.notes)


def _records(source: dict[str, Any]) -> Any:
    """Records if there are any to be had: files, or an existing store."""
    from reliability.store import Store, default_path

    if not source["files"]:
        box = Store(source["store"] or default_path())
        if not box.exists:
            return None
        if not source["store"] and not any(
            source[k] for k in ("slot", "part", "builder", "conditions")
        ):
            return (
                None  # the user's own store is not asked unless a filter says what of it is meant
            )
    return load(**source)


def _learning(
    records: Any, factor: float | None, level: float | None, levels: str | None, days: float, units: int,
    stress: tuple[str, ...], use: dict[str, float | str], bench: Any, fraction: float, confidence: float, seed: int,
) -> Any:  # fmt: skip
    from reliability.decisions.campaign_learning import accelerated, estimation
    from reliability.decisions.derating import default_terms, fixed_levels, solved_for
    from reliability.life.fit import fit_life
    from reliability.life.stress import fit_stress, parse_term

    if factor is not None:
        return estimation(
            fit_life(records),
            factor=factor,
            fraction=fraction,
            confidence=confidence,
            bench=bench,
            seed=seed,
        )
    terms = [parse_term(t) for t in stress] if stress else default_terms(records)
    fit = fit_stress(records, terms)
    column = solved_for(terms)
    try:
        chosen = (
            [float(v) for v in levels.split(",")]
            if levels
            else sorted({float(v) for v in fit.records.column(column)})
        )
    except ValueError:
        raise BadInput(
            f"cannot read --levels {levels!r}; allowed: numbers with commas, such as 1300,1500,1700"
        ) from None
    assert level is not None
    return accelerated(
        fit, column, level, levels=chosen, total_units=units, days_each=days, fraction=fraction,
        confidence=confidence, fixed=fixed_levels(fit, column, use), bench=bench, seed=seed,
    )  # fmt: skip


def _show_learning(a: Any, basis: Any, as_json: bool, sheet: Path | None) -> None:
    if sheet is not None:
        stress = [{"charge_V": v} for v, n in zip(a.best.levels, a.best.units) for _ in range(n)]
        _write_sheet(sheet, sum(a.best.units), stress)
    if as_json:
        emit_json(a, basis)
        return
    click.echo(a.sentence)
    click.echo("\nPlans looked at (factor: estimate over lower bound, typical)")
    shown = [*a.plans[:12], *([a.equal] if a.equal is not None else [])]
    rows = [
        [
            "/".join(f"{v:g}" for v in p.levels) or "-", "/".join(map(str, p.units)), number(p.shots[0]),
            f"{p.bench_days:.2f}", number(p.cost), number(p.failures, 3), number(p.factor, 3), f"{p.answerable:.0%}",
        ]
        for p in shown
    ]  # fmt: skip
    click.echo(
        table(["levels", "units", "shots each", "days", "cost", "fail", "factor", "answers"], rows)
    )
    if a.equal is not None:
        click.echo("  last row: equal allocation")
    for what, factor in a.sensitivity:
        click.echo(f"  best plan's factor with the {what}: {factor:.3g}")
    emit_notes(basis.notes + a.notes)


def _write_sheet(path: Path, units: int, stress: list[dict[str, float]]) -> None:
    from reliability.decisions.campaign import plan_rows
    from reliability.sheets.write import write_rows

    write_rows(plan_rows(units, "me", "main_capacitor", stress), path)
    click.echo(f"empty life sheet: {path}", err=True)
