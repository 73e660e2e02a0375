"""Colours of charts and screens against published rules: WCAG 2.1 contrast, colour-vision deficiency."""

import itertools

import numpy as np
import pytest

from reliability import figures
from reliability.service import THEME

# Machado, Oliveira & Fernandes (2009), severity 1.0; from memory
VISION = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
}  # fmt: skip


def linear(colour):
    c = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def contrast(a, b):
    """WCAG 2.1, contrast ratio."""
    x, y = sorted((float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (a, b)), reverse=True)
    return (x + 0.05) / (y + 0.05)


def lab(rgb):
    """CIE 1976 L*a*b*, D65, of linear sRGB."""
    m = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    t = np.clip(m @ np.clip(rgb, 0, 1), 0, None) / [0.9505, 1.0, 1.089]
    f = np.where(t > 0.008856, np.cbrt(t), 7.787 * t + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("paper", ["#ffffff", *(t["backgroundColor"] for t in THEME.values())])
@pytest.mark.parametrize("colour", figures.SERIES)
def test_marks_stand_out(colour, paper):
    """WCAG 2.1, 1.4.11: graphical objects need 3 to 1."""
    assert contrast(colour, paper) >= 3


@pytest.mark.parametrize("mode", list(THEME))
def test_text_stands_out(mode):
    """WCAG 2.1, 1.4.3: text needs 4.5 to 1, also captions (60 % of the text colour), links and buttons."""
    t = THEME[mode]
    text, paper = (
        np.array([int(t[k][i : i + 2], 16) for i in (1, 3, 5)])
        for k in ("textColor", "backgroundColor")
    )
    caption = "#" + "".join(f"{round(v):02x}" for v in 0.6 * text + 0.4 * paper)
    for colour in (t["textColor"], caption, t["linkColor"]):
        assert contrast(colour, t["backgroundColor"]) >= 4.5
    assert contrast(t["textColor"], t["secondaryBackgroundColor"]) >= 4.5


@pytest.mark.parametrize("kind", list(VISION))
def test_series_are_told_apart_by_the_colour_blind(kind):
    """Difference in L*a*b* under simulated deficiency: 12 or more by colour alone (some 5 times what an
    eye can just tell), 20 for the first four; and every series differs by dash as well."""
    seen = [lab(np.array(VISION[kind]) @ linear(c)) for c in figures.SERIES]
    near = {
        (i, j): np.linalg.norm(seen[i] - seen[j])
        for i, j in itertools.combinations(range(len(seen)), 2)
    }
    assert min(near.values()) >= 12
    assert min(d for (i, j), d in near.items() if max(i, j) < 4) >= 20
    assert len({tuple(d) for d in figures.DASHES}) == len(figures.SERIES)


# --- what the charts show, by value ----------------------------------------------------------


def rows(chart):
    """Every data row of a chart, with the mark and the channels of its layer."""
    spec = chart.to_dict()
    for layer in spec.get("layer", [spec]):
        data = layer.get("data", spec.get("data", {}))
        values = data.get("values") or spec["datasets"][data["name"]]
        mark = layer["mark"]["type"] if isinstance(layer["mark"], dict) else layer["mark"]
        yield mark, layer, values


def layers_of(chart, field):
    return [
        v for _, layer, v in rows(chart) if layer["encoding"].get("y", {}).get("field") == field
    ]


def rule_at(chart, text, field):
    """Where the line with that name stands."""
    found = [
        r[field] for _, _, v in rows(chart) for r in v if str(r.get("text", "")).startswith(text)
    ]
    assert found, text
    return found[0]


@pytest.fixture(scope="module")
def demo():
    import reliability as rl

    return rl.demo()


def test_flight_figure_shows_the_answer(demo):
    import reliability as rl

    a = rl.ask(rl.Flight(module="kite-01", shots=500, brief=True), demo)
    c = figures.flight_figure(a)
    for values in layers_of(c, "lower"):
        assert [r["lower"] for r in values] == list(a.curve.lower)
        assert [r["shots"] for r in values] == list(a.curve.shots)
    assert [r["estimate"] for r in layers_of(c, "estimate")[0]] == list(a.curve.estimate)
    assert rule_at(c, "promise", "shots") == a.promise.shots
    assert rule_at(c, "mission", "shots") == a.mission_shots
    assert rule_at(c, "90% wanted", "y") == a.promise.survival
    low = np.interp(a.promise.shots, a.curve.shots, a.curve.lower)
    assert low == pytest.approx(
        a.promise.survival, abs=0.01
    )  # the promise is where the bound meets it


def test_module_figure_shows_the_answer(demo):
    import reliability as rl

    a = rl.ask(rl.Module(builder=("kite",), confidence=0.8), demo)
    c = figures.module_figure(a)
    assert [r["lower"] for r in layers_of(c, "lower")[0]] == list(a.curve.lower)
    assert [r["estimate"] for r in layers_of(c, "estimate")[0]] == list(a.curve.estimate)
    assert [r["upper"] for r in layers_of(c, "lower")[0]] == list(a.curve.upper)
    assert rule_at(c, "at least", "shots") == a.life.lower
    assert rule_at(c, "estimate", "shots") == a.life.shots
    bars = figures.ends_figure([s.slot for s in a.slots], [s.ends_module for s in a.slots])
    shown = next(iter(rows(bars)))[2]
    assert [r["share"] for r in shown] == [s.ends_module for s in a.slots]
    twice = figures.ends_figure(["igniter", "igniter"], [0.2, 0.1])
    assert [r["slot"] for r in next(iter(rows(twice)))[2]] == ["igniter", "igniter (2)"]


def test_life_figures_show_the_answer(demo):
    import reliability as rl

    a = rl.ask(rl.Life(slot=("igniter",), bound="likelihood"), demo)
    c = figures.survival_figure(a)
    assert [r["lower"] for r in layers_of(c, "lower")[-1]] == list(a.curve.lower)
    steps = layers_of(c, "survival")[0]
    assert [r["survival"] for r in steps][1:] == [s.survival for s in a.empirical]
    p = figures.probability_figure(a)
    line = layers_of(p, "estimate")[0]
    want = [np.log(-np.log(s)) for s in a.curve.estimate]
    for r, w in zip(line, want, strict=True):
        assert r["estimate"] is None or r["estimate"] == pytest.approx(w)
    assert sum(r["estimate"] is not None for r in line) > 20


def test_derating_figures_show_the_answer(demo):
    import reliability as rl

    q = rl.Derate(
        slot=("main_capacitor",), part=("film-a",), stress=("charge_V:power",), shots=3000, bound="likelihood",
        impulse="0.65@1",
    )  # fmt: skip
    a = rl.ask(q, demo)
    c = figures.life_stress_figure(a)
    assert [r["lower"] for r in layers_of(c, "lower")[0]] == [p.lower for p in a.curve]
    assert rule_at(c, "allowed", "level") == a.allowed.level
    assert rule_at(c, "required", "shots") == a.shots
    t = figures.trade_figure(a)
    assert [r["impulse_Ns"] for r in layers_of(t, "impulse_Ns")[0]] == [
        p.impulse_Ns for p in a.curve
    ]
    r = figures.residual_figure(a)
    assert [v["residual"] for v in layers_of(r, "expected")[1]] == [x.residual for x in a.residuals]


def test_other_figures_show_their_answers(demo):
    import reliability as rl

    w = rl.ask(rl.Wear(builder=("kite",)), demo)
    assert rule_at(figures.paths_figure(w), "limit", "value") == w.limit_value
    left = next(iter(rows(figures.remaining_figure(w))))[2]
    assert [r["lower"] for r in left] == [u.lower for u in w.units if np.isfinite(u.estimate)][:25]
    m = rl.ask(rl.Misfires(), demo)
    count = layers_of(figures.mean_count_figure(m), "mean")[0]
    assert [r["mean"] for r in count] == [c.mean for c in m.curve]
    spark = layers_of(figures.ignition_figure(m.ignition), "chance")[0]
    assert [r["chance"] for r in spark] == [c.chance for c in m.ignition.curve]
    d = rl.ask(rl.Modes(slot=("main_capacitor",)), demo)
    inc = next(iter(rows(figures.incidence_figure(d))))[2]
    assert len(d.modes) > 1
    for m in d.modes:
        drawn = [r["share"] for r in inc if r["mode"] == m.mode.replace("_", " ")]
        assert drawn[1:] == list(m.shares)
    b = rl.ask(rl.Builders(slot=("main_capacitor",)), demo)
    forest = next(
        v
        for _, layer, v in rows(figures.forest_figure(b))
        if layer["encoding"]["x"]["field"] == "lower"
    )
    assert [r["lower"] for r in forest] == [x.lower for x in b.builders]
    infl = next(v for _, layer, v in rows(figures.influence_figure(b)) if "builder" in v[0])
    assert [r["shots"] for r in infl] == [x.without_shots for x in b.builders]
    pool = next(v for _, _, v in rows(figures.influence_figure(b)) if "builder" not in v[0])
    assert pool == [{"shots": b.pool_shots}]
    curves = next(iter(rows(figures.curves_figure(b))))[2]
    first = b.builders[0]
    assert [r["survival"] for r in curves if r["builder"] == first.builder][1:] == [
        s.survival for s in first.empirical
    ]
    p = rl.ask(rl.Demonstrate(demonstrate_shots=500, slot=("main_capacitor",)), demo)
    shown = next(v for mark, _, v in rows(figures.demonstration_figure(p)) if mark == "point")
    assert [r["pass_estimated"] for r in shown] == [x.pass_estimated for x in p.plans]


def test_slot_lanes_show_the_answer(demo):
    """Promise, mission and each slot's own bar stand where the answer has them; lives count from now."""
    import reliability as rl

    a = rl.ask(rl.Flight(module="kite-01", shots=500, brief=True), demo)
    c = figures.flight_slots_figure(a)
    assert rule_at(c, "promise", "shots") == a.promise.shots
    assert rule_at(c, "mission", "shots") == a.mission_shots
    bars = next(v for mark, _, v in rows(c) if mark == "bar")
    assert [(r["so_far"], r["promise"]) for r in bars] == [(s.so_far, s.promise) for s in a.by_slot]
    so_far = {s.slot.replace("_", " "): s.so_far for s in a.by_slot}
    seen = next(v for mark, _, v in rows(c) if mark == "point")
    assert seen and all(r["at"] == r["life"] - so_far[r["lane"]] for r in seen)
    m = rl.ask(rl.Module(builder=("kite",), use=("charge_V=1400",), at=(300,)), demo)
    c = figures.module_slots_figure(m)
    assert rule_at(c, "90 % last", "shots") == m.life.lower
    assert rule_at(c, "mission", "shots") == 300
