"""What charts share: colours, axes, lines that say what they are, and the hatching of what was not tested.

Every layer carries a name, so that what is drawn can be read off a chart and checked against the answer.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import pandas as pd

from reliability.words import percent_text

INK = "#2a7bd1"  # the estimate
BAND = "#9dbdd3"
CLAY = "#c2502a"  # the bound that a promise rests on
MOSS = "#349f6d"
PLUM = "#8d6f9e"  # what is required
STONE = "#8a8f97"  # data
SAND = "#a08c00"
SERIES = [INK, CLAY, MOSS, PLUM, SAND, STONE]
DASHES = [[1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [4, 4], [10, 4]]
BOUND_DASH = (8, 3)
NEED_DASH = (3, 3)
SHOTS = ",.0f"


def style(chart: Any, height: int = 320) -> Any:
    """Size and letters of every chart, set on the chart itself: each copy costs as much as making it."""
    chart.height = height
    chart.config = alt.Config(
        axis=alt.AxisConfig(labelFontSize=12, titleFontSize=13, gridOpacity=0.35, titleFontWeight="normal"),
        legend=alt.LegendConfig(labelFontSize=12, titleFontSize=12, orient="bottom", labelLimit=260),
        view=alt.ViewConfig(strokeOpacity=0),
    )  # fmt: skip
    return chart


class Layer(alt.Chart):  # type: ignore[misc]
    """A chart whose channels are made from texts and values directly.

    Left to the library each would be compared with all that it knows, which takes some milliseconds.
    """

    def encode(self, **channels: Any) -> Any:
        """The chart with these channels."""
        return super().encode(**{name: _channel(name, given) for name, given in channels.items()})


def _channel(name: str, given: Any) -> Any:
    kind = name[0].upper() + name[1:]
    if isinstance(given, str):
        return getattr(alt, kind)(given)
    if isinstance(given, list):
        return [_channel(name, one) for one in given]
    if isinstance(given, dict) and "value" in given:
        return getattr(alt, f"{kind}Value")(**given)
    return given


def named(name: str, rows: Iterable[Mapping[str, Any]] | pd.DataFrame) -> Any:
    """A layer with a name, on rows of its own."""
    frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))
    return Layer(frame, name=name)


def log_ticks(low: float, high: float, most: int = 12) -> list[float]:
    """Ticks of a log axis: 1, 2 and 5 of each decade, fewer over many decades, more within one."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    fine, middle = (1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9), (1, 1.5, 2, 3, 4, 5, 7)
    found: list[float] = []
    for steps in (fine, middle, (1, 2, 5), (1, 3), (1,)):
        found = [
            float(f"{s * 10.0**d:.6g}") for d in range(first - 1, last + 1) for s in steps
            if low * 0.999 <= s * 10.0**d <= high * 1.001
        ]  # fmt: skip
        if len(found) <= (6 if steps in (fine, middle) else most):
            break
    return found


def log_scale(values: Sequence[float]) -> Any:
    """A log scale that holds these values, with a little room."""
    known = [v for v in values if v > 0 and math.isfinite(v)] or [1.0, 10.0]
    return alt.Scale(
        type="log", domain=[min(known) * 0.9, max(known) * 1.1], nice=False, clamp=True
    )


def log_axis(
    channel: Any, field: str, title: str, values: Sequence[float], form: str = SHOTS
) -> Any:
    """A log axis with sensible ticks over these values."""
    scale = log_scale(values)
    most = 8 if channel is alt.X else 12
    axis = alt.Axis(
        title=title, values=log_ticks(scale["domain"][0], scale["domain"][1], most), format=form
    )
    return channel(f"{field}:Q", axis=axis, scale=scale)


def domain_of(axis: Any) -> tuple[float, float]:
    """From where to where an axis goes."""
    low, high = axis["scale"]["domain"]
    return float(low), float(high)


def shots_x(
    field: str, title: str = "shots on the unit", top: float | None = None, low: float = 0.0
) -> Any:
    """A straight axis of shots, from 0 unless said otherwise."""
    scale = alt.Scale(domain=[low, top], nice=False) if top else alt.Scale(zero=True)
    return alt.X(f"{field}:Q", axis=alt.Axis(title=title, format=SHOTS, tickCount=6), scale=scale)


def share_y(field: str, title: str = "share still good", low: float = 0.0, high: float = 1.0) -> Any:  # fmt: skip
    """A share of units."""
    axis = alt.Axis(format="%", tickCount=6, titlePadding=8)
    scale = alt.Scale(domain=[low, high], nice=False)
    return alt.Y(f"{field}:Q", title=title, axis=axis, scale=scale)


def names_y(field: str, names: Sequence[str], limit: int = 240) -> Any:
    """Names, in this order, each of them shown."""
    axis = alt.Axis(labelLimit=limit, labelOverlap=False, ticks=False)
    return alt.Y(f"{field}:N", sort=list(names), title=None, axis=axis)


def along(axis: Any, column: str) -> Any:
    """The same axis for another column."""
    other = axis.copy(deep=False)
    other["shorthand"] = f"{column}:Q"
    return other


def tips(*fields: str, form: str = SHOTS, **titles: str) -> list[Any]:
    """What a mark says when pointed at; ``titles`` are other words for a field."""
    return [
        alt.Tooltip(f"{f}:Q", format=form, title=titles.get(f, f.replace("_", " "))) for f in fields
    ]


def curve_tips() -> list[Any]:
    """What a survival curve says when pointed at."""
    shares = tips("estimate", "lower", form=".1%", estimate="still good, estimate", lower="at least")  # fmt: skip
    return [*tips("shots"), *shares]


@dataclass(frozen=True)
class Line:
    """A line at a value, with its name on the chart.

    ``key`` names its layer, ``key``_text that of its words.
    """

    key: str
    at: float
    text: str
    colour: str
    dash: tuple[int, ...] = (1, 0)


def uprights(lines: Sequence[Line], x: Any, domain: tuple[float, float]) -> list[Any]:
    """Upright lines, their names above the chart in rows so that none lies on another.

    ``x`` is the axis with its column ``at``; lines outside its domain, or nowhere, are left out.
    """
    shown = sorted((n for n in lines if domain[0] <= n.at <= domain[1]), key=lambda n: n.at)
    out: list[Any] = []
    middle = 0.5 * (domain[0] + domain[1])
    for row, line in enumerate(shown):
        rows = [{"at": line.at, "text": line.text}]
        rule = named(line.key, rows).mark_rule(
            color=line.colour, strokeWidth=2, strokeDash=list(line.dash)
        )
        left = line.at > middle
        words = named(f"{line.key}_text", rows).mark_text(
            align="right" if left else "left", dx=-4 if left else 4, baseline="bottom", fontSize=12, fontWeight=600
        )  # fmt: skip
        up = len(shown) - 1 - row
        out += [
            rule.encode(x=along(x, "at")),
            words.encode(x=along(x, "at"), y=alt.value(-3 - 15 * up), text="text:N"),
        ]
    return out


def level(line: Line, y: Any, right: bool = True) -> list[Any]:
    """A level line with its name on it, at the right end or the left one."""
    rows = [{"at": line.at, "text": line.text}]
    rule = named(line.key, rows).mark_rule(
        color=line.colour, strokeWidth=1.5, strokeDash=list(line.dash)
    )
    words = named(f"{line.key}_text", rows).mark_text(
        align="right" if right else "left", dx=-4 if right else 4, baseline="bottom", dy=-2, fontSize=12
    )  # fmt: skip
    here = along(y, "at")
    place = alt.value("width") if right else alt.value(0)
    return [rule.encode(y=here), words.encode(y=here, x=place, text="text:N")]


@dataclass(frozen=True)
class Tag:
    """Words beside a point of a curve, instead of a legend."""

    key: str
    text: str
    at: float
    y: float
    left: bool = False
    lift: int = -9


LONGEST = 180
"""width of words beside a curve, in pixels: longer ones, such as a builder's name, are cut"""


def tag(words: Tag, x: Any, y: Any) -> Any:
    """The words on the chart; ``x`` and ``y`` are its axes."""
    rows = [{"at": words.at, "y": words.y, "text": words.text}]
    mark = named(words.key, rows).mark_text(
        align="right" if words.left else "left", dx=-6 if words.left else 6, dy=words.lift, fontSize=12, limit=LONGEST
    )  # fmt: skip
    return mark.encode(x=along(x, "at"), y=along(y, "y"), text="text:N")


def band(frame: pd.DataFrame, x: Any, y: Any) -> list[Any]:
    """Estimate as a line; band to its bounds, the lower edge dashed: what a promise rests on.

    ``frame`` has shots, estimate, lower, upper (None where it is not known).
    """
    layers = []
    x = along(x, "shots")
    hover = curve_tips()
    if frame.upper.notna().any():
        area = named("band", frame).mark_area(color=BAND, opacity=0.3, clip=True)
        layers.append(area.encode(x=x, y=along(y, "lower"), y2="upper:Q"))
    return [
        *layers,
        named("estimate", frame).mark_line(color=INK, strokeWidth=2.5, clip=True).encode(x=x, y=along(y, "estimate"), tooltip=hover),
        named("lower", frame).mark_line(color=CLAY, strokeDash=list(BOUND_DASH), strokeWidth=2.5, clip=True).encode(x=x, y=along(y, "lower"), tooltip=hover),
    ]  # fmt: skip


LETTER = 7 / 480
"""width of a letter, as a share of a small chart's frame"""


def curve_tags(
    frame: pd.DataFrame, x: Any, y: Any, confidence: float, fallen: float = 0.35, promise: float = math.nan
) -> list[Any]:  # fmt: skip
    """Words beside estimate and lower bound, the one above its curve, the other below.

    ``fallen`` is where on the lower one: 1 at its top, 0 at its foot; as near to it as leaves the upright line at
    ``promise`` clear of the words, and the words within the chart.
    """
    out = []
    texts = {"estimate": "estimate", "lower": f"at least ({percent_text(confidence)} sure)"}
    shots = frame.shots.tolist()
    for column, share in (("estimate", 0.45), ("lower", fallen)):
        values = frame[column].tolist()
        below = column == "lower"
        low, high = min(values), max(values)
        if not below and low == high:
            continue  # nothing has failed: no curve, and its words would stand on those of the lines
        want = low + share * (high - low)
        width = LETTER * len(texts[column]) * max(shots)
        clear = [
            k
            for k, at in enumerate(shots)
            if not below or (at - width >= shots[0] and not at - width < promise < at)
        ]
        k = min(clear or range(len(values)), key=lambda i: abs(values[i] - want))
        out.append(
            tag(Tag(f"{column}_text", texts[column], shots[k], values[k], below, 9 if below else -9), x, y)
        )  # fmt: skip
    return out


@dataclass(frozen=True)
class Frame:
    """What a chart shows along and up: two domains, and whether the second is a log one."""

    x: tuple[float, float]
    y: tuple[float, float]
    log: bool = False


STROKES = 46
"""slanting strokes over the whole width of a chart"""


def hatched(frame: Frame, spans: Sequence[tuple[float, float]], x: Any, y: Any, text: str = "outside the tests") -> list[Any]:  # fmt: skip
    """What lies outside the tests: slanting strokes over the spans, with a name where there is room."""
    low, high = frame.x
    shown = [(max(a, low), min(b, high)) for a, b in spans if min(b, high) > max(a, low)]
    if not shown:
        return []
    strokes = [s for a, b in shown for s in _strokes(frame, a, b)]
    lines = named("outside", strokes).mark_rule(color=STONE, opacity=0.45, strokeWidth=1)
    out = [lines.encode(x=along(x, "at"), x2="end:Q", y=along(y, "y"), y2="top:Q")]
    words = [
        {"at": 0.5 * (a + b), "text": text, "y": _up(frame, 0.45)}
        for a, b in shown
        if b - a > 0.2 * (high - low)
    ]
    if words:
        mark = named("outside_text", words).mark_text(fontSize=12)
        out.append(mark.encode(x=along(x, "at"), y=along(y, "y"), text="text:N"))
    return out


def _strokes(frame: Frame, begin: float, end: float) -> list[dict[str, float]]:
    """Strokes from the foot up and to the right, cut off where the span ends."""
    step = (frame.x[1] - frame.x[0]) / STROKES
    lean = 8 * step
    out = []
    at = begin - lean + step - (begin - frame.x[0]) % step
    while at < end:
        low, high = max(0.0, (begin - at) / lean), min(1.0, (end - at) / lean)
        if high > low:
            out.append(
                {"at": at + low * lean, "end": at + high * lean, "y": _up(frame, low), "top": _up(frame, high)}
            )  # fmt: skip
        at += step
    return out


def _up(frame: Frame, share: float) -> float:
    """The value at a share of the chart's height."""
    low, high = frame.y
    return low * (high / low) ** share if frame.log else low + share * (high - low)
