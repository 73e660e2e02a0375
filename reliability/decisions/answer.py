"""What all answers share: how they turn into JSON."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np


def plain(value: Any) -> Any:
    """A result as JSON types: dataclasses by field, infinities and nan as null.

    Fields whose metadata say ``json=False`` are left out; a field may rename itself by
    ``json="name"``.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        if hasattr(value, "as_dict"):
            return value.as_dict()
        out = {}
        for f in dataclasses.fields(value):
            name = f.metadata.get("json", f.name)
            if name is not False:
                out[name] = plain(getattr(value, f.name))
        return out
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return [plain(v) for v in value.tolist()]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return value
    return value


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


def percent_text(value: float) -> str:
    """A probability for people, never rounded to 0 % or 100 % unless it is."""
    if value in (0.0, 1.0):
        return f"{100 * value:.0f} %"
    if value > 0.9995:
        return "over 99.9 %"
    if value < 0.0005:
        return "under 0.1 %"
    return f"{100 * value:.1f} %" if value > 0.99 or value < 0.1 else f"{100 * value:.0f} %"


def p_text(value: float) -> str:
    """A p value for people, with its sign; never 0.000."""
    return "p < 0.001" if value < 0.001 else f"p = {value:.3f}"
