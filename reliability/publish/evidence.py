"""What stands below an answer's sentence on its page: pictures and tables, by the question asked."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any

from reliability import figures
from reliability.publish.page import Figure, Table
from reliability.words import bench_cell, percent_text, shots_text, so_many_shots

Evidence = tuple[tuple[Figure, ...], tuple[Table, ...]]
NOTHING: Evidence = ((), ())
MOST = 50
"""rows of a table of single units"""


def evidence(name: str, answer: Any) -> Evidence:
    """Pictures and tables of the answer to the question of that name; none for one without."""
    show = _SHOWN.get(name)
    if show is None:
        return NOTHING
    pictures, tables = show(answer)
    return pictures, tuple(t for t in tables if t.rows)


def figure(title: str, chart: Any, description: str) -> Figure:
    """A chart with its data inside; without a description of it where these are too many for a page."""
    import altair as alt

    try:
        return Figure(title, chart.to_dict(), description)
    except alt.MaxRowsError:
        return Figure(title, {}, description)


def rounded(value: float, digits: int = 4) -> float | int | str:
    """A number for a table, '–' where there is none."""
    if not math.isfinite(value):
        return "–"
    if value.is_integer() or abs(value) >= 10 ** (digits - 1):
        return round(value)
    return float(f"{value:.{digits}g}")


def table(title: str, head: str, rows: Iterable[Iterable[Any]]) -> Table:
    """A table from a head such as ``slot | units | failed``, its numbers rounded."""
    return Table(
        title,
        tuple(h.strip() for h in head.split("|")),
        tuple(tuple(rounded(c) if isinstance(c, float) else c for c in r) for r in rows),
    )


def _slot(name: str) -> str:
    return name.replace("_", " ")


def _module(a: Any) -> Evidence:
    pictures = (
        figure(
            "How many modules are still good", figures.module_figure(a),
            f"Estimate (solid) and lower bound at {percent_text(a.confidence)} (dashed), on which a promise may rest.",
        ),
        figure(
            "What ends them", figures.ends_figure([s.slot for s in a.slots], [s.ends_module for s in a.slots]),
            "Chance that the slot is the first to fail.",
        ),
    )  # fmt: skip
    slots = table(
        "Slots, most likely end first",
        "slot | units seen | failed | shape | median shots | ends the module | holds the bound down",
        (
            (_slot(s.slot), s.n, s.failed, s.shape, s.median, percent_text(s.ends_module), percent_text(s.holds_down))
            for s in a.slots
        ),
    )  # fmt: skip
    carried = table(
        "What the records carry", "slot | stress | how | why",
        ((_slot(c.slot), c.stress, c.status, c.text) for c in a.carried),
    )  # fmt: skip
    return pictures, (slots, carried)


def _life(a: Any) -> Evidence:
    pictures: tuple[Figure, ...] = ()
    if a.curve.shots or a.empirical:
        pictures = (
            figure(
                "Share still good", figures.survival_figure(a),
                "Fit (solid) with one-sided bounds, the lower dashed; without a family (grey steps); at the foot "
                "failures and units still good.",
            ),
            figure(
                "Probability plot", figures.probability_figure(a),
                f"Share failed on the {a.family} scale: if the family fits, the points follow the line.",
            ),
        )  # fmt: skip
    lives = table(
        f"Lives, bounds one-sided at {percent_text(a.confidence)}", "share failed | shots | at least | at most",
        ((f"{q.fraction:g}", q.shots, q.lower, q.upper) for q in a.quantiles),
    )  # fmt: skip
    families = table(
        "Families compared", "family | log-likelihood | AICc | weight",
        ((f.family, f.loglik, f.aicc, percent_text(f.weight)) for f in a.families),
    )  # fmt: skip
    return pictures, (lives, families)


def _modes(a: Any) -> Evidence:
    pictures = (
        figure(
            "Share ended by each mode", figures.incidence_figure(a),
            "Share of units ended by each mode, other modes competing (cumulative incidence).",
        ),
    )  # fmt: skip
    head = f"mode | failed | shape | shots by which {percent_text(a.fraction)} failed | at least | at most | share ended | why no fit"
    rows = (
        (_slot(m.mode), m.failed, m.shape, m.shots, m.lower, m.upper, percent_text(m.incidence), m.reason)
        for m in a.modes
    )  # fmt: skip
    return pictures, (table("Each mode as if it were the only one", head, rows),)


def _derate(a: Any) -> Evidence:
    pictures = []
    if a.curve:
        text = f"Life that {percent_text(a.survival)} reach: estimate (solid) and lower bound (dashed). Crosses failed, open circles still good."
        pictures.append(figure("Life against stress", figures.life_stress_figure(a), text))
    if any(math.isfinite(p.impulse_Ns) for p in a.curve):
        pictures.append(
            figure(
                "Voltage against total impulse",
                figures.trade_figure(a),
                "Impulse a shot times promised shots.",
            )
        )
    if a.residuals:
        text = "Standardised residuals; under the model they follow the line."
        pictures.append(figure("Does the model fit?", figures.residual_figure(a), text))
    model = table(
        "Stress model", "stress | form | estimate | lower | upper",
        ((c.column, c.form, c.estimate, c.lower, c.upper) for c in a.coefficients),
    )  # fmt: skip
    curve = table(
        f"Life that {percent_text(a.survival)} reach, by {a.column}", "level | shots | at least | J a shot | outside the tests",
        ((p.level, p.shots, p.lower, p.energy_J, "yes" if p.extrapolated else "") for p in a.curve),
    )  # fmt: skip
    return tuple(pictures), (model, curve)


def _wear(a: Any) -> Evidence:
    pictures = (
        figure("Paths", figures.paths_figure(a), f"Readings, each unit's fitted path (dotted ahead), and the limit: {a.limit.name}."),
        figure(
            "Shots left", figures.remaining_figure(a),
            f"Estimate (dot) and lower prediction bound at {percent_text(a.confidence)} (tick), calibrated by simulation; 25 soonest.",
        ),
    )  # fmt: skip
    rows = ((u.unit, u.so_far, u.estimate, u.lower) for u in a.units[:MOST])
    return pictures, (table("Units, soonest first", "unit | shots so far | left | at least", rows),)


def _misfires(a: Any) -> Evidence:
    pictures = []
    if a.curve:
        text = "Mean cumulative count (line) with one-sided limits (band). Bending upwards: misfires come ever faster."
        pictures.append(figure("Mean count of misfires a unit", figures.mean_count_figure(a), text))
    if a.ignition is not None:
        text = f"Chance of a misfire at {so_many_shots(a.ignition.at_shots)} (line) with one-sided limits (band)."
        pictures.append(figure("Ignition voltage", figures.ignition_figure(a.ignition), text))
    rows = ((g.first, g.second, g.ratio, g.p) for g in a.groups)
    groups = table("Igniters compared", "part | against | times the misfires a shot | p", rows)
    return tuple(pictures), (groups,)


def _builders(a: Any) -> Evidence:
    pictures = (
        figure("Life against the pool", figures.forest_figure(a), "Shrunken ratio with one-sided bounds (bar); open mark: the builder's data alone."),
        figure("Who moves the pool?", figures.influence_figure(a), f"Life that {percent_text(1 - a.fraction)} reach, with each builder left out; the line is the whole pool."),
        figure("Curves of the builders", figures.curves_figure(a), "Share still good, without a family (not adjusted for stress)."),
    )  # fmt: skip
    head = "builder | units | failed | life against the pool | at least | at most | pool without | p, adjusted"
    rows = (
        (b.builder, b.n, b.failed, b.ratio, b.lower, b.upper, b.without_shots, b.p_adjusted)
        for b in a.builders
    )
    return pictures, (table("Builders beside the pool", head, rows),)


def _compare(a: Any) -> Evidence:
    pictures = (
        figure(
            "Ratio of lives", figures.ratio_figure(a), "Ratio with one-sided bounds; the line is 1."
        ),
        figure("Curves", figures.sides_figure(a), "Share still good, without a family."),
    )
    rows = ((s.name, f"{s.failed:g} of {s.n:g}", s.shots, s.lower) for s in (a.first, a.second))
    return pictures, (table("The two", "name | failed | shots | at least", rows),)


def _demonstrate(a: Any) -> Evidence:
    pictures = (
        figure(
            "Plans that show the same life", figures.demonstration_figure(a),
            "Each mark shows the same life; the bar runs from pessimistic to optimistic life.",
        ),
    )  # fmt: skip
    rows = (
        (
            p.units,
            p.shots_each,
            p.failures_allowed,
            bench_cell(p.bench_days),
            percent_text(p.pass_estimated),
        )
        for p in a.plans
    )
    plans = table("Plans", "units | shots each | may fail | bench | chance to pass", rows)
    return pictures, (plans,)


def _next_test(a: Any) -> Evidence:
    pictures = (figure("Tests compared", figures.next_test_figure(a), "Promised once nothing has failed in the test; the line is the promise now."),)  # fmt: skip
    rows = (
        (t.what, t.shots, bench_cell(t.days), percent_text(t.survives_it), t.promise)
        for t in a.tests
    )
    head = "test | shots each | bench | nothing fails | then promised"
    return pictures, (table("Tests", head, rows),)


def _learning(a: Any) -> Evidence:
    pictures = (figure("Plans compared", figures.learning_figure(a), "Lower is better: estimate over lower bound, at the cost of the plan."),)  # fmt: skip
    rows = (
        (", ".join(f"{v:g}" for v in p.levels), ", ".join(map(str, p.units)), ", ".join(map(shots_text, p.shots)), bench_cell(p.bench_days), p.factor)
        for p in a.plans
    )  # fmt: skip
    return pictures, (table("Plans", "levels | units | shots | bench | estimate over bound", rows),)


def _flight(a: Any) -> Evidence:
    pictures = (
        figure("Share of such modules still good", figures.flight_figure(a), "Solid: estimate; dashed: lower bound; shots from now."),
        figure(
            "What ends it within the mission", figures.ends_figure([s.slot for s in a.by_slot], [s.ends_first for s in a.by_slot]),
            "Chance that the slot is the first to fail.",
        ),
    )  # fmt: skip
    rows = (
        (_slot(s.slot), s.part, s.so_far, f"{s.failed:g} of {s.n:g}", s.basis, percent_text(s.survival), percent_text(s.lower))
        for s in a.by_slot
    )  # fmt: skip
    head = "slot | part | shots so far | failed in data | model | survival | at least"
    return pictures, (table("Life by slot", head, rows),)


_SHOWN: dict[str, Callable[[Any], Evidence]] = {
    "module": _module, "life": _life, "modes": _modes, "derate": _derate, "wear": _wear, "misfires": _misfires,
    "builders": _builders, "compare": _compare, "demonstrate": _demonstrate, "next_test": _next_test, "narrow": _learning, "accelerate": _learning, "flight": _flight,
}  # fmt: skip
