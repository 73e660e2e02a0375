"""A module's slots as lanes on one axis of shots: so far, what can be promised, the lives seen of such parts."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt

from reliability.ask.answers import FlightAnswer, ModuleAnswer
from reliability.figures.module import longest_run
from reliability.figures.style import (
    CLAY,
    INK,
    MOSS,
    NEED_DASH,
    PLUM,
    STONE,
    Line,
    named,
    names_y,
    shots_x,
    style,
    tips,
    uprights,
)
from reliability.words import percent_text, shots_text, volts_text

ROW, LEAST_ROW = 46, 25
"""pixels of a lane, where there are few and where there are many"""
ROOM = 300
"""pixels for all lanes, as long as each has the least"""
FRAME = 140
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


def flight_lanes(a: FlightAnswer) -> tuple[Lane, ...]:
    """Lanes of a module that has been run, most likely end first."""
    return tuple(
        Lane(_name(s.slot, [x.slot for x in a.by_slot], i, s.unit), s.so_far, s.promise, s.ends_first, s.n, s.failed, s.use_V, s.seen)
        for i, s in enumerate(a.by_slot)
    )  # fmt: skip


def module_lanes(a: ModuleAnswer) -> tuple[Lane, ...]:
    """Lanes of a design, most likely end first."""
    volts = float(a.at.get("charge_V", math.nan))
    return tuple(
        Lane(s.slot.replace("_", " "), 0.0, s.promise, s.ends_module, s.n, s.failed, volts, s.seen)
        for s in a.slots
    )


def _name(slot: str, all_slots: Sequence[str], i: int, unit: str = "") -> str:
    """A lane's name, with the unit in the slot; two without a name in one slot are numbered."""
    text = slot.replace("_", " ")
    if unit:
        return f"{text} {unit}"
    before = list(all_slots[:i]).count(slot)
    return f"{text} ({before + 1})" if all_slots.count(slot) > 1 else text


def flight_slots_figure(a: FlightAnswer) -> Any:
    """Lanes of a module with shots on it, counted from now; promise and mission across them."""
    p, mission = a.promise.shots, a.mission_shots
    lines = [
        Line("promise", p, f"promise {shots_text(p)}", CLAY),
        Line("mission", mission, f"mission {shots_text(mission)}", PLUM, NEED_DASH),
        Line("now", 0.0, "now", STONE),
    ]
    return _figure(flight_lanes(a), lines, "shots from now")


def module_slots_figure(a: ModuleAnswer) -> Any:
    """Lanes of a design; the life promised, and the mission where one is asked for."""
    keep = percent_text(1 - a.life.fraction)
    lines = [Line("promise", a.life.lower, f"{keep} last {shots_text(a.life.lower)}", CLAY)]
    lines += [
        Line("mission", s.shots, f"mission {shots_text(s.shots)}", PLUM, NEED_DASH)
        for s in a.survival[:1]
    ]
    return _figure(module_lanes(a), lines, "shots on the module")


def _figure(lanes: Sequence[Lane], lines: Sequence[Line], title: str) -> Any:
    low, top = _reach(lanes, [line.at for line in lines if math.isfinite(line.at)])
    x = shots_x("at", title, top=top, low=low)
    y = names_y("lane", [k.name for k in lanes], 220)
    row = max(LEAST_ROW, min(ROW, ROOM // max(1, len(lanes))))
    layers = [*_bars(lanes, x, y, row), *_seen(lanes, (low, top), y, row), _words(lanes, y, row)]
    layers += uprights(lines, x, (low, top))
    return style(alt.layer(*layers), height=row * len(lanes) + FRAME)


def _reach(lanes: Sequence[Lane], at: Sequence[float]) -> tuple[float, float]:
    """From where to where the axis goes: promise, mission, the first failure seen in the first lane, and the middle one
    where that is not far."""
    lows = [s.failed for k in lanes[:1] for s in k.seen if math.isfinite(s.failed)]
    first, middle = (
        sorted(lows)[k] - lanes[0].so_far if lows else 0.0 for k in (0, len(lows) // 2)
    )
    most = max(at, default=0.0)
    top = 1.3 * max([*at, min(middle, 4 * most), min(first, 10 * most), 1.0])
    # of a long past no more than the time to come, so that what matters is not squeezed
    return -min(1.04 * max([k.so_far for k in lanes], default=0.0), top), top


def _bars(lanes: Sequence[Lane], x: Any, y: Any, row: int) -> list[Any]:
    """Shots so far, and what the slot alone could be promised for; dashed where no such unit has been run so long."""
    rows: list[dict[str, Any]] = []
    for k in lanes:
        run = longest_run(k.seen) - k.so_far
        tested = max(0.0, min(k.promise, run)) if math.isfinite(run) else k.promise
        rows.append(
            {"lane": k.name, "at": 0.0, "tested": tested, "to": k.promise, "back": -k.so_far, "so_far": k.so_far, "promise": k.promise}
        )  # fmt: skip
    hover = ["lane", *tips("so_far", "promise", so_far="shots so far", promise="this slot alone lasts at least")]  # fmt: skip
    size = {"height": max(8, row // 3 - 1), "yOffset": -(row // 6), "clip": True}
    bar = {**size, "fill": CLAY, "stroke": CLAY}
    out = [named("alone", rows).mark_bar(fillOpacity=0.28, **bar).encode(x=x, x2="tested:Q", y=y, tooltip=hover)]  # fmt: skip
    beyond = [r for r in rows if r["to"] > r["tested"]]
    if beyond:
        mark = named("alone_beyond", beyond).mark_bar(fillOpacity=0.06, strokeDash=[3, 3], **bar)
        out.append(mark.encode(x=alt.X("tested:Q"), x2="to:Q", y=y, tooltip=hover))
    if any(k.so_far for k in lanes):
        so_far = named("so_far", rows).mark_bar(fill=INK, **size)
        out.append(so_far.encode(x=alt.X("back:Q"), x2="at:Q", y=y, tooltip=hover))
    return out


def _seen(lanes: Sequence[Lane], frame: tuple[float, float], y: Any, row: int) -> list[Any]:
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
                    "voltage": volts_text(s.level) if s.level == s.level else "", "pale": 0.35 if other else 1.0,
                }
            )  # fmt: skip
    here = [r for r in rows if frame[0] <= r["at"] <= frame[1]]
    beyond = _outside(rows, frame, y, row)
    if not here:
        return beyond
    domain = ["failed", "still good"]
    hover = ["lane", "state", *tips("life", life="shots on that unit"), "voltage"]
    mark = named("seen", here).mark_point(
        size=46 if row > 34 else 26, strokeWidth=1.5, yOffset=row // 5
    )
    return [
        *beyond,
        mark.encode(
            x=alt.X("at:Q"), y=y, opacity=alt.Opacity("pale:Q", scale=None), tooltip=hover,
            shape=alt.Shape("state:N", scale=alt.Scale(domain=domain, range=["cross", "circle"]),
                            legend=alt.Legend(title="lives seen of such parts", titleOrient="left")),
            stroke=alt.Stroke("state:N", scale=alt.Scale(domain=domain, range=[CLAY, MOSS]), legend=None),
            fill=alt.Fill("state:N", scale=alt.Scale(domain=domain, range=[CLAY, "transparent"]), legend=None),
        )
    ]  # fmt: skip


def _outside(
    rows: Sequence[dict[str, Any]], frame: tuple[float, float], y: Any, row: int
) -> list[Any]:
    """At an end of the axis: how many lives of the lane lie beyond it, and how far they go."""
    low, top = frame
    before = _by_lane(
        (r for r in rows if r["at"] < low),
        low,
        lambda lives: f"← {len(lives)} more, from {shots_text(min(lives))}",
    )
    beyond = _by_lane(
        (r for r in rows if r["at"] > top),
        top,
        lambda lives: f"{len(lives)} more, to {shots_text(max(lives))} →",
    )
    ends = (("before", before, "left", 4), ("beyond", beyond, "right", -4))
    return [
        named(name, told).mark_text(align=align, dx=dx, fontSize=10, yOffset=row // 5).encode(x=alt.X("at:Q"), y=y, text="text:N")
        for name, told, align, dx in ends
        if told
    ]  # fmt: skip


def _by_lane(
    far: Iterable[dict[str, Any]], edge: float, text: Callable[[list[float]], str]
) -> list[dict[str, Any]]:
    """Of each lane with lives beyond an edge, words for them there."""
    lives: dict[str, list[float]] = {}
    for r in far:
        lives.setdefault(r["lane"], []).append(r["life"])
    return [{"lane": lane, "at": edge, "text": text(own)} for lane, own in lives.items()]


def _words(lanes: Sequence[Lane], y: Any, row: int) -> Any:
    """At the right end of each bar: how likely the slot ends the module, and on how much that rests."""
    rows = [
        {"lane": k.name, "text": (f"ends {percent_text(k.ends)}; " if k.ends == k.ends else "") + f"{k.failed:g} of {k.n:g} failed"}
        for k in lanes
    ]  # fmt: skip
    words = named("words", rows).mark_text(
        align="right", dx=-6, fontSize=12 if row > 34 else 11, yOffset=-(row // 6)
    )
    return words.encode(x=alt.value("width"), y=y, text="text:N")
