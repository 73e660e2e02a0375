"""Histories: each module's slots as lanes over shots, and one unit's place on its curve."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import HistoryAnswer
from reliability.figures.style import (
    BOUND_DASH,
    CLAY,
    INK,
    MOSS,
    PLUM,
    STONE,
    Tag,
    along,
    named,
    names_y,
    share_y,
    shots_x,
    style,
    tag,
)
from reliability.words import shots_text, volts_text

ROW = 22
"""pixels of a lane"""
FRAME = 130
"""pixels of axis and legend, which a chart's height holds"""
COOL, MIDDLE, WARM = (46, 110, 180), (150, 150, 140), (226, 178, 58)
"""lowest, middle and highest voltage: told apart by the colour blind, and by lightness"""
ENDS = {
    "failed": "cross", "suspect": "diamond", "looked bad": "square", "withdrawn": "circle", "still good": "triangle-right",
}  # fmt: skip


COLOURS = {
    "failed": CLAY, "suspect": CLAY, "looked bad": PLUM, "withdrawn": PLUM, "still good": MOSS,
}  # fmt: skip


def volts_colour(volts: float, known: Sequence[float]) -> str:
    """Colour of a voltage among those known, from blue (lowest) to gold (highest)."""
    low, high = min(known), max(known)
    at = 0.0 if high == low else (volts - low) / (high - low)
    a, b, part = (COOL, MIDDLE, 2 * at) if at < 0.5 else (MIDDLE, WARM, 2 * at - 1)
    return "#" + "".join(f"{round(x + part * (y - x)):02x}" for x, y in zip(a, b, strict=True))


def _ink_on(colour: str) -> str:
    """Black or white, whichever stands out more from a colour (by luminance, WCAG 2.1)."""
    channel = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channel]
    light = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return "#111518" if light > 0.18 else "#ffffff"


def lane_name(s: Any) -> str:
    """A lane's name: module, slot, and which of several units side by side."""
    side = f" ({s.track + 1})" if s.track else ""
    return f"{s.module}  {s.slot.replace('_', ' ')}{side}"


def _rows(a: HistoryAnswer) -> pd.DataFrame:
    known = sorted({s.charge_V for s in a.stretches if s.charge_V == s.charge_V})
    top = max(s.last for s in a.stretches)
    rows = []
    for s in a.stretches:
        volts = s.charge_V == s.charge_V
        colour = volts_colour(s.charge_V, known) if volts else STONE
        name = volts_text(s.charge_V) if volts else ""
        if s.count > 1:
            name = f"{s.count:g} units {name}".strip()
        room = (s.end - s.begin) / top if top > 0 else 0.0
        rows.append(
            {
                "lane": lane_name(s), "begin": s.begin, "end": s.end, "found": s.found, "unit": s.unit or "no name", "label": s.label,
                "part": s.part, "voltage": volts_text(s.charge_V) if volts else "not recorded", "from_shots": s.shots_from,
                "good": s.shots_good, "ends": s.ends, "mode": s.mode or s.event, "colour": colour, "ink": _ink_on(colour),
                "text": name if room > 0.011 * len(name) else "", "middle": 0.5 * (s.begin + s.end),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def _tips() -> list[Any]:
    return [
        "unit", "part", "voltage", alt.Tooltip("from_shots:Q", format=",.0f", title="from (unit's shots)"),
        alt.Tooltip("good:Q", format=",.0f", title="good at"), "ends", alt.Tooltip("mode", title="mode or event"),
    ]  # fmt: skip


def history_figure(a: HistoryAnswer, picked: str = "") -> Any:
    """The lanes: stretches coloured and labelled by voltage, how each unit ended, readings, misfires.

    ``picked`` is the label of a unit to outline. A click on a stretch picks its unit (selection ``unit``).
    """
    frame = _rows(a)
    lanes = list(dict.fromkeys(frame.lane.tolist()))
    y = names_y("lane", lanes, 300)
    x = shots_x("begin", "shots on the module", top=1.04 * float(max(s.last for s in a.stretches)))
    click = alt.selection_point(name="unit", fields=["label"], on="click", empty=False)
    bars = (
        named("stretches", frame)
        .mark_bar(height=14, stroke=STONE, strokeWidth=1, cursor="pointer")
        .encode(
            x=x,
            x2="end:Q",
            y=y,
            color=alt.Color("colour:N", scale=None),
            tooltip=_tips(),
            fillOpacity=alt.condition(
                "datum.voltage == 'not recorded'", alt.value(0.25), alt.value(1.0)
            ),
        )
        .add_params(click)
    )
    layers: list[Any] = [bars]
    spans = frame[(frame.found > frame.end)]
    if len(spans):
        rule = named("found", spans).mark_rule(color=CLAY, strokeWidth=2, strokeDash=[2, 2])
        layers.append(rule.encode(x=alt.X("end:Q"), x2="found:Q", y=y, tooltip=_tips()))
    written = frame[frame.text != ""]
    if len(written):
        words = named("volts_text", written).mark_text(fontSize=11)
        layers.append(words.encode(x=alt.X("middle:Q"), y=y, text="text:N", color=alt.Color("ink:N", scale=None)))  # fmt: skip
    chosen = frame[(frame.label == picked) & (frame.label != "")]
    if len(chosen):
        outline = named("picked", chosen).mark_bar(
            height=18, filled=False, stroke=INK, strokeWidth=2.5
        )
        layers.append(outline.encode(x=x, x2="end:Q", y=y))
    layers += _events(a, y)
    layers.append(_ends(frame, y))
    return style(alt.layer(*layers), height=ROW * len(lanes) + FRAME)


def _ends(frame: pd.DataFrame, y: Any) -> Any:
    """How each unit ended, by shape and colour."""
    last = frame[frame.ends != "goes on"].copy()
    last["at"] = last.found.where(last.found.notna(), last.end)
    there = [k for k in ENDS if (last.ends == k).any()]
    colours = [COLOURS[k] for k in there]
    return (
        named("ends", last)
        .mark_point(size=90, filled=True, opacity=1)
        .encode(
            x=alt.X("at:Q"), y=y, tooltip=_tips(),
            shape=alt.Shape("ends:N", scale=alt.Scale(domain=there, range=[ENDS[k] for k in there]),
                            legend=alt.Legend(title=None, symbolFillColor=STONE, symbolStrokeWidth=0, symbolSize=110)),
            color=alt.Color("ends:N", scale=alt.Scale(domain=there, range=colours), legend=None),
            stroke=alt.value("#ffffff"), strokeWidth=alt.value(0.8),
        )
    )  # fmt: skip


def _events(a: HistoryAnswer, y: Any) -> list[Any]:
    """Readings as dots at the lane's foot, misfires as ticks at its top."""
    out = []
    if a.readings:
        frame = pd.DataFrame(
            [{"lane": lane_name(r), "at": r.at, "quantity": r.quantity, "value": r.value, "shots": r.shots} for r in a.readings]
        )  # fmt: skip
        tips = ["quantity", alt.Tooltip("value:Q", format=".4g"), alt.Tooltip("shots:Q", format=",.0f")]  # fmt: skip
        dots = named("readings", frame).mark_point(
            size=14, filled=True, color=INK, opacity=1, yOffset=9
        )
        out.append(dots.encode(x=alt.X("at:Q"), y=y, tooltip=tips))
    if a.misfires:
        frame = pd.DataFrame([{"lane": lane_name(m), "at": m.at, "shots": m.shots} for m in a.misfires])  # fmt: skip
        ticks = named("misfires", frame).mark_tick(
            color=PLUM, thickness=2, size=8, yOffset=-9, opacity=1
        )
        tips = [alt.Tooltip("shots:Q", format=",.0f", title="misfire at")]
        out.append(ticks.encode(x=alt.X("at:Q"), y=y, tooltip=tips))
    return out


def place_figure(a: HistoryAnswer) -> Any:
    """Share of units like the one asked for that are still good, and its place among them; None without a curve."""
    u = a.unit
    if u is None or not u.curve:
        return None
    rows = [{"shots": 0.0, "survival": 1.0, "lower": None}]
    rows += [{"shots": s.shots, "survival": s.survival, "lower": s.lower} for s in u.curve]
    top = 1.08 * max(u.shots, u.curve[-1].shots)
    rows.append({**rows[-1], "shots": top})
    x, y = shots_x("shots", "shots on the unit", top=top), share_y("y")
    here = named("unit", [{"shots": u.shots, "survival": u.survival}])
    step = {"interpolate": "step-after"}
    text = f"{u.ends} at {shots_text(u.shots)}"
    layers = [
        named("curve", rows).mark_line(color=STONE, strokeWidth=2.5, **step).encode(x=x, y=along(y, "survival")),
        named("lower", rows).mark_line(color=CLAY, strokeWidth=1.8, strokeDash=list(BOUND_DASH), **step).encode(x=x, y=along(y, "lower")),
        here.mark_point(size=150, filled=True, color=INK, opacity=1, shape="diamond").encode(x=x, y=along(y, "survival")),
        tag(Tag("unit_text", text, u.shots, u.survival, u.shots > 0.6 * top, -14), x, y),
    ]  # fmt: skip
    return style(alt.layer(*layers), height=260)
