"""A module's slots as lanes on one axis of shots: so far, what can be promised, the lives seen of such parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import pandas as pd

from reliability.ask.answers import FlightAnswer, ModuleAnswer
from reliability.figures.style import CLAY, INK, MOSS, PLUM, STONE, style
from reliability.words import percent_text, shots_text

ROW = 46
"""pixels of a lane"""
FRAME = 92
"""pixels of axis, labels above it and legend"""
MOST_SEEN = 250
"""lives drawn in one lane"""


@dataclass(frozen=True)
class Lane:
    """One slot: shots on it (0 for a design), the promise of it alone, how likely it ends the module, lives seen.

    ``volts`` is the voltage that it is promised at, nan where none matters.
    """

    name: str
    so_far: float
    promise: float
    ends: float
    n: float
    failed: float
    volts: float
    seen: Sequence[Any]


@dataclass(frozen=True)
class Line:
    """An upright line across all lanes."""

    at: float
    text: str
    colour: str
    dash: tuple[int, ...] = (1, 0)


def flight_lanes(a: FlightAnswer) -> tuple[Lane, ...]:
    """Lanes of a module that has been run, most likely end first."""
    return tuple(
        Lane(_name(s.slot, [x.slot for x in a.by_slot], i), s.so_far, s.promise, s.ends_first, s.n, s.failed, s.use_V, s.seen)
        for i, s in enumerate(a.by_slot)
    )  # fmt: skip


def module_lanes(a: ModuleAnswer) -> tuple[Lane, ...]:
    """Lanes of a design, most likely end first."""
    volts = float(a.at.get("charge_V", math.nan))
    return tuple(
        Lane(s.slot.replace("_", " "), 0.0, s.promise, s.ends_module, s.n, s.failed, volts, s.seen)
        for s in a.slots
    )


def _name(slot: str, all_slots: Sequence[str], i: int) -> str:
    """A lane's name; two parts in one slot are numbered."""
    before = list(all_slots[:i]).count(slot)
    text = slot.replace("_", " ")
    return f"{text} ({before + 1})" if all_slots.count(slot) > 1 else text


def flight_slots_figure(a: FlightAnswer) -> Any:
    """Lanes of a module with shots on it, counted from now; promise and mission across them."""
    lines = [
        Line(a.promise.shots, f"promise {shots_text(a.promise.shots)}", CLAY),
        Line(a.mission_shots, f"mission {shots_text(a.mission_shots)}", PLUM, (4, 3)),
        Line(0.0, "now", STONE),
    ]
    return _figure(flight_lanes(a), lines, "shots from now")


def module_slots_figure(a: ModuleAnswer) -> Any:
    """Lanes of a design; the life promised, and the mission where one is asked for."""
    keep = percent_text(1 - a.life.fraction)
    lines = [Line(a.life.lower, f"{keep} last {shots_text(a.life.lower)}", CLAY)]
    lines += [Line(s.shots, f"mission {shots_text(s.shots)}", PLUM, (4, 3)) for s in a.survival[:1]]
    return _figure(module_lanes(a), lines, "shots on the module")


def _figure(lanes: Sequence[Lane], lines: Sequence[Line], title: str) -> Any:
    at = [line.at for line in lines if math.isfinite(line.at)]
    lows = [s.failed for k in lanes[:1] for s in k.seen if math.isfinite(s.failed)]
    middle = sorted(lows)[len(lows) // 2] - lanes[0].so_far if lows else 0.0
    top = 1.3 * max([*at, min(middle, 4 * max(at)), 1.0])
    # of a long past no more than the time to come, so that what matters is not squeezed
    low = -min(1.04 * max([k.so_far for k in lanes], default=0.0), top)
    axis = alt.Axis(title=title, format=",.0f", tickCount=6)
    x = alt.X("from:Q", axis=axis, scale=alt.Scale(domain=[low, top], nice=False))
    names = [k.name for k in lanes]
    y = alt.Y("lane:N", sort=names, title=None, axis=alt.Axis(labelLimit=200, labelOverlap=False, ticks=False))  # fmt: skip
    layers = [*_bars(lanes, x, y), *_seen(lanes, (low, top), y), _words(lanes, y)]
    shown = sorted((n for n in lines if math.isfinite(n.at)), key=lambda n: n.at)
    for row, line in enumerate(shown):
        layers += _upright(line, row % 2, line.at > 0.75 * top)
    return style(alt.layer(*layers), height=ROW * len(lanes) + FRAME)


def _bars(lanes: Sequence[Lane], x: Any, y: Any) -> list[Any]:
    """Shots so far, and what the slot alone could be promised for."""
    rows = [
        {"lane": k.name, "from": 0.0, "to": k.promise, "back": -k.so_far, "so_far": k.so_far, "promise": k.promise}
        for k in lanes
    ]  # fmt: skip
    tips = [
        "lane", alt.Tooltip("so_far:Q", format=",.0f", title="shots so far"),
        alt.Tooltip("promise:Q", format=",.0f", title="this slot alone lasts at least"),
    ]  # fmt: skip
    base = alt.Chart(pd.DataFrame(rows))
    alone = base.mark_bar(
        height=14, yOffset=-8, fill=CLAY, fillOpacity=0.22, stroke=CLAY, clip=True
    )
    out = [alone.encode(x=x, x2="to:Q", y=y, tooltip=tips)]
    if any(k.so_far for k in lanes):
        so_far = base.mark_bar(height=14, yOffset=-8, fill=INK, clip=True)
        out.append(so_far.encode(x=alt.X("back:Q"), x2="from:Q", y=y, tooltip=tips))
    return out


def _seen(lanes: Sequence[Lane], frame: tuple[float, float], y: Any) -> list[Any]:
    """Lives seen of such parts, below the bar: at the voltage promised for, or (pale) at another."""
    rows = []
    for k in lanes:
        step = max(1, math.ceil(len(k.seen) / MOST_SEEN))
        for s in list(k.seen)[::step]:
            dead = math.isfinite(s.failed)
            life = s.failed if dead else s.good
            other = s.level == s.level and k.volts == k.volts and abs(s.level / k.volts - 1) > 0.01
            rows.append(
                {
                    "lane": k.name, "at": life - k.so_far, "life": life, "state": "failed" if dead else "still good",
                    "voltage": f"{s.level:,.0f} V" if s.level == s.level else "", "pale": 0.35 if other else 1.0,
                }
            )  # fmt: skip
    here = [r for r in rows if frame[0] <= r["at"] <= frame[1]]
    domain = ["failed", "still good"]
    marks = alt.Chart(
        pd.DataFrame(here or rows[:0], columns=["lane", "at", "life", "state", "voltage", "pale"])
    )
    return [
        marks.mark_point(size=46, strokeWidth=1.5, yOffset=9).encode(
            x=alt.X("at:Q"), y=y, opacity=alt.Opacity("pale:Q", scale=None),
            shape=alt.Shape("state:N", scale=alt.Scale(domain=domain, range=["cross", "circle"]),
                            legend=alt.Legend(title="lives seen of such parts")),
            stroke=alt.Stroke("state:N", scale=alt.Scale(domain=domain, range=[CLAY, MOSS]), legend=None),
            fill=alt.Fill("state:N", scale=alt.Scale(domain=domain, range=[CLAY, "transparent"]), legend=None),
            tooltip=["lane", "state", alt.Tooltip("life:Q", format=",.0f", title="shots on that unit"), "voltage"],
        )
    ]  # fmt: skip


def _words(lanes: Sequence[Lane], y: Any) -> Any:
    """At the right of each lane: how likely it ends the module, and on how much that rests."""
    rows = [
        {"lane": k.name, "text": (f"ends {percent_text(k.ends)}; " if k.ends == k.ends else "") + f"{k.failed:g} of {k.n:g} failed"}
        for k in lanes
    ]  # fmt: skip
    words = alt.Chart(pd.DataFrame(rows)).mark_text(align="left", dx=8, fontSize=12)
    return words.encode(x=alt.value("width"), y=y, text="text:N")


def _upright(line: Line, row: int, left: bool) -> list[Any]:
    """A line across the lanes, its name above them."""
    frame = pd.DataFrame([{"shots": line.at, "text": line.text}])
    base = alt.Chart(frame).encode(x=alt.X("shots:Q"))
    return [
        base.mark_rule(color=line.colour, strokeDash=list(line.dash), strokeWidth=2),
        base.mark_text(align="right" if left else "left", dx=-4 if left else 4, baseline="bottom", fontSize=12, fontWeight=600).encode(
            y=alt.value(-3 - 15 * row), text="text:N"
        ),
    ]  # fmt: skip
