"""Numbers and names as people read them: counts, probabilities, p values, units."""

from __future__ import annotations

import math
from collections.abc import Iterable

STRESS_WORDS = {
    "charge_V": "charge voltage",
    "temp_C": "temperature",
    "energy_J": "energy",
    "peak_A": "peak current",
}
"""stresses in a sentence"""
UNITS = {"V": "V", "C": "deg C", "A": "A", "J": "J", "Hz": "Hz", "Pa": "Pa", "uF": "uF"}
"""units at the end of a column's name, as people write them"""


def stress_text(column: str) -> str:
    """A stress in a sentence: ``charge voltage``."""
    return STRESS_WORDS.get(column, column.replace("_", " "))


def level_number(at: float) -> str:
    """A level without its unit: four digits, never rounded to fewer than are left of the point.

    Examples
    --------
    >>> level_number(6.3), level_number(1234.5), level_number(22000)
    ('6.3', '1,234', '22,000')
    """
    return f"{at:,.4g}" if abs(at) < 1e4 else f"{at:,.0f}"


def level_text(column: str, at: float) -> str:
    """A level with its unit: ``1,273 V``."""
    unit = UNITS.get(column.rpartition("_")[2], "")
    return f"{level_number(at)} {unit}".strip()


def stress_level(column: str, at: float) -> str:
    """A level as it says what it is of: ``1,273 V``, ``60 deg C``; without a unit by its column, ``humidity 40``."""
    own = level_text(column, at)
    return own if own != level_number(at) else f"{stress_text(column)} {own}"


def volts_text(at: float) -> str:
    """A charge voltage: ``1,273 V``, ``6.3 V``."""
    return level_text("charge_V", at)


def range_text(column: str, low: float, high: float) -> str:
    """From where to where a stress goes: ``1,200 to 1,400 V``; ``1,200 V`` where it does not."""
    if low == high:
        return level_text(column, low)
    return f"{level_number(low)} to {level_text(column, high)}"


def whole(value: float) -> int | float:
    """A count as a whole number where it is one."""
    return int(value) if float(value).is_integer() else value


def shots_text(value: float) -> str:
    """A count for people: three significant digits below a thousand, thousands marked above."""
    if not math.isfinite(value):
        return "unbounded"
    if value >= 1000:
        digits = max(0, math.floor(math.log10(value)) - 2)
        return f"{round(value, -digits):,.0f}"
    return f"{value:.3g}"


def so_many_shots(value: float) -> str:
    """A count of shots with its word.

    Examples
    --------
    >>> so_many_shots(1.0), so_many_shots(1234.5)
    ('1 shot', '1,230 shots')
    """
    text = shots_text(value)
    return f"{text} shot{'' if text == '1' else 's'}"


def _bench_time(days: float) -> tuple[str, str]:
    """Bench time as a number and its unit: hours below half a day, minutes below an hour."""
    hours = 24 * days
    unit, value = (
        ("day", days) if days >= 0.5 else ("hour", hours) if hours >= 1 else ("minute", 60 * hours)
    )
    return (f"{value:,.0f}" if value >= 10 else f"{value:.2g}"), unit


def bench_text(days: float) -> str:
    """Bench time in a sentence.

    Examples
    --------
    >>> bench_text(0.024), bench_text(0.35), bench_text(2.44), bench_text(1)
    ('35 bench minutes', '8.4 bench hours', '2.4 bench days', '1 bench day')
    """
    number, unit = _bench_time(days)
    return f"{number} bench {unit}{'' if number == '1' else 's'}"


def bench_cell(days: float) -> str:
    """Bench time in a table: ``35 min``, ``8.4 h``, ``2.4 d``."""
    number, unit = _bench_time(days)
    return f"{number} {'min' if unit == 'minute' else unit[0]}"


def capital(text: str) -> str:
    """A text that begins a sentence."""
    return text[0].upper() + text[1:]


def counted(count: float, what: str) -> str:
    """A count of things, such as ``1 record`` and ``1,200 records``."""
    return f"{count:,.0f} {what}{'' if count == 1 else 's'}"


def percent_text(value: float) -> str:
    """A probability for people, never rounded to 0 % or 100 % unless it is; a dash where there is none."""
    if value != value:
        return "–"
    if value in (0.0, 1.0):
        return f"{100 * value:.0f} %"
    if value > 0.9995:
        return "more than 99.9 %"
    if value < 0.0005:
        return "less than 0.1 %"
    return f"{100 * value:.1f} %" if value > 0.99 or value < 0.1 else f"{100 * value:.0f} %"


def p_text(value: float) -> str:
    """A p value for people, with its sign; never 0.000."""
    return "p < 0.001" if value < 0.001 else f"p = {value:.3f}"


def countable(share: float) -> tuple[int, int]:
    """A share as so many of so many: the smallest of 20, 100, 1,000 ... in which it is one at least.

    Rounded up: a share of ends is never told smaller than it is.

    Examples
    --------
    >>> countable(0.1), countable(0.012)
    ((2, 20), (2, 100))
    """
    of = 20
    while share > 0 and share * of < 1 and of < 1_000_000:
        of = 100 if of == 20 else 10 * of
    return math.ceil(round(share * of, 9)), of


def of_so_many(share: float, what: str) -> str:
    """``of 20 such modules 2 end``: a share of ends that one can count."""
    if not 0 <= share <= 1:
        return f"how many {what} end is not known"
    k, n = countable(share)
    return f"of {n:,} {what} {k:,} end{'s' if k == 1 else ''}"


def ends_so_far(estimate: float, most: float, what: str) -> str:
    """``of 20 such modules 2 end as estimated, 3 at most``: two shares of ends, counted in as many.

    Examples
    --------
    >>> ends_so_far(0.08, 0.14, "such modules"), ends_so_far(0.001, 0.06, "such units")
    ('of 20 such modules 2 end as estimated, 3 at most', 'of 20 such units fewer than 1 ends as estimated, 2 at most')
    """
    if not (0 <= estimate <= 1 and 0 <= most <= 1):
        return f"how many {what} end is not known"
    k, of = countable(most)
    expected = math.ceil(round(estimate * of, 9)) if estimate * of >= 1 else 0
    said = f"{expected:,} end{'s' if expected == 1 else ''}" if expected else "fewer than 1 ends"
    return f"of {of:,} {what} {said} as estimated, {k:,} at most"


def unit_label(parts: Iterable[object]) -> str:
    """A unit's name by builder, module, slot and unit, empty ones left out: ``kite/kite-03/igniter/ig2``."""
    return "/".join(str(p) for p in parts if p)
