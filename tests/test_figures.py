"""Colours of charts and screens against published rules: WCAG 2.1 contrast, colour-vision deficiency."""

import functools
import itertools
import pkgutil
from importlib import import_module

import altair as alt
import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import reliability as rl
from reliability import figures as made_by
from reliability.figures.history import lane_name
from reliability.figures.style import log_ticks
from reliability.service import THEME
from reliability.words import percent_text, shots_text


class Watched:
    """The figures, each chart remembered by what made it."""

    def __init__(self):
        self.made, self.there, self.read = {}, {}, {}

    def __getattr__(self, name):
        found = getattr(made_by, name)
        return functools.partial(self._make, name, found) if name.endswith("_figure") else found

    def _make(self, name, function, *args, **settings):
        chart = function(*args, **settings)
        self.made[id(chart)] = (name, chart)
        return chart


figures = Watched()
WORDS = ("_text",)
"""layers of words alone, read where a number stands in them"""


class Layers(dict):
    """Layers of a chart by name; which are read is remembered."""

    def __init__(self, figure, found):
        super().__init__(found)
        self.figure = figure
        figures.there.setdefault(figure, set()).update(found)

    def __getitem__(self, name):
        figures.read.setdefault(self.figure, set()).add(name)
        return super().__getitem__(name)

    def get(self, name, other=None):
        """As of a dict, which would not ask ``__getitem__``."""
        return self[name] if name in self else other  # noqa: SIM401


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
    from dashboard.shared import LETTERS, PAPER

    assert (LETTERS[mode], PAPER[mode]) == (t["textColor"], t["backgroundColor"])


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


def layers(chart):
    """Layers of a chart by name: the rows drawn, and the field of each channel."""
    spec = chart.to_dict()
    found = {}
    for layer in spec.get("layer", [spec]):
        name = layer["name"]
        assert name not in found, f"two layers are called {name}"
        rows = spec["datasets"][layer.get("data", spec.get("data"))["name"]]
        fields = {k: v.get("field") for k, v in layer["encoding"].items() if isinstance(v, dict)}
        found[name] = (rows, fields)
    made, _ = figures.made.get(id(chart), ("parts of figures", chart))
    return Layers(made, found)


def drawn(found, name, channel="y"):
    """The values of a named layer on one channel."""
    rows, fields = found[name]
    return [r[fields[channel]] for r in rows]


def line_at(found, name):
    """Where a named line stands, whether upright or level, and its words."""
    rows, fields = found[name]
    (row,) = rows
    way = next(k for k in ("x", "y") if fields.get(k) == "at")
    return row["at"], {"x": "upright", "y": "level"}[way], found[f"{name}_text"][0][0]["text"]


@pytest.fixture(scope="module")
def demo():
    return rl.demo()


@pytest.fixture(scope="module")
def module(demo):
    return rl.ask(
        rl.Module(builder=("kite",), use=("charge_V=1400",), at=(300,), confidence=0.8), demo
    )


@pytest.fixture(scope="module")
def flight(demo):
    return rl.ask(rl.Flight(module="kite-01", shots=500, brief=True, survival=0.85), demo)


@pytest.fixture(scope="module")
def life(demo):
    q = rl.Life(slot=("igniter",), bound="likelihood", confidence=0.9, fraction=(0.2,))
    return rl.ask(q, demo)


@pytest.fixture(scope="module")
def derating(demo):
    q = rl.Derate(
        slot=("main_capacitor",), part=("film-a",), stress=("charge_V:power",), shots=3000, bound="likelihood", impulse="0.65@1"
    )  # fmt: skip
    return rl.ask(q, demo)


def test_flight_figure_shows_promise_mission_and_wanted_survival(flight):
    chart = figures.flight_figure(flight)
    found = layers(chart)
    assert line_at(found, "promise")[:2] == (flight.promise.shots, "upright")
    assert line_at(found, "mission") == (500, "upright", "mission 500")
    assert line_at(found, "wanted") == (0.85, "level", "85 % wanted")
    kept = len(found["lower"][0])
    assert drawn(found, "lower") == list(flight.curve.lower[:kept])
    assert drawn(found, "estimate") == list(flight.curve.estimate[:kept])
    assert drawn(found, "lower", "x") == list(flight.curve.shots[:kept])
    assert kept > 5
    # promise and bound agree in the picture
    low = np.interp(flight.promise.shots, drawn(found, "lower", "x"), drawn(found, "lower"))
    assert low == pytest.approx(0.85, abs=0.01)
    domain = chart.to_dict()["layer"][0]["encoding"]["y"]["scale"]["domain"]
    assert 0 <= domain[0] < min(0.85, *drawn(found, "lower"))


def test_module_figure_shows_the_answer(module):
    found = layers(figures.module_figure(module))
    assert drawn(found, "lower") == list(module.curve.lower)
    assert drawn(found, "estimate") == list(module.curve.estimate)
    assert drawn(found, "band", "y2") == list(module.curve.upper)
    assert line_at(found, "promise")[:2] == (module.life.lower, "upright")
    assert line_at(found, "median")[0] == module.life.shots
    assert line_at(found, "mission_0")[0] == 300
    assert line_at(found, "wanted")[:2] == (1 - module.life.fraction, "level")
    runs = [max(k.failed if np.isfinite(k.failed) else k.good for k in s.seen) for s in module.slots]  # fmt: skip
    assert found["outside"][0] and min(r["at"] for r in found["outside"][0]) >= min(runs) - 1e-6


def test_each_slot_has_a_bar_and_a_name_of_its_own():
    found = layers(figures.ends_figure(["main_capacitor", "igniter", "igniter"], [0.5, 0.2, 0.1]))
    assert [(r["slot"], r["share"]) for r in found["ends"][0]] == [
        ("main capacitor", 0.5), ("igniter", 0.2), ("igniter (2)", 0.1),
    ]  # fmt: skip
    found = layers(figures.ends_figure(["fuel"], [float("nan")]))
    assert found["ends_text"][0][0]["text"] == "not known"


def test_slot_lanes_show_the_answer(flight, module):
    """Promise, mission and each slot's own bar stand where the answer has them; lives count from now."""
    found = layers(figures.flight_slots_figure(flight))
    assert line_at(found, "promise")[0] == flight.promise.shots
    assert line_at(found, "mission")[0] == flight.mission_shots
    bars = found["alone"][0]
    assert [(r["so_far"], r["promise"]) for r in bars] == [(s.so_far, s.promise) for s in flight.by_slot]  # fmt: skip
    assert [-r["back"] for r in found["so_far"][0]] == [s.so_far for s in flight.by_slot]
    for bar, s in zip(bars, flight.by_slot, strict=True):
        run = max(min(k.failed, 1e99) if np.isfinite(k.failed) else k.good for k in s.seen) - s.so_far  # fmt: skip
        assert bar["tested"] == pytest.approx(min(s.promise, max(run, 0.0)))
        assert s.unit in bar["lane"]
    beyond = [(r["tested"], r["to"]) for r in found["alone_beyond"][0]]
    assert beyond == [(r["tested"], r["promise"]) for r in bars if r["promise"] > r["tested"]]
    assert line_at(found, "now")[0] == 0
    for words, s in zip(found["words"][0], flight.by_slot, strict=True):
        assert words["text"].endswith(f"{s.failed:g} of {s.n:g} failed")
        assert words["text"].startswith(f"ends {percent_text(s.ends_first)}; ")
    so_far = {r["lane"]: r["so_far"] for r in bars}
    seen = found["seen"][0]
    assert seen and all(r["at"] == r["life"] - so_far[r["lane"]] for r in seen)
    told = {(r["lane"], r["text"]) for name in ("before", "beyond") for r in found[name][0]}
    low, top = (found[name][0][0]["at"] for name in ("before", "beyond"))
    for bar, s in zip(bars, flight.by_slot, strict=True):
        lives = [k.failed if np.isfinite(k.failed) else k.good for k in s.seen]
        short, far = [x for x in lives if x - s.so_far < low], [x for x in lives if x - s.so_far > top]  # fmt: skip
        assert not short or (bar["lane"], f"◂ {len(short)} from {shots_text(min(short))}") in told
        assert not far or (bar["lane"], f"{len(far)} to {shots_text(max(far))} ▸") in told
    found = layers(figures.module_slots_figure(module))
    assert line_at(found, "promise")[0] == module.life.lower
    assert line_at(found, "mission")[0] == 300
    assert [r["to"] for r in found["alone"][0]] == [s.promise for s in module.slots]
    for words, s in zip(found["words"][0], module.slots, strict=True):
        assert words["text"] == f"ends {percent_text(s.ends_module)}; {s.failed:g} of {s.n:g} failed"  # fmt: skip
    lives = {k.failed if np.isfinite(k.failed) else k.good for s in module.slots for k in s.seen}
    assert found["seen"][0] and {r["at"] for r in found["seen"][0]} <= lives
    top = found["beyond"][0][0]["at"]
    for told, s in zip(found["beyond"][0], module.slots, strict=True):
        far = [
            x for x in (k.failed if np.isfinite(k.failed) else k.good for k in s.seen) if x > top
        ]
        assert told["text"] == f"{len(far)} to {shots_text(max(far))} ▸"
        assert told["lane"] == s.slot.replace("_", " ")


def test_life_curve_draws_bounds_promise_and_every_unit(life):
    found = layers(figures.survival_figure(life))
    assert drawn(found, "lower") == list(life.curve.lower)
    assert drawn(found, "estimate") == list(life.curve.estimate)
    assert drawn(found, "band", "y2") == list(life.curve.upper)
    longest = max(s.failed if np.isfinite(s.failed) else s.good for s in life.seen)
    assert all(r["at"] >= longest - 1e-6 for r in found["outside"][0])
    assert [r["survival"] for r in found["steps"][0]][1:] == [s.survival for s in life.empirical]
    assert line_at(found, "promise")[:2] == (life.quantiles[0].lower, "upright")
    assert line_at(found, "life")[0] == life.quantiles[0].shots
    assert line_at(found, "wanted") == (pytest.approx(0.8), "level", "80 % still good")
    assert drawn(found, "failed", "x") == [s.failed for s in life.seen if np.isfinite(s.failed)]
    assert drawn(found, "good", "x") == [s.good for s in life.seen if not np.isfinite(s.failed)]
    spans = [(s.good, s.failed) for s in life.seen if s.good < s.failed < np.inf]
    assert [(r["good"], r["at"]) for r in found.get("intervals", ([],))[0]] == spans


@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic", "exponential"])
def test_a_family_is_a_straight_line_on_its_own_paper(family, demo):
    """Definition of probability paper (Nelson 1982, ch. 3): the fitted line is straight in log shots."""
    a = rl.ask(rl.Life(slot=("igniter",), bound="wald", family=family), demo)
    rows = [
        r for r in layers(figures.probability_figure(a))["estimate"][0] if r["estimate"] is not None
    ]
    x, y = np.log([r["at"] for r in rows]), np.array([r["estimate"] for r in rows])
    slope, start = np.polyfit(x, y, 1)
    back = {
        "weibull": lambda v: np.exp(-np.exp(v)), "exponential": lambda v: np.exp(-np.exp(v)),
        "lognormal": lambda v: norm.sf(v), "loglogistic": lambda v: 1 / (1 + np.exp(v)),
    }[family]  # fmt: skip
    found = layers(figures.probability_figure(a))
    middle = (np.array([1.0, *(e.survival for e in a.empirical)][:-1]) + [e.survival for e in a.empirical]) / 2  # fmt: skip
    shown = [(r["at"], r["failed"], m) for r, m in zip(found["points"][0], middle, strict=True)]
    assert [at for at, *_ in shown] == [e.shots for e in a.empirical]
    assert all(back(v) == pytest.approx(m) for _, v, m in shown if v is not None)
    for name, edge in (("lower", a.curve.lower), ("band", a.curve.upper)):
        seen = [(v, m) for v, m in zip(drawn(found, name), edge, strict=True) if v is not None]
        frame = {min(v for v, _ in seen), max(v for v, _ in seen)}  # edges stop at the frame
        inside = [(v, m) for v, m in seen if v not in frame]
        assert len(inside) > 10 and all(back(v) == pytest.approx(m) for v, m in inside)
    assert found["family"][0][0]["text"] == family
    assert len(rows) > 20 and y == pytest.approx(slope * x + start, abs=1e-6)
    # a share that is drawn is the curve's own
    if family == "weibull":
        at = dict(zip(a.curve.shots, a.curve.estimate, strict=True))
        assert all(np.exp(-np.exp(r["estimate"])) == pytest.approx(at[r["at"]]) for r in rows)


def test_derating_figure_draws_allowed_and_required(derating):
    found = layers(figures.life_stress_figure(derating))
    assert drawn(found, "lower") == [p.lower for p in derating.curve]
    assert drawn(found, "estimate") == [p.shots for p in derating.curve]
    assert line_at(found, "allowed")[:2] == (derating.allowed.level, "upright")
    assert line_at(found, "required") == (3000, "level", "required 3,000")
    # the bound meets what is required at the allowed level: all three cross in the picture
    x, y = np.array(drawn(found, "lower", "x")), np.log(drawn(found, "lower"))
    order = np.argsort(x)
    assert np.exp(np.interp(derating.allowed.level, x[order], y[order])) == pytest.approx(3000, rel=0.03)  # fmt: skip
    assert len(found["failed"][0]) == sum(np.isfinite(s.failed) for s in derating.seen)
    assert drawn(found, "good") == [s.good for s in derating.seen if not np.isfinite(s.failed)]
    spans = [(s.level, max(s.good, 0.1 * s.failed), s.failed) for s in derating.seen if s.good < s.failed < np.inf]  # fmt: skip
    assert spans and [(r["at"], r["good"], r["failed"]) for r in found["intervals"][0]] == spans
    low, high = derating.tested
    strokes = found["outside"][0]
    assert strokes and all(r["end"] <= low + 1e-9 or r["at"] >= high - 1e-9 for r in strokes)


def test_mission_figure_draws_needed_promised_and_where_they_meet(demo):
    q = rl.DerateMission(
        slot=("main_capacitor",), part=("film-a",), total_impulse=0.001, impulse="0.65@1^1.2+-10%", parallel=2, series=1
    )  # fmt: skip
    a = rl.ask(q, demo)
    found = layers(figures.mission_figure(a))
    assert drawn(found, "promised", "x") == [p.charge_V for p in a.curve]
    assert drawn(found, "promised") == [p.promised for p in a.curve]
    assert drawn(found, "needed_most") == [p.needed_most for p in a.curve]
    assert drawn(found, "needed") == [p.needed for p in a.curve]
    assert drawn(found, "needed", "y2") == [p.needed_most for p in a.curve]
    assert (drawn(found, "best", "x"), drawn(found, "best")) == ([a.best.charge_V], [a.best.promised])  # fmt: skip
    assert found["best_text"][0][0]["text"] == f"largest margin, {a.best.margin:.2g} times"
    # where they meet, the promise is what is needed at most; a bank that is not drawn has no mark
    (meet,) = [b.highest for b in a.banks if b.highest and b.highest.bank == a.best.bank]
    assert (drawn(found, "meet", "x"), drawn(found, "meet")) == ([meet.charge_V], [meet.promised])
    assert meet.promised == pytest.approx(meet.needed_most, rel=0.03)
    strokes, (low, high) = found["outside"][0], a.tested
    assert strokes and all(r["end"] <= low + 1e-9 or r["at"] >= high - 1e-9 for r in strokes)


def test_where_no_plan_passes_the_nearest_is_called_so(demo):
    q = rl.DerateMission(
        slot=("main_capacitor",), part=("film-a",), total_impulse=1.0, impulse="0.65@1^1.2+-10%", parallel=2, series=1
    )  # fmt: skip
    a = rl.ask(q, demo)
    assert not a.answered
    text = layers(figures.mission_figure(a))["best_text"][0][0]["text"]
    assert text == f"nearest, meets {100 * a.best.margin:.2g} %" and a.best.margin < 1


def test_trade_and_residuals_draw_the_answer(derating):
    found = layers(figures.trade_figure(derating))
    assert drawn(found, "impulse") == [p.impulse_Ns for p in derating.curve]
    assert drawn(found, "best") == [derating.best_total.impulse_Ns]
    low, high = derating.tested
    strokes = found["outside"][0]
    assert strokes and all(r["end"] <= low + 1e-9 or r["at"] >= high - 1e-9 for r in strokes)
    found = layers(figures.residual_figure(derating))
    assert drawn(found, "residuals", "x") == [r.residual for r in derating.residuals]
    assert drawn(found, "residuals") == [r.expected for r in derating.residuals]
    ends = [f(r.residual for r in derating.residuals) for f in (min, max)]
    assert drawn(found, "model", "x") == drawn(found, "model") == ends  # residual as expected


def test_wear_figures_draw_limit_and_bounds(demo):
    a = rl.ask(rl.Wear(builder=("kite",)), demo)
    found = layers(figures.paths_figure(a))
    assert a.limit.relative and line_at(found, "limit")[:2] == (a.limit.value, "level")
    start = {p.unit: p.value for p in a.paths if p.shots == 0}
    assert drawn(found, "readings") == pytest.approx([r.value / start[r.unit] for r in a.readings])
    assert drawn(found, "paths") == pytest.approx([p.value / start[p.unit] for p in a.paths])
    assert [r["reach"] == "ahead" for r in found["paths"][0]] == [p.ahead for p in a.paths]
    found = layers(figures.remaining_figure(a))
    kept = [u for u in a.units if np.isfinite(u.estimate)][:12]
    assert drawn(found, "at_least", "x") == [u.lower for u in kept]
    assert drawn(found, "estimate", "x") == [u.estimate for u in kept]
    assert drawn(found, "left", "x") == [u.lower for u in kept]
    assert drawn(found, "left", "x2") == [u.estimate for u in kept]
    a = rl.ask(rl.Wear(builder=("kite",), limit=0.7), demo)
    found = layers(figures.paths_figure(a))
    assert line_at(found, "limit")[0] == 0.7
    assert drawn(found, "readings") == [r.value for r in a.readings]


def test_misfire_figures_draw_their_limits(demo):
    a = rl.ask(rl.Misfires(), demo)
    found = layers(figures.mean_count_figure(a))
    assert drawn(found, "mean") == [c.mean for c in a.curve]
    assert drawn(found, "band") == [c.lower for c in a.curve]
    assert drawn(found, "band", "y2") == [c.upper for c in a.curve]
    found = layers(figures.ignition_figure(a.ignition))
    assert drawn(found, "chance") == [c.chance for c in a.ignition.curve]
    assert drawn(found, "band") == [c.lower for c in a.ignition.curve]


def test_incidence_figure_draws_each_mode(demo):
    a = rl.ask(rl.Modes(slot=("main_capacitor",)), demo)
    found = layers(figures.incidence_figure(a))
    assert len(a.modes) > 1
    for i, mode in enumerate(m for m in a.modes if m.shares):
        assert drawn(found, f"mode_{i}")[1:] == list(mode.shares)
        assert drawn(found, f"mode_{i}", "x")[1:] == list(a.at)
        assert mode.mode.replace("_", " ") in found[f"mode_{i}_text"][0][0]["text"]


def test_builder_figures_draw_the_comparison(demo):
    a = rl.ask(rl.Builders(slot=("main_capacitor",)), demo)
    found = layers(figures.forest_figure(a))
    assert drawn(found, "bounds", "x") == [b.lower for b in a.builders]
    assert drawn(found, "bounds", "x2") == [b.upper for b in a.builders]
    assert drawn(found, "shrunken", "x") == [b.ratio for b in a.builders]
    assert line_at(found, "pool")[0] == 1
    alone = [b.raw_ratio if np.isfinite(b.raw_ratio) and b.raw_ratio > 0 else None for b in a.builders]  # fmt: skip
    assert drawn(found, "alone", "x") == alone and any(alone)
    found = layers(figures.influence_figure(a))
    assert line_at(found, "pool")[0] == a.pool_shots
    assert drawn(found, "without", "x") == [b.without_shots for b in a.builders]
    found = layers(figures.curves_figure(a))
    for i, b in enumerate(b for b in a.builders if b.empirical):
        assert drawn(found, f"builder_{i}")[1:] == [s.survival for s in b.empirical]
        assert found[f"builder_{i}_text"][0][0]["text"] == b.builder


def test_comparison_figures_draw_ratio_and_sides(demo):
    q = rl.Compare(slot=("main_capacitor",), first="film-a", second="ceramic-b")
    a = rl.ask(q, demo)
    found = layers(figures.ratio_figure(a))
    r = a.ordered
    assert line_at(found, "same")[0] == 1
    assert r.estimate > 1 and a.sentence.startswith(f"{r.longer} lives {r.estimate:.2f} times")
    assert drawn(found, "ratio", "x") == [r.estimate]
    assert (drawn(found, "bounds", "x"), drawn(found, "bounds", "x2")) == ([r.lower], [r.upper])
    found = layers(figures.sides_figure(a))
    for i, side in enumerate((a.first, a.second)):
        assert drawn(found, f"side_{i}")[1:] == [s.survival for s in side.empirical]
        assert found[f"side_{i}_text"][0][0]["text"].startswith(side.name)


@pytest.mark.parametrize(
    "two", [{"by": "voltage", "first": "1200", "second": "1500"}, {"by": "pool", "first": "kite", "second": "all"}]
)  # fmt: skip
def test_voltages_and_pools_are_drawn_with_model_and_promises(demo, two):
    a = rl.ask(rl.Compare(slot=("main_capacitor",), **two), demo)
    found = layers(figures.ratio_figure(a))
    r = a.ordered
    assert (drawn(found, "bounds", "x"), drawn(found, "bounds", "x2")) == ([r.lower], [r.upper])
    found = layers(figures.sides_figure(a))
    for i, side in enumerate((a.first, a.second)):
        assert drawn(found, f"side_{i}")[1:] == [s.survival for s in side.empirical]
        assert drawn(found, f"estimate_{i}") == list(side.curve.estimate)
        assert drawn(found, f"lower_{i}") == list(side.curve.lower)
        assert drawn(found, f"lower_{i}", "x") == list(side.curve.shots)
        at = line_at(found, f"promise_{i}")[0]
        assert at == side.lower and side.name in found[f"promise_{i}_text"][0][0]["text"]
    assert line_at(found, "wanted")[0] == 1 - a.fraction


def test_the_next_test_is_drawn_as_answered(demo):
    a = rl.ask(rl.NextTest(use=("charge_V=1400",)), demo)
    found = layers(figures.next_test_figure(a))
    assert drawn(found, "tests") == [t.promise for t in a.tests]
    assert drawn(found, "tests", "x") == [t.days for t in a.tests]
    assert drawn(found, "best") == [a.best.promise]
    assert line_at(found, "now") == (a.promise_now, "level", "promised now")


def test_plan_figures_mark_the_recommended_plan(demo):
    q = rl.Demonstrate(demonstrate_shots=300, slot=("main_capacitor",), use=("charge_V=1200",))
    a = rl.ask(q, demo)
    found = layers(figures.demonstration_figure(a))
    assert drawn(found, "plans") == [p.pass_estimated for p in a.plans]
    assert drawn(found, "pass_range") == [p.pass_pessimistic for p in a.plans]
    assert drawn(found, "pass_range", "y2") == [p.pass_optimistic for p in a.plans]
    assert drawn(found, "best") == [a.pass_estimated]
    assert drawn(found, "best", "x") == [a.best.bench_days]
    assert ("recommended" in found["best_text"][0][0]["text"]) == a.recommended
    assert a.recommended and line_at(found, "even") == (0.5, "level", "passes as often as not")
    a = rl.ask(rl.Narrow(within_factor=3, slot=("main_capacitor",), where=("charge_V=1400",)), demo)
    found = layers(figures.learning_figure(a))
    assert drawn(found, "best") == [a.best.factor]
    assert drawn(found, "plans") == [p.factor for p in a.plans if np.isfinite(p.factor)]


@pytest.mark.parametrize(("low", "high"), [(90, 12000), (0.6, 1.4), (1e-4, 3e-3), (5, 9e7), (1000, 1500)])  # fmt: skip
def test_log_ticks_are_sensible(low, high):
    """Steps of 1, 2 and 5 (common practice, no source), in order, within the axis, at least two."""
    ticks = log_ticks(low, high)
    assert 2 <= len(ticks) <= 12 and ticks == sorted(set(ticks))
    assert low * 0.99 <= ticks[0] and ticks[-1] <= high * 1.01
    if 10 <= high / low <= 1e4:
        assert {f"{t:e}"[0] for t in ticks} <= {"1", "2", "5"}


def test_hatching_stays_in_its_span_and_frame():
    from reliability.figures.style import Frame, _strokes

    strokes = _strokes(Frame((0.0, 100.0), (1.0, 1000.0), log=True), 40.0, 60.0)
    assert len(strokes) > 5
    for s in strokes:
        assert 40 <= s["at"] <= s["end"] <= 60 and 1 <= s["y"] <= s["top"] <= 1000.0000001


def test_charts_can_be_saved(life):
    chart = figures.survival_figure(life)
    assert figures.to_svg(chart).startswith("<svg")
    assert figures.to_png(chart).startswith(b"\x89PNG")


def test_history_figure_draws_every_stretch_end_reading_and_misfire(demo):
    history = rl.ask(rl.History(builder=("lynx",), most=100), demo)
    picked = history.stretches[0].label
    found = layers(figures.history_figure(history, picked))
    stretches = [(lane_name(s), s.begin, s.end) for s in history.stretches]
    assert [(r["lane"], r["begin"], r["end"]) for r in found["stretches"][0]] == stretches
    ended = [s for s in history.stretches if s.ends != "goes on"]
    assert [(r["at"], r["ends"]) for r in found["ends"][0]] == [
        (s.found if np.isfinite(s.found) else s.end, s.ends) for s in ended
    ]
    late = [(s.end, s.found) for s in history.stretches if s.found > s.end]
    assert late and [(r["end"], r["found"]) for r in found["found"][0]] == late
    assert [(r["at"], r["value"]) for r in found["readings"][0]] == [(r.at, r.value) for r in history.readings]  # fmt: skip
    assert drawn(found, "misfires", "x") == [m.at for m in history.misfires]
    own = [(s.begin, s.end) for s in history.stretches if s.label == picked]
    assert [(r["begin"], r["end"]) for r in found["picked"][0]] == own


def test_place_figure_draws_the_units_own_curve(demo):
    history = rl.ask(rl.History(unit="kite/kite-03/main_capacitor/mai3"), demo)
    u = history.unit
    found = layers(figures.place_figure(history))
    assert drawn(found, "curve")[1:-1] == [s.survival for s in u.curve]
    assert drawn(found, "lower")[1:-1] == [
        s.lower if np.isfinite(s.lower) else None for s in u.curve
    ]
    assert drawn(found, "curve", "x")[1:-1] == [s.shots for s in u.curve]
    assert (drawn(found, "unit", "x"), drawn(found, "unit")) == ([u.shots], [u.survival])


def test_words_on_charts_have_the_page_around_them():
    """Each layer of words is drawn twice and last: first in the colour of the page, with a broad edge; nothing else is."""
    from dashboard.shared import haloed

    line = {"name": "line", "mark": {"type": "rule"}, "encoding": {"x": {"field": "at"}}}
    words = {"name": "words", "mark": {"type": "text", "dx": 4}, "encoding": {"x": {"field": "at"}, "color": {"value": "red"}}}  # fmt: skip
    found = haloed({"layer": [words, line]}, "#ffffff")["layer"]
    assert [one["name"] for one in found] == ["line", "words_halo", "words"]
    assert found[1]["mark"] == {"type": "text", "dx": 4, "fill": "#ffffff", "stroke": "#ffffff", "strokeWidth": 4, "strokeJoin": "round"}  # fmt: skip
    assert found[1]["encoding"] == {"x": {"field": "at"}} and found[2] == words


def test_words_of_the_lower_bound_leave_the_promise_clear():
    """Whatever the promise, its upright line does not cross the words beside the lower bound (7 pixels a letter, 480 wide)."""
    from reliability.figures.style import curve_tags, share_y, shots_x

    shots = list(range(0, 1001, 25))
    frame = pd.DataFrame({"shots": shots, "estimate": [1 - s / 1200 for s in shots], "lower": [1 - s / 1000 for s in shots]})  # fmt: skip
    for promise in (50.0, 350.0, 500.0, 640.0):
        row = layers(alt.layer(*curve_tags(frame, shots_x("at"), share_y("y"), 0.95, promise=promise)))["lower_text"][0][0]  # fmt: skip
        width = 7 / 480 * len(row["text"]) * 1000
        assert not row["at"] - width < promise < row["at"]
        assert row["at"] - width >= 0  # not over the scale at the left


def test_words_on_a_bar_are_not_hidden_by_the_page_around_them():
    """White words on a dark bar with a white edge around them cannot be read: the lanes' voltages have none."""
    from dashboard.shared import haloed

    r = rl.LifeRecords.of(
        [4000, 3000], [np.inf, 3500], module=["m1", "m2"], slot=["main_capacitor"] * 2,
        covariates={"charge_V": np.array([1300.0, 1500.0])},
    )  # fmt: skip
    shown = haloed(
        figures.spec(figures.history_figure(rl.ask(rl.History(), rl.Pool(r)))), "#ffffff"
    )
    names = [one.get("name", "") for one in shown["layer"]]
    assert "volts_text" in names and "volts_text_halo" not in names


def test_every_layer_of_every_figure_is_read_by_value(request):
    """The last of this file: figures and layers are found, not listed, so that a new one without a test fails."""
    run = {i.originalname for i in request.session.items if i.path == request.path}
    if run != {name for name in globals() if name.startswith("test_")}:
        pytest.skip("only some of this file's tests were asked for")
    names = {
        name
        for module in pkgutil.iter_modules(made_by.__path__)
        for name in vars(import_module(f"reliability.figures.{module.name}"))
        if name.endswith("_figure") and not name.startswith("_")
    }
    assert names == {n for n in made_by.__all__ if n.endswith("_figure")}
    assert not names - set(figures.there), "no test makes it"
    unread = {
        n: {k for k in figures.there[n] - figures.read.get(n, set()) if not k.endswith(WORDS)}
        for n in names
    }
    unread = {n: v for n, v in unread.items() if v}
    assert not unread, str(unread)
