"""``shotlife derate``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reliability.commands.common import (
    emit_json,
    emit_notes,
    estimate_options,
    json_option,
    load,
    number,
    options,
    source_options,
    table,
)
from reliability.notes import BadInput

stress_options = options(
    click.option("--stress", multiple=True, metavar="COLUMN:FORM",
                 help="Stress term, form power, arrhenius, linear or categorical; may be repeated. "
                      "Default: known stresses that vary in the records."),
    click.option("--use", multiple=True, metavar="COLUMN=LEVEL",
                 help="Level of another stress to answer for (default: the median tested)."),
)  # fmt: skip

bank_options = options(
    click.option("--parallel", default=None, type=click.IntRange(1), help="A new bank of single capacitors: so many in parallel, the first short ends it. Default: banks as recorded."),
    click.option("--series", default=None, type=click.IntRange(1), help="So many in series in each string."),
    click.option("--unequal", default=0.0, show_default=True, type=click.FloatRange(0, 1), help="Margin for unequal sharing in a string (0.1 = worst takes 10 % more)."),
    click.option("--capacitance-uf", type=float, default=float("nan"), help="Capacitance of one capacitor in uF (default: from the records)."),
    click.option("--rated-v", type=float, default=float("nan"), help="Rated voltage of one capacitor (default: from the records)."),
    click.option("--inductance-nh", type=float, default=float("nan"), help="Inductance of the discharge loop, for the peak current."),
    click.option("--resistance-mohm", type=float, default=0.0, help="Resistance of the discharge loop."),
    click.option("--impulse", metavar="UNS@J[^EXP]", help="Impulse bit at an energy, e.g. 0.65@0.2 or 0.65@0.2^1.2, for the trade."),
    click.option("--impulse-from", type=click.Path(path_type=Path), help="Fit the impulse bit from the impulse_bit_uNs readings of this wear sheet instead."),
    click.option("--dielectric", default="", help="ceramic, film, mica or glass: show usual derating practice beside the answer."),
)  # fmt: skip


def read_use(pairs: tuple[str, ...]) -> dict[str, float | str]:
    """``column=level`` pairs. Raises BadInput."""
    out: dict[str, float | str] = {}
    for pair in pairs:
        column, eq, value = pair.partition("=")
        if not eq or not value:
            raise BadInput(f"cannot read --use {pair!r}; allowed: column=level, such as temp_C=25")
        try:
            out[column] = float(value)
        except ValueError:
            out[column] = value
    return out


def read_impulse(text: str | None) -> Any:
    """``bit@energy`` or ``bit@energy^exponent``. Raises BadInput."""
    from reliability.decisions.derating import Impulse

    if not text:
        return None
    bit, at, rest = text.partition("@")
    energy, _, exponent = rest.partition("^")
    try:
        out = Impulse(float(bit), float(energy), float(exponent or 1.0))
    except ValueError:
        at = ""
        out = None
    if not at or out is None or not (out.reference_uNs > 0 and out.reference_J > 0):
        raise BadInput(
            f"cannot read --impulse {text!r}; allowed: uNs@J or uNs@J^exponent, such as 0.65@0.2^1.1"
        )
    return out


@click.command("derate")
@source_options
@estimate_options
@stress_options
@bank_options
@click.option(
    "--shots",
    type=float,
    default=float("nan"),
    help="Required life; without it only the model is fitted.",
)
@click.option(
    "--survival", default=0.9, show_default=True, help="Required share of banks that last it."
)
@click.option(
    "--prior",
    default="",
    metavar="NAME",
    help="With one stress level: ceramic, film, mica, or mean,sd.",
)
@click.option(
    "--new-builder",
    is_flag=True,
    help="Allow for a builder who is not in the pool (spread of builders as a random effect).",
)
@click.option(
    "--compare", "compare_parts", is_flag=True, help="Answer for each part by itself and compare."
)
@json_option
def command(
    family_name: str, confidence: float, bound: str, seed: int, stress: tuple[str, ...], use: tuple[str, ...],
    parallel: int | None, series: int | None, unequal: float, capacitance_uf: float, rated_v: float, inductance_nh: float,
    resistance_mohm: float, impulse: str | None, impulse_from: Path | None, dielectric: str, shots: float, survival: float, prior: str,
    new_builder: bool, compare_parts: bool, as_json: bool, **source: Any,
) -> int:  # fmt: skip
    """How far to derate: the charge voltage that lets the capacitor last the mission.

    Fits life against stress and gives the highest voltage at which the lower bound on life meets
    --shots at --survival and --confidence, with energy a shot, ratio to rated voltage, and the trade
    against total impulse. High voltage kills: discharge and short banks before touching.
    """
    from reliability.decisions.bank import Bank
    from reliability.decisions.derating import derate
    from reliability.decisions.derating_prior import derate_with_prior
    from reliability.decisions.practice import prior_for
    from reliability.life.stress import OneLevel
    from reliability.notes import CannotAnswer

    basis = load(**source)
    bank = None
    if parallel is not None or series is not None:
        bank = Bank(capacitance_uf, parallel or 1, series or 1, unequal)
    elif capacitance_uf == capacitance_uf:
        bank = Bank(capacitance_uf, as_recorded=True)
    push = read_impulse(impulse)
    if impulse_from is not None:
        from reliability.decisions.impulse import fit_impulse
        from reliability.sheets.wear import read_wear

        if push is not None:
            raise BadInput("give --impulse or --impulse-from, not both")
        push = fit_impulse(read_wear(impulse_from), basis.records)

    def solve(records: Any) -> Any:
        try:
            return derate(
                records, stress, shots=shots, survival=survival, family_name=family_name, confidence=confidence,
                bound=bound, use=read_use(use), bank=bank, rated_V=rated_v, impulse=push, dielectric=dielectric,
                inductance_nH=inductance_nh, resistance_mOhm=resistance_mohm, builder_effect=new_builder, seed=seed,
            )  # fmt: skip
        except OneLevel as e:
            if not prior:
                raise
            if shots != shots:
                raise BadInput("with a prior, --shots is needed") from None
            return derate_with_prior(
                records, e.term, prior_for(prior, e.term.form), shots=shots, survival=survival,
                family_name=family_name, confidence=confidence, bank=bank, rated_V=rated_v, impulse=push,
                dielectric=dielectric,
            )  # fmt: skip

    if compare_parts:
        return _compare(basis, solve, as_json)
    try:
        answer = solve(basis.records)
    except CannotAnswer as e:
        if as_json:
            emit_json(_nothing(shots, survival, confidence, str(e)), basis)
        raise
    failed = shots == shots and answer.allowed[answer.column] != answer.allowed[answer.column]
    if as_json:
        emit_json(answer, basis)
    else:
        _print(answer, basis)
    return 3 if failed else 0


def _nothing(shots: float, survival: float, confidence: float, why: str) -> dict[str, Any]:
    """The JSON of a question that these data cannot answer."""
    return {
        "shape": None, "sigma": None, "loglik": None, "coefficients": [],
        "allowed": {"charge_V": None, "ratio": None, "energy_J": None}, "curve": [],
        "shots": shots, "survival": survival, "confidence": confidence,
        "notes": [{"code": "cannot_answer", "text": why}],
    }  # fmt: skip


def _print(a: Any, basis: Any) -> None:
    click.echo(a.sentence)
    click.echo(
        f"\nStress model ({a.family}, {a.failed:g} of {a.n:g} failed; shape {number(a.shape, 3)}; bounds {a.confidence:g} one-sided, {a.bound})"
    )
    click.echo(
        table(
            ["stress", "form", "estimate", "lower", "upper"],
            [
                [c.column, c.form, number(c.estimate), number(c.lower), number(c.upper)]
                for c in a.coefficients
            ],
        )
    )
    if a.use:
        click.echo(
            "  held at "
            + ", ".join(
                f"{k} = {v:g}" if isinstance(v, float) else f"{k} = {v}" for k, v in a.use.items()
            )
        )
    if a.curve:
        click.echo(
            f"\nLife that {a.survival:g} reach, by {a.column} ('~' = outside what was tested)"
        )
        rows = [
            [
                ("~" if p.extrapolated else "") + f"{p.level:,.4g}", number(p.shots), number(p.lower),
                number(p.energy_J, 3), number(p.impulse_Ns, 3), number(p.impulse_lower_Ns, 3),
            ]
            for p in a.curve[:: max(1, len(a.curve) // 9)]
        ]  # fmt: skip
        click.echo(
            table([a.column, "estimate", "lower", "J a shot", "total N s", "at least"], rows)
        )
    if a.best_total is not None:
        click.echo(
            f"\n  largest total impulse within the tests: {a.best_total.impulse_Ns:.3g} N s at {a.best_total.level:,.4g} V ({number(a.best_total.lower)} shots)"
        )
    if a.discharge is not None:
        d = a.discharge
        click.echo(
            f"\n  one shot asks for {d.peak_A:,.0f} A peak ({d.undamped_A:,.0f} A undamped), reversal {d.reversal:.0%}"
        )
    emit_notes(basis.notes + a.notes)


def _compare(basis: Any, solve: Any, as_json: bool) -> int:
    from reliability.decisions.answer import plain
    from reliability.notes import CannotAnswer

    out, rows = [], []
    for part in sorted(set(basis.records.part.tolist())):
        own = basis.records.select(basis.records.part == part)
        try:
            a = solve(own)
            level, note = a.allowed[a.column], ""
            out.append({"part": part, **plain(a)})
            rows.append(
                [
                    part or "(no part)",
                    f"{a.n:g}",
                    f"{a.failed:g}",
                    number(level),
                    number(a.allowed["ratio"], 3),
                    number(a.allowed["energy_J"], 3),
                    note,
                ]
            )
        except CannotAnswer as e:
            out.append({"part": part, "error": str(e)})
            rows.append(
                [
                    part or "(no part)",
                    f"{own.units:g}",
                    f"{own.failures:g}",
                    "-",
                    "-",
                    "-",
                    str(e)[:60],
                ]
            )
    if as_json:
        emit_json({"parts": out}, basis)
    else:
        click.echo(
            table(["part", "units", "failed", "allowed", "ratio", "J a shot", "why not"], rows)
        )
    return 0
