"""Every chart, once, for screen and paper (Altair). Numbers come in ready made.

Colours stand out from light and dark paper alike (contrast 3 or more, tested), are told apart by
people with the common kinds of colour blindness, and every series also differs by shape or dash.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from reliability.decisions.builders import BuildersAnswer
from reliability.decisions.curves import LifeCurves
from reliability.decisions.derating import DeratingAnswer
from reliability.decisions.wear import IgnitionEffect, WearAnswer
from reliability.life.incidence import Incidence
from reliability.records import LifeRecords
from reliability.wear.misfires import MeanCount

INK = "#2a7bd1"  # the estimate
BAND = "#9dbdd3"
CLAY = "#ad4923"  # the bound that a promise rests on
MOSS = "#349f6d"
PLUM = "#7c628b"
STONE = "#8a8f97"  # data
SAND = "#a68814"
SERIES = [INK, CLAY, MOSS, PLUM, SAND, STONE]
DASHES = [[1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [4, 4], [10, 4]]

SHOTS = alt.Axis(title="shots on the unit", format="~s", grid=True)


def _style(chart: Any, height: int = 320) -> Any:
    return (
        chart.properties(height=height)
        .configure_axis(
            labelFontSize=12, titleFontSize=13, gridOpacity=0.35, titleFontWeight="normal"
        )
        .configure_legend(labelFontSize=12, titleFontSize=12, orient="bottom", labelLimit=260)
        .configure_view(strokeOpacity=0)
    )


def _steps(x: np.ndarray, y: np.ndarray) -> pd.DataFrame:
    """Steps of a curve; of many, as many as an eye can tell apart."""
    if x.size > 1000:
        keep = np.unique(np.linspace(0, x.size - 1, 1000).astype(int))
        x, y = x[keep], y[keep]
    return pd.DataFrame(
        {"shots": np.concatenate(([0.0], x)), "survival": np.concatenate(([1.0], y))}
    )


def survival_figure(curves: LifeCurves, label: str = "units") -> Any:
    """Fitted survival with its band, the empirical steps, and units still good as ticks."""
    layers = []
    if curves.shots.size:
        frame = pd.DataFrame(
            {
                "shots": curves.shots,
                "survival": curves.estimate,
                "lower": curves.lower,
                "upper": curves.upper,
            }
        )
        base = alt.Chart(frame).encode(x=alt.X("shots:Q", axis=SHOTS))
        layers.append(
            base.mark_area(color=BAND, opacity=0.3).encode(
                y=alt.Y(
                    "lower:Q",
                    title="share still good",
                    axis=alt.Axis(format="%"),
                    scale=alt.Scale(domain=[0, 1]),
                ),
                y2="upper:Q",
                tooltip=[
                    alt.Tooltip("shots:Q", format=",.0f"),
                    alt.Tooltip("survival:Q", format=".3f", title="estimate"),
                    alt.Tooltip("lower:Q", format=".3f"),
                    alt.Tooltip("upper:Q", format=".3f"),
                ],
            )
        )
        layers.append(base.mark_line(color=INK, strokeWidth=2.5).encode(y="survival:Q"))
        layers.append(base.mark_line(color=CLAY, strokeDash=[6, 3]).encode(y="lower:Q"))
    if curves.empirical is not None:
        steps = _steps(curves.empirical.shots, curves.empirical.survival)
        layers.append(
            alt.Chart(steps)
            .mark_line(interpolate="step-after", color=STONE, strokeWidth=1.2)
            .encode(
                x=alt.X("shots:Q", axis=SHOTS),
                y=alt.Y("survival:Q", title="share still good", axis=alt.Axis(format="%")),
            )
        )
    if curves.censored.size:
        ticks = pd.DataFrame({"shots": curves.censored, "at": 0.02})
        layers.append(
            alt.Chart(ticks)
            .mark_tick(color=STONE, thickness=1.2, size=12, opacity=0.7)
            .encode(
                x=alt.X("shots:Q", axis=SHOTS),
                y="at:Q",
                tooltip=[alt.Tooltip("shots:Q", title="still good at")],
            )
        )
    return _style(alt.layer(*layers))


def probability_figure(curves: LifeCurves) -> Any:
    """Failed share on the family's scale against log shots: a good fit is a straight line."""
    marks = np.array([0.01, 0.05, 0.1, 0.2, 0.5, 0.8, 0.95, 0.99])
    at = curves.plot_scale(1 - marks)
    labels = {f"{v:.5f}": f"{100 * m:g}%" for v, m in zip(at, marks)}
    expression = (
        " : ".join(f"abs(datum.value - {v}) < 1e-4 ? '{text}'" for v, text in labels.items())
        + " : ''"
    )
    y_axis = alt.Axis(
        title="share failed", values=[float(f"{v:.5f}") for v in at], labelExpr=expression
    )
    layers = []
    low, high = float(at[0]) - 0.6, float(at[-1]) + 0.3
    domain = [low, high]
    y = alt.Y("w:Q", axis=y_axis, scale=alt.Scale(domain=domain))
    x = alt.X(
        "shots:Q",
        scale=alt.Scale(type="log", nice=False),
        axis=alt.Axis(title="shots on the unit (log)", format="~s"),
    )
    if curves.shots.size:
        frame = pd.DataFrame(
            {
                "shots": curves.shots,
                "w": curves.plot_scale(curves.estimate),
                "worst": np.clip(
                    curves.plot_scale(np.clip(curves.lower, 1e-9, 1 - 1e-9)), low, high
                ),
                "best": np.clip(
                    curves.plot_scale(np.clip(curves.upper, 1e-9, 1 - 1e-9)), low, high
                ),
            }
        )
        # the line ends at the plot's edge instead of running along it
        frame["w"] = frame["w"].where(frame["w"].between(*domain))
        base = alt.Chart(frame).encode(x=x)
        layers.append(
            base.mark_area(color=BAND, opacity=0.3).encode(
                y=alt.Y("best:Q", axis=y_axis, scale=alt.Scale(domain=domain)), y2="worst:Q"
            )
        )
        layers.append(base.mark_line(color=INK, strokeWidth=2.5).encode(y=y))
        layers.append(
            base.mark_line(color=CLAY, strokeDash=[6, 3]).encode(y=alt.Y("worst:Q", axis=y_axis))
        )
    if curves.empirical is not None and curves.empirical.shots.size:
        e = curves.empirical
        before = np.concatenate(([1.0], e.survival[:-1]))
        middle = np.clip(0.5 * (before + e.survival), 1e-6, 1 - 1e-6)
        points = pd.DataFrame({"shots": e.shots, "w": curves.plot_scale(middle)})
        layers.append(
            alt.Chart(points)
            .mark_point(color=STONE, filled=True, size=45, opacity=0.9)
            .encode(x=x, y=y)
        )
    return _style(alt.layer(*layers))


def incidence_figure(curve: Incidence) -> Any:
    """Probability to have failed by each mode, as steps."""
    parts = []
    for mode, values in curve.by_mode.items():
        steps = _steps(curve.shots, values)
        steps.loc[0, "survival"] = 0.0
        parts.append(steps.rename(columns={"survival": "share"}).assign(mode=mode))
    frame = pd.concat(parts)
    names = list(curve.by_mode)
    chart = (
        alt.Chart(frame)
        .mark_line(interpolate="step-after", strokeWidth=2)
        .encode(
            x=alt.X("shots:Q", axis=SHOTS),
            y=alt.Y("share:Q", title="share ended by the mode", axis=alt.Axis(format="%")),
            color=alt.Color("mode:N", scale=alt.Scale(domain=names, range=SERIES), title=None),
            strokeDash=alt.StrokeDash(
                "mode:N", scale=alt.Scale(domain=names, range=DASHES), title=None
            ),
            tooltip=[
                "mode",
                alt.Tooltip("shots:Q", format=",.0f"),
                alt.Tooltip("share:Q", format=".3f"),
            ],
        )
    )
    return _style(chart)


def ends_figure(names: Sequence[str], shares: Sequence[float]) -> Any:
    """Which slot ends the module, as bars."""
    frame = pd.DataFrame(
        {"slot": [n.replace("_", " ") for n in names], "share": np.nan_to_num(shares)}
    )
    base = alt.Chart(frame).encode(
        y=alt.Y("slot:N", sort=None, title=None, axis=alt.Axis(labelLimit=200)),
        x=alt.X(
            "share:Q",
            title="share of modules ended by the slot",
            axis=alt.Axis(format="%"),
            scale=alt.Scale(domain=[0, float(np.clip(1.25 * frame.share.max(), 0.05, 1.0))]),
        ),
    )
    bars = base.mark_bar(color=INK, height=16)
    text = base.mark_text(align="left", dx=4, fontSize=12, color=STONE).encode(
        text=alt.Text("share:Q", format=".0%")
    )
    return _style(alt.layer(bars, text), height=max(90, 34 * len(names)))


def module_figure(
    shots: Sequence[float] | np.ndarray,
    estimate: Sequence[float] | np.ndarray,
    lower: Sequence[float] | np.ndarray,
    upper: Sequence[float] | np.ndarray,
) -> Any:
    """Module survival with its bounds."""
    frame = pd.DataFrame({"shots": shots, "estimate": estimate, "lower": lower, "upper": upper})
    base = alt.Chart(frame).encode(
        x=alt.X("shots:Q", axis=alt.Axis(title="shots on the module", format="~s"))
    )
    y = alt.Y(
        "lower:Q",
        title="share of modules still good",
        axis=alt.Axis(format="%"),
        scale=alt.Scale(domain=[0, 1]),
    )
    tooltip = [
        alt.Tooltip(f"{c}:Q", format=",.3f") for c in ("shots", "estimate", "lower", "upper")
    ]
    return _style(
        alt.layer(
            base.mark_area(color=BAND, opacity=0.3).encode(y=y, y2="upper:Q", tooltip=tooltip),
            base.mark_line(color=INK, strokeWidth=2.5).encode(y="estimate:Q"),
            base.mark_line(color=CLAY, strokeDash=[6, 3]).encode(y="lower:Q"),
        )
    )


def life_stress_figure(answer: DeratingAnswer) -> Any:
    """Life against stress: data, estimate, lower bound, required life and allowed level."""
    points = pd.DataFrame([vars(p) for p in answer.curve])
    label = answer.column.replace("_V", " (V)").replace("_C", " (deg C)").replace("_", " ")
    x = alt.X("level:Q", scale=alt.Scale(zero=False, nice=False), axis=alt.Axis(title=label))
    y_axis = alt.Axis(title="shots", format="~s")
    log = alt.Scale(type="log", nice=True)
    layers = []
    low, high = answer.tested
    shade = [
        {"a": a, "b": b}
        for a, b in ((points.level.min(), low), (high, points.level.max()))
        if b > a + 1e-9
    ]
    if shade:
        layers.append(
            alt.Chart(pd.DataFrame(shade))
            .mark_rect(color=STONE, opacity=0.12)
            .encode(
                x=alt.X("a:Q", scale=alt.Scale(zero=False, nice=False), axis=alt.Axis(title=label)),
                x2="b:Q",
            )
        )
    tips = [
        alt.Tooltip("level:Q", format=",.4g"),
        alt.Tooltip("shots:Q", format=",.0f"),
        alt.Tooltip("lower:Q", format=",.0f"),
    ]
    base = alt.Chart(points).encode(x=x, tooltip=tips)
    layers.append(
        base.mark_line(color=INK, strokeWidth=2.5).encode(
            y=alt.Y("shots:Q", scale=log, axis=y_axis)
        )
    )
    layers.append(
        base.mark_line(color=CLAY, strokeDash=[6, 3], strokeWidth=2).encode(
            y=alt.Y("lower:Q", scale=log, axis=y_axis)
        )
    )
    if answer.fit is not None:
        r = answer.fit.records
        seen = pd.DataFrame(
            {
                "level": np.asarray(r.column(answer.column), float),
                "shots": np.where(
                    r.failed,
                    np.where(
                        r.shots_good > 0,
                        np.sqrt(np.maximum(r.shots_good, 1) * r.shots_failed),
                        r.shots_failed,
                    ),
                    r.shots_good,
                ),
                "state": np.where(r.failed, "failed", "still good"),
            }
        )
        seen["shots"] = np.where(
            r.failed & (r.shots_good == 0), 0.5 * r.shots_failed, seen["shots"]
        )
        seen = seen[seen.shots > 0]
        layers.append(
            alt.Chart(seen)
            .mark_point(size=40, opacity=0.75, color=STONE)
            .encode(
                x=x,
                y=alt.Y("shots:Q", scale=log, axis=y_axis),
                shape=alt.Shape(
                    "state:N",
                    scale=alt.Scale(
                        domain=["failed", "still good"], range=["circle", "triangle-up"]
                    ),
                    title=None,
                ),
                fill=alt.Fill(
                    "state:N",
                    scale=alt.Scale(domain=["failed", "still good"], range=[STONE, "transparent"]),
                    title=None,
                ),
            )
        )
    need = pd.DataFrame({"shots": [answer.shots]})
    layers.append(
        alt.Chart(need)
        .mark_rule(color=PLUM, strokeDash=[2, 2], strokeWidth=1.5)
        .encode(y="shots:Q")
    )
    level = answer.allowed[answer.column]
    if np.isfinite(level):
        layers.append(
            alt.Chart(pd.DataFrame({"level": [level]}))
            .mark_rule(color=CLAY, strokeWidth=2)
            .encode(x="level:Q")
        )
    return _style(alt.layer(*layers), height=380)


def trade_figure(answer: DeratingAnswer) -> Any:
    """Total impulse over the promised life against charge voltage."""
    points = pd.DataFrame([vars(p) for p in answer.curve])
    points["reach"] = np.where(points.extrapolated, "outside the tests", "tested")
    x = alt.X(
        "level:Q",
        scale=alt.Scale(zero=False, nice=False),
        axis=alt.Axis(title="charge voltage (V)"),
    )
    y = alt.Y("impulse_Ns:Q", axis=alt.Axis(title="impulse over promised life (N s)"))
    dash = alt.StrokeDash(
        "reach:N",
        scale=alt.Scale(domain=["tested", "outside the tests"], range=[[1, 0], [4, 4]]),
        title=None,
    )
    layers = [
        alt.Chart(points).mark_line(color=MOSS, strokeWidth=2.5).encode(x=x, y=y, strokeDash=dash)
    ]
    if answer.best_total is not None:
        best = pd.DataFrame([vars(answer.best_total)])
        layers.append(
            alt.Chart(best)
            .mark_point(color=CLAY, size=120, filled=True, shape="diamond")
            .encode(x=x, y=y)
        )
    return _style(alt.layer(*layers), height=280)


def residual_figure(w: np.ndarray, failed: np.ndarray, family_name: str) -> Any:
    """Probability plot of standardised residuals: under the model they follow the line."""
    from reliability.life.empirical import kaplan_meier
    from reliability.life.families import family

    t = np.exp(np.clip(w, -40, 40))
    curve = kaplan_meier(LifeRecords.of(t, np.where(failed, t, np.inf)))
    before = np.concatenate(([1.0], curve.survival[:-1]))
    middle = np.clip(0.5 * (before + curve.survival), 1e-6, 1 - 1e-6)
    frame = pd.DataFrame(
        {"residual": np.log(curve.shots), "plotted": family(family_name).quantile(1 - middle)}
    )
    low, high = float(frame.residual.min()), float(frame.residual.max())
    line = alt.Chart(pd.DataFrame({"residual": [low, high], "plotted": [low, high]})).mark_line(
        color=INK
    )
    dots = alt.Chart(frame).mark_point(color=STONE, filled=True, size=40)
    x = alt.X("residual:Q", axis=alt.Axis(title="standardised residual of log life"))
    y = alt.Y("plotted:Q", axis=alt.Axis(title="expected under the family"))
    return _style(alt.layer(line.encode(x=x, y=y), dots.encode(x=x, y=y)), height=280)


def demonstration_figure(plans: Sequence[Any], best: Any | None = None) -> Any:
    """Plans that show the same: bench days against the chance to pass (or units, without one)."""
    frame = pd.DataFrame([vars(p) for p in plans])
    known = bool(np.isfinite(frame.pass_estimated).any())
    y = (
        alt.Y(
            "pass_estimated:Q",
            title="chance to pass",
            axis=alt.Axis(format="%"),
            scale=alt.Scale(domain=[0, 1]),
        )
        if known
        else alt.Y("units:Q", title="units")
    )
    frame["allowed"] = frame.failures_allowed.astype(str) + " may fail"
    names = sorted(frame.allowed.unique())
    x = alt.X("bench_days:Q", title="bench days")
    dots = alt.Chart(frame).mark_point(size=80, filled=True).encode(
        x=x, y=y,
        color=alt.Color("allowed:N", scale=alt.Scale(domain=names, range=SERIES), title=None),
        shape=alt.Shape("allowed:N", scale=alt.Scale(domain=names, range=["circle", "square", "triangle-up"]), title=None),
        tooltip=["units", alt.Tooltip("shots_each:Q", format=",.0f"), "failures_allowed", alt.Tooltip("bench_days:Q", format=".2f"), alt.Tooltip("cost:Q", format=",.0f"), alt.Tooltip("pass_estimated:Q", format=".0%")],
    )  # fmt: skip
    layers = [
        dots,
        alt.Chart(frame)
        .mark_text(dy=-11, fontSize=11, color=STONE)
        .encode(x=x, y=y, text="units:Q"),
    ]
    if known:
        layers.insert(
            0,
            alt.Chart(frame)
            .mark_rule(color=BAND, strokeWidth=1.5)
            .encode(x=x, y=alt.Y("pass_pessimistic:Q"), y2="pass_optimistic:Q"),
        )
    if best is not None:
        layers.append(
            alt.Chart(pd.DataFrame([vars(best)]))
            .mark_point(size=260, color=CLAY, strokeWidth=2)
            .encode(x=x, y=y)
        )
    return _style(alt.layer(*layers), height=340)


def learning_figure(plans: Sequence[Any], equal: Any | None) -> Any:
    """Plans that estimate: bench days against how far the bound lies below the estimate."""
    rows = [{**vars(p), "kind": "plan", "label": "/".join(map(str, p.units))} for p in plans]
    if equal is not None:
        rows.append(
            {**vars(equal), "kind": "equal allocation", "label": "/".join(map(str, equal.units))}
        )
    frame = pd.DataFrame(rows)
    frame = frame[np.isfinite(frame.factor)]
    frame["where"] = frame.levels.map(lambda v: "/".join(f"{x:g}" for x in v))
    frame["first"] = frame.shots.map(lambda v: v[0])
    chart = (
        alt.Chart(frame.drop(columns=["levels", "units", "shots"]))
        .mark_point(size=90, filled=True)
        .encode(
            x=alt.X("first:Q", title="shots each", axis=alt.Axis(format="~s"), scale=alt.Scale(zero=False)),
            y=alt.Y("factor:Q", title="estimate / lower bound (1 is perfect)", scale=alt.Scale(zero=False)),
            color=alt.Color("kind:N", scale=alt.Scale(domain=["plan", "equal allocation"], range=[INK, CLAY]), title=None),
            shape=alt.Shape("kind:N", scale=alt.Scale(domain=["plan", "equal allocation"], range=["circle", "diamond"]), title=None),
            tooltip=[alt.Tooltip("where", title="levels"), alt.Tooltip("label", title="units"), alt.Tooltip("factor:Q", format=".2f"), alt.Tooltip("bench_days:Q", format=".2f"), alt.Tooltip("failures:Q", format=".1f")],
        )
    )  # fmt: skip
    return _style(chart, height=340)


def forest_figure(answer: BuildersAnswer) -> Any:
    """Builders' lives relative to the pool."""
    frame = pd.DataFrame([vars(b) for b in answer.builders])
    frame["label"] = (
        frame.builder
        + " ("
        + frame.failed.map("{:g}".format)
        + " of "
        + frame.n.map("{:g}".format)
        + ")"
    )
    y = alt.Y("label:N", sort=None, title=None, axis=alt.Axis(labelLimit=220))
    x_axis = alt.Axis(title="life / pool (log)", format=".2~f")
    scale = alt.Scale(type="log", nice=False)
    base = alt.Chart(frame)
    color = alt.Color(
        "differs:N", scale=alt.Scale(domain=[False, True], range=[INK, CLAY]), legend=None
    )
    tips = [
        "builder",
        alt.Tooltip("ratio:Q", format=".2f"),
        alt.Tooltip("lower:Q", format=".2f"),
        alt.Tooltip("upper:Q", format=".2f"),
        alt.Tooltip("p_adjusted:Q", format=".3f"),
    ]
    return _style(
        alt.layer(
            alt.Chart(pd.DataFrame({"one": [1.0]}))
            .mark_rule(color=STONE, strokeDash=[3, 3])
            .encode(x=alt.X("one:Q", scale=scale, axis=x_axis)),
            base.mark_rule(strokeWidth=3).encode(
                y=y,
                x=alt.X("lower:Q", scale=scale, axis=x_axis),
                x2="upper:Q",
                color=color,
                tooltip=tips,
            ),
            base.mark_point(filled=True, size=90).encode(
                y=y, x=alt.X("ratio:Q", scale=scale, axis=x_axis), color=color, tooltip=tips
            ),
            base.mark_point(size=60, color=STONE, shape="diamond").encode(
                y=y, x=alt.X("raw_ratio:Q", scale=scale, axis=x_axis)
            ),
        ),
        height=max(120, 44 * len(frame)),
    )


def influence_figure(answer: BuildersAnswer) -> Any:
    """The pool's life with each builder left out."""
    frame = pd.DataFrame(
        [{"builder": f"without {b.builder}", "shots": b.without_shots} for b in answer.builders]
    )
    frame = frame[np.isfinite(frame.shots)]
    x = alt.X("shots:Q", scale=alt.Scale(zero=False), axis=alt.Axis(title="shots", format="~s"))
    return _style(
        alt.layer(
            alt.Chart(pd.DataFrame({"shots": [answer.pool_shots]})).mark_rule(color=CLAY, strokeDash=[6, 3]).encode(x=x),
            alt.Chart(frame).mark_point(filled=True, size=90, color=INK).encode(
                x=x, y=alt.Y("builder:N", sort=None, title=None, axis=alt.Axis(labelLimit=220)), tooltip=["builder", alt.Tooltip("shots:Q", format=",.0f")]
            ),
        ),
        height=max(120, 44 * len(answer.builders)),
    )  # fmt: skip


def group_figure(records: LifeRecords, labels: np.ndarray) -> Any:
    """Survival of each group without a family, as steps."""
    from reliability.life.empirical import empirical_curve

    parts = []
    for g in sorted(set(labels.tolist())):
        own = records.select(labels == g)
        if own.failed.any():
            curve = empirical_curve(own)
            parts.append(_steps(curve.shots, curve.survival).assign(group=g))
    frame = pd.concat(parts) if parts else pd.DataFrame({"shots": [], "survival": [], "group": []})
    names = sorted(set(frame.group.tolist()))
    return _style(
        alt.Chart(frame)
        .mark_line(interpolate="step-after", strokeWidth=2)
        .encode(
            x=alt.X("shots:Q", axis=SHOTS),
            y=alt.Y(
                "survival:Q",
                title="share still good",
                axis=alt.Axis(format="%"),
                scale=alt.Scale(domain=[0, 1]),
            ),
            color=alt.Color("group:N", scale=alt.Scale(domain=names, range=SERIES), title=None),
            strokeDash=alt.StrokeDash(
                "group:N", scale=alt.Scale(domain=names, range=DASHES), title=None
            ),
        )
    )


def paths_figure(answer: WearAnswer) -> Any:
    """Readings of each unit with its fitted path, and the limit."""
    assert answer.fit is not None and answer.readings is not None
    r, fit = answer.readings, answer.fit
    seen = pd.DataFrame({"unit": r.labels, "shots": r.shots, "value": r.value})
    top = float(r.shots.max())
    grid = np.linspace(0, 1.25 * top, 30)
    lines = pd.DataFrame(
        [
            {
                "unit": u,
                "shots": t,
                "value": float(fit.coef[i, 0] + fit.coef[i, 1] * fit.g(t)),
                "reach": "seen" if t <= fit.last[i] else "ahead",
            }
            for i, u in enumerate(fit.units)
            for t in grid
        ]
    )
    x = alt.X("shots:Q", axis=SHOTS)
    y = alt.Y("value:Q", title=answer.quantity.replace("_", " "), scale=alt.Scale(zero=False))
    layers = [
        alt.Chart(lines).mark_line(color=INK, opacity=0.35, strokeWidth=1.3).encode(
            x=x, y=y, detail="unit:N", strokeDash=alt.StrokeDash("reach:N", scale=alt.Scale(domain=["seen", "ahead"], range=[[1, 0], [3, 3]]), title=None)
        ),
        alt.Chart(seen).mark_point(color=STONE, filled=True, size=25, opacity=0.8).encode(x=x, y=y, tooltip=["unit", alt.Tooltip("shots:Q", format=",.0f"), alt.Tooltip("value:Q", format=".4g")]),
    ]  # fmt: skip
    limit = answer.limit.value * float(fit.beta[0]) if answer.limit.relative else answer.limit.value
    layers.append(
        alt.Chart(pd.DataFrame({"value": [limit]}))
        .mark_rule(color=CLAY, strokeDash=[6, 3])
        .encode(y="value:Q")
    )
    return _style(alt.layer(*layers), height=380)


def remaining_figure(answer: WearAnswer) -> Any:
    """Shots left of each unit with its lower prediction bound."""
    frame = pd.DataFrame([vars(u) for u in answer.units])
    frame = frame[np.isfinite(frame.estimate)].head(25)
    y = alt.Y("unit:N", sort=None, title=None, axis=alt.Axis(labelLimit=240))
    x_axis = alt.Axis(title="shots left", format="~s")
    base = alt.Chart(frame)
    return _style(
        alt.layer(
            base.mark_rule(color=INK, strokeWidth=2).encode(
                y=y, x=alt.X("lower:Q", axis=x_axis), x2="estimate:Q"
            ),
            base.mark_point(color=INK, filled=True, size=60).encode(
                y=y, x=alt.X("estimate:Q", axis=x_axis)
            ),
            base.mark_tick(color=CLAY, thickness=2.5, size=14).encode(
                y=y, x=alt.X("lower:Q", axis=x_axis)
            ),
        ),
        height=max(120, 22 * len(frame)),
    )


def mean_count_figure(curve: MeanCount) -> Any:
    """Mean number of misfires a unit against shots, with limits."""
    frame = pd.DataFrame(
        {"shots": curve.shots, "mean": curve.mean, "lower": curve.lower, "upper": curve.upper}
    )
    base = alt.Chart(frame).encode(x=alt.X("shots:Q", axis=SHOTS))
    y_axis = alt.Y("lower:Q", title="mean misfires a unit")
    return _style(
        alt.layer(
            base.mark_area(color=BAND, opacity=0.3, interpolate="step-after").encode(
                y=y_axis, y2="upper:Q"
            ),
            base.mark_line(color=INK, strokeWidth=2.5, interpolate="step-after").encode(y="mean:Q"),
        )
    )


def ignition_figure(effect: IgnitionEffect) -> Any:
    """Chance of a misfire a shot against ignition voltage, with limits."""
    base = alt.Chart(pd.DataFrame(list(effect.curve))).encode(
        x=alt.X("ignition_V:Q", title="ignition voltage (V)", scale=alt.Scale(zero=False))
    )
    y_axis = alt.Y("lower:Q", title="chance of a misfire a shot", scale=alt.Scale(zero=False))
    return _style(
        alt.layer(
            base.mark_area(color=BAND, opacity=0.3).encode(y=y_axis, y2="upper:Q"),
            base.mark_line(color=INK, strokeWidth=2.5).encode(
                y="chance:Q",
                tooltip=[
                    alt.Tooltip("ignition_V:Q", format=",.0f"),
                    alt.Tooltip("chance:Q", format=".2e"),
                    alt.Tooltip("lower:Q", format=".2e"),
                    alt.Tooltip("upper:Q", format=".2e"),
                ],
            ),
        )
    )


def to_svg(chart: Any) -> str:
    """A chart as SVG, for paper and download."""
    import vl_convert

    return str(vl_convert.vegalite_to_svg(chart.to_dict()))


def to_png(chart: Any, scale: float = 2.0) -> bytes:
    """A chart as PNG, for download."""
    import vl_convert

    return bytes(vl_convert.vegalite_to_png(chart.to_dict(), scale=scale))
