"""Figures for the site: their descriptions, and the program that draws them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

from reliability.notes import BadInput


def _check_data(part: Any, title: str) -> None:
    if isinstance(part, Mapping):
        data = part.get("data")
        if isinstance(data, Mapping) and "url" in data:
            raise BadInput(f"figure {title!r} fetches its data by address; put the data inside")
        for value in part.values():
            _check_data(value, title)
    elif isinstance(part, (list, tuple)):
        for value in part:
            _check_data(value, title)


def settled(spec: Mapping[str, Any], title: str) -> str:
    """The description as JSON that is safe inside a page: ``<`` is written as an escape, numbers that JSON
    does not have become null.

    Raises
    ------
    BadInput
        If the figure would fetch data.
    """
    _check_data(spec, title)
    plain = json.loads(json.dumps(spec), parse_constant=lambda _: None)
    text = json.dumps(plain, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


@cache
def drawing_program() -> bytes:
    """Vega, Vega-Lite and vega-embed as one script, with ours that draws the figures of a page."""
    import vl_convert

    ours = resources.files("reliability.publish").joinpath("templates/draw.js").read_text("utf-8")
    bundle: str = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")
    return (bundle + "\n" + ours).encode()
