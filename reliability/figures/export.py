"""Charts as files."""

from __future__ import annotations

import importlib.util
from typing import Any

from reliability.extras import load


def to_svg(chart: Any) -> str:
    """A chart as SVG, for paper and download. Raises CannotAnswer where the extra is missing."""
    return str(load("vl_convert").vegalite_to_svg(chart.to_dict()))


def to_png(chart: Any, scale: float = 2.0) -> bytes:
    """A chart as PNG, for download. Raises CannotAnswer where the extra is missing."""
    return bytes(load("vl_convert").vegalite_to_png(chart.to_dict(), scale=scale))


def can_export() -> bool:
    """Whether charts can be written as files here."""
    return importlib.util.find_spec("vl_convert") is not None
